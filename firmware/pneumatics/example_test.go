// SPDX-License-Identifier: Apache-2.0

package pneumatics_test

import (
	"fmt"
	"time"

	"airhold/firmware/pneumatics"
)

// The worked example of NOTES.md: 40 L at 8 bar that lose 5 L/min ANR.
func ExampleClosed() {
	tank := pneumatics.Closed{
		Volume: 0.040, Temperature: 293.15, Leak: 5e-3 / 60, Pressure: 8e5,
		Barometer: 101325, Critical: pneumatics.CriticalRatio(),
	}
	p, err := tank.After(8e5, 5*time.Minute)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f bar after five minutes\n", float64(p)/1e5)
	// Output: 7.399 bar after five minutes
}
