// SPDX-License-Identifier: Apache-2.0

// Alarm pulses made by the page: a 660 Hz tone with five harmonics; how many and how quick says how urgent. A browser
// lets a page sound only after a press, so the button says "Sound on" until then.

import type { Priority } from './payload'

interface Pattern { at: number[]; length: number; again: number } // s; again in ms, 0: once

const patterns: Record<Priority, Pattern> = {
  none: { at: [], length: 0, again: 0 },
  low: { at: [0], length: 0.2, again: 0 },
  medium: { at: [0, 0.6], length: 0.3, again: 20_000 },
  high: { at: [0, 0.22, 0.44, 0.66, 1.3, 1.52, 1.74, 1.96], length: 0.14, again: 8000 },
}

/** Muting lasts two minutes at most and ends by itself. */
export const muteFor = 120_000

export class Sound {
  private out: AudioContext | undefined
  private wave: PeriodicWave | undefined
  private last: Priority = 'none'
  private lastAt = -Infinity
  private mutedUntil = -Infinity

  /** press is the one button: the first press lets the page sound, later ones mute and end muting. */
  press(now: number): void {
    if (this.out?.state !== 'running') {
      this.out ??= new AudioContext()
      this.wave ??= this.out.createPeriodicWave(new Float32Array(7), Float32Array.from([0, 1, 0.6, 0.5, 0.35, 0.3, 0.2]))
      void this.out.resume()
      return
    }
    this.mutedUntil = this.muted(now) > 0 ? -Infinity : now + muteFor
  }

  muted(now: number): number {
    return Math.max(0, this.mutedUntil - now)
  }

  label(now: number): string {
    if (this.out?.state !== 'running') return 'Sound on'
    const left = Math.ceil(this.muted(now) / 1000)
    return left > 0 ? `Muted ${Math.floor(left / 60)}:${String(left % 60).padStart(2, '0')}` : 'Mute 2\u00a0min'
  }

  /** ring sounds p when it is new, or due again. */
  ring(p: Priority, now: number): void {
    const { again } = patterns[p]
    const due = p !== this.last || (again > 0 && now - this.lastAt >= again)
    this.last = p
    if (!due || p === 'none' || this.muted(now) > 0 || this.out?.state !== 'running' || !this.wave) return
    this.lastAt = now
    for (const at of patterns[p].at) this.pulse(this.out, this.wave, this.out.currentTime + at, patterns[p].length)
  }

  private pulse(out: AudioContext, wave: PeriodicWave, from: number, length: number): void {
    const tone = out.createOscillator()
    const gain = out.createGain()
    tone.setPeriodicWave(wave)
    tone.frequency.value = 660
    gain.gain.setValueAtTime(0, from)
    gain.gain.linearRampToValueAtTime(0.8, from + 0.02)
    gain.gain.setValueAtTime(0.8, from + length - 0.03)
    gain.gain.linearRampToValueAtTime(0, from + length)
    tone.connect(gain).connect(out.destination)
    tone.start(from)
    tone.stop(from + length)
  }
}
