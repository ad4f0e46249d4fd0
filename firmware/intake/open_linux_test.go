// SPDX-License-Identifier: Apache-2.0

package intake_test

import (
	"errors"
	"strings"
	"testing"

	"airhold/firmware/intake"
)

// Bus 97 exists on no box that runs tests; the text must tell the installer what to switch on.
func TestMissingBusesSayWhatToDo(t *testing.T) {
	_, i2cErr := intake.OpenI2C("i2c-97")
	_, spiErr := intake.OpenSPI("spi97.0")
	_, badI2C := intake.OpenI2C("ic2-1")
	_, badSPI := intake.OpenSPI("spi0")
	for _, tt := range []struct {
		err   error
		parts []string
	}{
		{i2cErr, []string{"no /dev/i2c-97", "enable I2C", "dtparam=i2c_arm=on"}},
		{spiErr, []string{"no /dev/spidev97.0", "enable SPI", "dtparam=spi=on"}},
		{badI2C, []string{`"ic2-1"`, "i2c-1"}},
		{badSPI, []string{`"spi0"`, "spi0.0"}},
	} {
		if !errors.Is(tt.err, intake.ErrNoBus) {
			t.Errorf("error = %v; want %v", tt.err, intake.ErrNoBus)
			continue
		}
		for _, part := range tt.parts {
			if !strings.Contains(tt.err.Error(), part) {
				t.Errorf("error = %v; want %q in it", tt.err, part)
			}
		}
	}
}

// A link that no box has is refused by the same rule as any other, and leaves no half-open source behind.
func TestOpenLinkRefusesAMissingLink(t *testing.T) {
	source, err := intake.OpenLink(intake.LinkOptions{Name: "can97", Hear: []uint32{65265}})(t.Context())
	if err == nil || source != nil {
		t.Errorf("OpenLink(can97) = %v, %v; want nil and an error", source, err)
	}
}
