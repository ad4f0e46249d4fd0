// SPDX-License-Identifier: Apache-2.0

//go:build race

package rawlog_test

// racing: the race detector multiplies what a program takes.
const racing = true
