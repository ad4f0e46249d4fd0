// SPDX-License-Identifier: Apache-2.0

package main

import "context"

// suite is what one start of the box tests.
type suite struct {
	name    string
	modules []string
	devices []string
	tests   []string // inside the box, in order
	checks  []check  // outside, on the files that the tests gave
}

// check judges on the host, with programs that are not airhold's, what a test in the box recorded.
type check struct {
	name  string
	needs string // the test that must have run before
	run   func(ctx context.Context, folder string, files map[string][]byte) (string, error)
}

// always lists the modules every box needs to speak with the host.
func always() []string { return []string{"virtio_pci", "virtio_console"} }

func suites() []suite {
	return []suite{
		{
			name: "full-500", modules: wireModules(), devices: wireDevices(),
			tests: []string{"bus-full-500"}, checks: []check{{"tshark-reads", "bus-full-500", tsharkReads}},
		},
		{name: "full-250", modules: wireModules(), devices: wireDevices(), tests: []string{"bus-full-250"}},
		{
			name: "wire", modules: wireModules(), devices: wireDevices(),
			tests: []string{"link-listens-only", "refuses-talker", "small-buffer", "far-end-hears"},
		},
		{
			name: "adapter", modules: []string{"can-raw", "gs_usb", "vhci-hcd"},
			tests: []string{"adapter-sees-silence", "adapter-talks", "adapter-states"},
		},
		{
			name: "virtual", modules: []string{"can-raw", "vcan", "i2c-dev", "i2c-tiny-usb", "vhci-hcd", "cuse"},
			tests: []string{"link-loss", "lone-talker", "chips"},
		},
	}
}

// The wire: two controllers (SJA1000 behind PCI) on one bus.
func wireModules() []string { return []string{"can-raw", "kvaser_pci"} }

func wireDevices() []string {
	return []string{"-object", "can-bus,id=wire", "-device", "kvaser_pci,canbus=wire", "-device", "kvaser_pci,canbus=wire"}
}
