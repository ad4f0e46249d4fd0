// SPDX-License-Identifier: Apache-2.0

// Alarm pulses made by the page. A browser lets a page sound only after a press, so the button says "Sound on" until
// then.

import { say } from './say'
import { pulses, silent, strike, tone, type Ringing } from './bell'
import type { Priority } from './payload'

/** Muting lasts two minutes at most and ends by itself. */
export const muteFor = 120_000

export class Sound {
  /** What was played, and the single tones that the audio clock has really come to the end of. */
  played = { high: 0, medium: 0, low: 0, tones: 0 }

  private out: AudioContext | undefined
  private wave: PeriodicWave | undefined
  private volume: GainNode | undefined
  private bell = silent
  private mutedUntil = -Infinity

  /** press is the one button: the first press lets the page sound, later ones mute and end muting. */
  press(now: number): void {
    if (this.out?.state !== 'running') {
      this.open()
      return
    }
    this.mutedUntil = this.muted(now) > 0 ? -Infinity : now + muteFor
    this.volume?.gain.setValueAtTime(this.muted(now) > 0 ? 0 : 1, this.out.currentTime)
  }

  muted(now: number): number {
    return Math.max(0, this.mutedUntil - now)
  }

  /** able says whether the page may sound. */
  able(): boolean {
    return this.out?.state === 'running'
  }

  label(now: number): string {
    if (this.out?.state !== 'running') return say('Sound on')
    const left = Math.ceil(this.muted(now) / 1000)
    return left > 0 ? say('Muted {time}', { time: `${Math.floor(left / 60)}:${String(left % 60).padStart(2, '0')}` }) : say('Mute 2\u00a0min')
  }

  /** ring lets what rings be heard, as far as the page may sound and knows what is over. */
  ring(rings: readonly Ringing[], now: number, settled: boolean): void {
    const { bell, play } = strike(this.bell, rings, now, settled && this.out?.state === 'running' && this.muted(now) === 0)
    this.bell = bell
    if (play !== 'none') this.play(play)
  }

  private open(): void {
    if (this.out === undefined) {
      this.out = new AudioContext()
      const n = tone.strength.length + 1
      this.wave = this.out.createPeriodicWave(new Float32Array(n), Float32Array.from([0, ...tone.strength]))
      this.volume = this.out.createGain()
      this.volume.connect(this.out.destination)
    }
    void this.out.resume()
  }

  private play(p: Exclude<Priority, 'none'>): void {
    const { out, wave, volume } = this
    if (!out || !wave || !volume) return
    this.played[p]++
    volume.gain.setValueAtTime(1, out.currentTime)
    for (const at of pulses[p].at) this.pulse(out, wave, volume, out.currentTime + at, pulses[p].length, pulses[p].loud)
  }

  private pulse(out: AudioContext, wave: PeriodicWave, volume: GainNode, from: number, length: number, loud: number): void {
    const source = out.createOscillator()
    const gain = out.createGain()
    source.setPeriodicWave(wave)
    source.frequency.value = tone.fundamental
    gain.gain.setValueAtTime(0, from)
    gain.gain.linearRampToValueAtTime(loud, from + 0.02)
    gain.gain.setValueAtTime(loud, from + length - 0.03)
    gain.gain.linearRampToValueAtTime(0, from + length)
    source.connect(gain).connect(volume)
    source.onended = () => {
      this.played.tones++
      gain.disconnect()
    }
    source.start(from)
    source.stop(from + length)
  }
}
