// SPDX-License-Identifier: Apache-2.0

package compressor

import (
	"math"
	"time"
)

// The segmentation of a fast channel: which of the hidden states explains the slopes best (Viterbi's algorithm; from
// memory). A hidden state says three things: what the compressor does, whether the tank also loses air all the time
// (leak), and whether a bag takes air just now (fill). The slope tells little of a compressor that starts while bags
// fill; the pressure switch tells more. So the chance to start or stop depends on the pressure: near certain where
// the switch stands, rare elsewhere, where only an engine that is switched on or off can do it.
const (
	idle = iota // off, the switch waits for the cut-in
	dead        // off below the cut-in: nothing drives it
	pump        // on
	actors
)

const (
	levels = 5 // of a loss that lasts: none, and four sizes of leak
	moods  = 2 // a bag takes air or not
	hidden = actors * levels * moods
)

func state(actor, level, mood int) int { return (actor*levels+level)*moods + mood }

// steps is how many blocks are kept: the answer waits no longer than that.
const (
	steps     = 256
	leastBy   = 6   // blocks by which the answer follows at least: edges need to see what comes after them
	mostBy    = 240 // blocks after which the likelier answer is taken
	stillOpen = 8.0 // natural logarithm of how much likelier the other answer must be to keep this one open
)

// segmenter explains the blocks of a fast channel.
type segmenter struct {
	lift float64 // what the compressor adds to the slope, Pa/s
	fall float64 // mean fall of the idle tank, Pa/s
	in   float64 // cut-in, Pa
	out  float64 // cut-out, Pa
	inSd float64 // of cut-in, Pa
	utSd float64 // of cut-out, Pa

	have    bool
	prev    point
	score   [hidden]float64
	ring    [steps]step
	n       int     // steps so far
	done    int     // of them settled
	sure    int     // up to which they do not look like rest
	noise   float64 // sd of a block by the sensor, Pa
	lowest  float64 // since the compressor last seemed on, Pa
	highest float64 // since it last seemed off, Pa
	warm    float64 // pressure that is there because the gas is warmer than the wall, Pa
	odds    odds
	off     bool // a signal says that nothing drives it
}

// step is one block against the one before.
type step struct {
	from, to point
	cool     float64 // by which the gas that cools makes the pressure fall, Pa/s; negative while it warms
	back     [hidden]uint8
}

// odds are logarithms of the chances below, reckoned once.
type odds struct {
	same, other, weak, still, wakes, fillMost, anything float64
	fill                                                [moods][moods]float64
}

// start begins anew behind a hole; what was learned stays.
func (s *segmenter) start() {
	s.odds = odds{
		same: math.Log(1 - leakComes), other: math.Log(leakComes / (levels - 1)), weak: math.Log(weakPump),
		fill: [moods][moods]float64{
			{math.Log(1 - fillBegins), math.Log(fillBegins)}, {math.Log(1 - fillGoesOn), math.Log(fillGoesOn)},
		},
		still: math.Log(notDriven), wakes: math.Log(wakes), fillMost: math.Log(fillMost), anything: math.Log(anything),
	}
	s.have, s.n, s.done, s.sure, s.warm = false, 0, 0, 0, 0
}

// leakSizes are the levels' losses as a share of the lift, and how far about each a level reaches.
func leakSize(level int) (share, sd float64) {
	switch level {
	case 1:
		return 0.25, 0.06
	case 2:
		return 0.5, 0.1
	case 3:
		return 0.8, 0.16
	case 4:
		return 1.2, 0.25
	default:
		return 0, 0
	}
}

// soft is a smooth step from 0 to 1, within a few hundredths of the normal distribution's.
func soft(z float64) float64 { return 1 / (1 + math.Exp(-1.702*z)) }

// moves is the chance that a switch moves on the way from one place, where it has not, to another, in standard deviations
// from where it is thought to stand; it moves at the lower end.
func moves(from, to float64) float64 {
	switch before := soft(from); {
	case to >= from:
		return 0
	case before == 0:
		return 1
	default:
		return 1 - soft(to)/before
	}
}

// stalls is the logarithm of the chance that nothing drives the compressor any more while it is wanted. It is as small
// as half a minute of quiet is telling: where one open fill valve takes just what the compressor gives, a bag that fills
// looks like rest for as long as it fills, and days broke down by that.
const stalls = -200.0

