// SPDX-License-Identifier: Apache-2.0

// Package story walks through airhold as a person does: it starts the demo by its command, opens the cab page in a real
// browser, and compares what stands there with what is true on the simulated machine. It holds tests only, behind the
// build tag e2e, because they need a browser.
//
// Words: the truth is the rig's own, run a second time beside the demo from the same seed; a look is all that can be
// read off the page at one moment.
package story
