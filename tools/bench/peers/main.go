// SPDX-License-Identifier: Apache-2.0

// Command peers runs the Go libraries that airhold is measured against, on the same input, and prints for each what it
// did and what it cost as one JSON object.
//
//	peers dbc-generated FRAMES      einride can-go: the code its generator made of air/air.dbc
//	peers dbc-descriptor FRAMES     einride can-go: its descriptors, found by identifier
//	peers pcapng-write FRAMES       gopacket NgWriter
//	peers pcapng-read CAPTURE       gopacket NgReader, without copying
//	peers pcapng-invented CAPTURE   gopacket NgReader: how many packets nobody wrote
//	peers parquet ROWS              arrow-go
//
// It is a module of its own so that none of this becomes a dependency of airhold. FRAMES and ROWS are written by
// tools/bench; input.go has their forms. The first pass over the input warms up, the second one counts.
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"runtime"
	"syscall"
	"time"
)

//go:generate go run go.einride.tech/can/cmd/cantool@v0.17.0 generate air air
//go:generate sed -i "1i // SPDX-License-Identifier: Apache-2.0\\n" air/air.dbc.go

// work is one pass over the input: how many items, and a checksum that shows that they were looked at.
type work func() (items int64, sum float64, err error)

type answer struct {
	Items   int64   `json:"items"`
	Nanos   int64   `json:"ns"` // processor time of the pass
	Sum     float64 `json:"sum"`
	Mallocs uint64  `json:"mallocs"`
	Bytes   uint64  `json:"bytes"` // allocated during the pass
}

func main() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "usage: peers WHAT INPUT")
		os.Exit(2)
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		fmt.Fprintf(os.Stderr, "peers %s: %v\n", os.Args[1], err)
		os.Exit(1)
	}
}

func run(what, input string) error {
	runtime.GOMAXPROCS(1)
	prepare, ok := map[string]func(string) (work, error){
		"dbc-generated": generatedDBC, "dbc-descriptor": descriptorDBC,
		"pcapng-write": pcapngWrite, "pcapng-read": pcapngRead, "pcapng-invented": pcapngInvented,
		"parquet": arrowParquet,
	}[what]
	if !ok {
		return fmt.Errorf("there is no such peer")
	}
	pass, err := prepare(input)
	if err != nil {
		return err
	}
	if _, _, err := pass(); err != nil {
		return err
	}
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	begun := processorTime()
	items, sum, err := pass()
	took := processorTime() - begun
	if err != nil {
		return err
	}
	runtime.ReadMemStats(&after)
	return json.NewEncoder(os.Stdout).Encode(answer{
		items, int64(took), sum, after.Mallocs - before.Mallocs, after.TotalAlloc - before.TotalAlloc,
	})
}

func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err) // cannot fail for the own process
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