// The chances of a block of half a second, and how far things stray: orders of magnitude, chosen on simulated days
// (NOTES.md); common practice, no source.
const (
	coolTime   = 35.0   // s in which a tank's gas cools to its wall: 12 to 90
	hotShare   = 0.35   // of a rise that is heat: 1 - wall/(k*inlet), absolute temperatures; heatShare for a fall
	fillBegins = 0.12   // a bag begins to take air
	fillGoesOn = 0.6    // and goes on
	leakComes  = 1e-30  // a loss that lasts changes its size
	seldom     = 1e-7   // an engine starts or stops
	nearCutOut = 0.3    // of the gap below the cut-out, in which a switch may stop too early
	wakes      = 1e-7   // an engine starts below the cut-in
	weakPump   = 0.01   // what seemed a leak while the compressor ran was a compressor that gives less
	atWork     = 0.5    // of the lift: a bag that takes air as fast shows a machine at work
	notDriven  = 0.02   // at the cut-in nothing drives the compressor
	stubborn   = 0.05   // least chance that a switch lets the pressure pass: it may have drifted
	sureBelow  = 2      // sd below the cut-in, from where it is sure that the switch wants the compressor
	driftMost  = 15e3   // Pa that a switch may have drifted unseen
	hopeless   = 1e-6   // chance that it lets the pressure pass farther down than that
	anything   = 1e-3   // density of a slope that nothing explains, times lift
	offSpread  = 0.06   // by which an idle tank's slope strays, of the lift: gas that cools after a run
	onSpread   = 0.15   // by which a rise strays: speed, heat
	leastNoise = 20.0   // Pa, sd of a block: no sensor is better
	coolSpread = 0.5    // by which the cooling strays, of itself
	fillMost   = 6.0    // fills as fast as that are as likely as slow ones, of the lift
	likeNo     = -1e300 // impossible
)

// add takes the next block and explains it; the first one only begins.
func (s *segmenter) add(b point) {
	if !s.have {
		s.have, s.prev, s.lowest, s.highest = true, b, b.v, b.v
		for i := range s.score {
			s.score[i] = likeNo
		}
		up := soft((s.out - b.v) / s.utSd)
		s.score[state(idle, 0, 0)] = 0
		s.score[state(dead, 0, 0)] = math.Log(0.1)
		s.score[state(pump, 0, 0)] = math.Log(0.5*up + 1e-6)
		return
	}
	st := &s.ring[s.n%steps]
	st.from, st.to = s.prev, b
	dt := (b.at - s.prev.at).Seconds()
	s.warm *= math.Exp(-dt / coolTime)
	st.cool = s.warm / coolTime
	share := heatShare
	if b.v > s.prev.v {
		share = hotShare
	}
	s.warm += share * (b.v - s.prev.v)
	s.prev = b
	s.n++
	s.forward(st, dt)
}

// forward does one step of the algorithm: for each state the best way into it.
func (s *segmenter) forward(st *step, dt float64) {
	var act [actors][actors]float64
	s.chances(st, dt, &act)
	k := &s.odds

	// The three things change independently: one after the other, each with the best of what came before.
	var a, b [hidden]float64
	var fromA, fromB [hidden]uint8
	for actor := range actors {
		for mood := range moods {
			best, at := likeNo, 0
			for l := range levels {
				if v := s.score[state(actor, l, mood)]; v > best {
					best, at = v, state(actor, l, mood)
				}
			}
			for l := range levels {
				i := state(actor, l, mood)
				a[i], fromA[i] = s.score[i]+k.same, uint8(i) //nolint:gosec // below hidden
				if v := best + k.other; v > a[i] {
					a[i], fromA[i] = v, uint8(at)
				}
			}
		}
		for l := range levels {
			i, j := state(actor, l, 0), state(actor, l, 1)
			for mood, to := range [moods]int{i, j} {
				b[to], fromB[to] = a[i]+k.fill[0][mood], fromA[i]
				if v := a[j] + k.fill[1][mood]; v > b[to] {
					b[to], fromB[to] = v, fromA[j]
				}
			}
		}
	}
	slope := (st.to.v - st.from.v) / dt
	level := s.best(pumping, hidden) / moods % levels // of the loss, if the compressor is on
	rest := s.likely(slope, dt, st.cool, false, 0, 0)
	top := likeNo
	for l := range levels {
		for mood := range moods {
			off := s.likely(slope, dt, st.cool, false, l, mood)
			on := s.likely(slope, dt, st.cool, true, l, mood)
			if l == level && on >= rest {
				s.sure = s.n
			}
			for to := range actors {
				i := state(to, l, mood)
				best, at := likeNo, state(to, l, mood)
				for from := range actors {
					if v := b[state(from, l, mood)] + act[from][to]; v > best {
						best, at = v, state(from, l, mood)
					}
				}
				if to == idle && l == 0 {
					for other := 1; other < levels; other++ {
						if v := b[state(pump, other, mood)] + act[pump][idle] + k.weak; v > best {
							best, at = v, state(pump, other, mood)
						}
					}
				}
				st.back[i] = fromB[at]
				s.score[i] = best + off
				if to == pump {
					s.score[i] = best + on
				}
				top = max(top, s.score[i])
			}
		}
	}
	for i := range s.score {
		s.score[i] = max(s.score[i]-top, likeNo)
	}
}

