// SPDX-License-Identifier: Apache-2.0

import type { Moment } from './inbox'

/** moment reads both clocks of the tablet. */
export function moment(): Moment {
  return { steady: performance.now(), wall: Date.now() }
}
