// SPDX-License-Identifier: Apache-2.0

//go:build !race

package rawlog_test

const racing = false