// chances are the logarithms of how likely the compressor starts and stops at these pressures.
func (s *segmenter) chances(st *step, dt float64, act *[actors][actors]float64) {
	// A switch that did not move at a pressure will not do so there later: only lower and higher pressures than those
	// since it last moved count.
	low, high := min(s.lowest, st.to.v), max(s.highest, st.to.v)
	starts := moves((s.lowest-s.in)/s.inSd, (low-s.in)/s.inSd)
	stops := moves((s.out-s.highest)/s.utSd, (s.out-high)/s.utSd)
	s.lowest, s.highest = low, high
	if s.now() {
		s.lowest = st.to.v
	} else {
		s.highest = st.to.v
	}
	rare := seldom * dt / blockLength.Seconds()
	pass := stubborn
	if low < s.in-driftMost {
		pass = hopeless
	}
	starts = min(max(starts, rare), 1-pass)
	stops = min(stops, 1-stubborn)
	// A switch may have drifted, and stop somewhat early; far below the cut-out none does.
	gap := max(s.out-s.in, minGap)
	far := (s.out - s.highest - gap*nearCutOut) / ((1 - nearCutOut) * gap)
	odd := math.Log(rare) + min(max(far, 0), 1)*stalls
	still := s.odds.still
	if st.from.v-st.to.v > atWork*s.lift*dt || low > s.in-sureBelow*s.inSd {
		still = stalls
	}
	begins := math.Log(starts)
	act[idle] = [actors]float64{math.Log(1 - starts), still + begins, begins}
	act[dead] = [actors]float64{math.Log(100*rare*soft((low-s.in)/s.inSd) + 1e-12), -101 * rare, s.odds.wakes}
	act[pump] = [actors]float64{max(math.Log(stops+1e-99), odd), stalls, math.Log(1 - stops)}
	if s.off {
		act[idle][pump], act[dead][pump], act[pump][pump] = likeNo, likeNo, likeNo
		act[pump][dead] = math.Log(0.5)
	}
}

// likely is the logarithm of the density of a slope, times the lift.
func (s *segmenter) likely(slope, dt, cool float64, on bool, level, mood int) float64 {
	base, spread := -s.fall-cool, offSpread
	if on {
		base, spread = base+s.lift, onSpread
	}
	share, sd := leakSize(level)
	loss := (base-slope)/s.lift - share // in lifts
	noise := s.slopeNoise(dt) / s.lift
	thermal := coolSpread * cool / s.lift
	sigma := math.Sqrt(spread*spread + sd*sd + noise*noise + thermal*thermal)
	like := 0.0
	if mood == 0 || loss < 0 {
		z := loss / sigma
		like = -z * z / 2
	}
	if mood == 0 {
		like -= math.Log(sigma * 2.5066)
	} else {
		like -= s.odds.fillMost + max(0, loss-fillMost)/fillMost
	}
	return max(like, s.odds.anything)
}

// slopeNoise is the standard deviation of a slope between two blocks by the sensor's noise, Pa/s.
func (s *segmenter) slopeNoise(dt float64) float64 { return max(s.noise, leastNoise) * math.Sqrt2 / dt }

// path is what the likeliest states say of the steps that are not settled.
type path struct {
	on    [steps]bool  // by index modulo steps
	level [steps]uint8 // of the loss
	fill  [steps]bool
}

// best returns the likeliest state, or the likeliest with the compressor on or off.
func (s *segmenter) best(lo, hi int) int {
	at := lo
	for i := lo + 1; i < hi; i++ {
		if s.score[i] > s.score[at] {
			at = i
		}
	}
	return at
}

const pumping = pump * levels * moods // states from here on have the compressor on

// settle returns the index up to which the steps are plain, and fills what they are; s.done when nothing new is. A step
// is plain when every state that may still prove right comes from the same answer. States that would contradict what is
// settled are dropped, so that no answer is ever taken back.
func (s *segmenter) settle(p *path) int {
	limit := s.n - leastBy
	if s.n == s.done {
		return s.done
	}
	var came [hidden]uint8
	for i := range came {
		came[i] = uint8(i)
	}
	first := s.best(0, hidden)
	forced := s.n - mostBy
	agree := s.n // steps below are the same for all
	for k := s.n - 1; k >= s.done; k-- {
		w := came[first]
		on := w >= pumping
		p.on[k%steps], p.level[k%steps], p.fill[k%steps] = on, w/moods%levels, w%moods == 1
		back := &s.ring[k%steps].back
		for i, c := range came {
			if (c >= pumping) != on && s.score[i] > -stillOpen {
				agree = k
			}
			came[i] = back[c]
		}
	}
	if first >= pumping {
		limit = min(limit, s.sure) // the steps since then look like rest: it may prove to be one
	}
	to := max(min(max(limit, forced), s.n-leastBy, max(agree, forced)), s.done)
	if to > s.done {
		s.prune(to, p.on[(to-1)%steps])
	}
	return to
}

// prune drops the states that do not come from the answer on at step to-1.
func (s *segmenter) prune(to int, on bool) {
	for i := range s.score {
		c := uint8(i)
		for k := s.n - 1; k >= to; k-- {
			c = s.ring[k%steps].back[c]
		}
		if (c >= pumping) != on {
			s.score[i] = likeNo
		}
	}
}

// now returns whether the compressor delivers by the likeliest state.
func (s *segmenter) now() bool {
	return s.have && s.score[s.best(pumping, hidden)] > s.score[s.best(0, pumping)]
}

// upTo returns the time of the block before the first step that is not settled.
func (s *segmenter) upTo() time.Duration {
	if s.done < s.n {
		return s.ring[s.done%steps].from.at
	}
	return s.prev.at
}
