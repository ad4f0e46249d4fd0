// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The bars of what the browser does with the page.
const (
	frameBar   = 33.0   // ms, 99 % of the gaps between frames
	paintBar   = 1000.0 // ms to the first paint of content
	firstBytes = 160e3  // of the first load, compressed, without the font
	memoryGrow = 5.0    // % over the hours that were simulated
	memoryDay  = 8.0    // hours
	memoryFast = 30.0   // times real time; faster, the page's own patience with a silent box is shorter than Chromium's pauses
	memoryWarm = 1.0    // hours that are left out of the slope: code and caches come as they are needed
)

func seconds(d time.Duration) string {
	return "SECONDS=" + strconv.FormatFloat(d.Seconds(), 'f', -1, 64)
}

// movingBox is a demo of a machine at work, from where the compressor runs and rests.
func movingBox(ctx context.Context, p *pageBench) (*box, error) {
	return startBox(ctx, p.binary, "--story", "quiet", "--skip", "4m10s", "--seed", strconv.FormatUint(p.seed, 10), "--listen", "127.0.0.1:0", "--mqtt", "off")
}

// framed is what the browser saw of its frames.
type framed struct {
	Gaps, Long              []float64 // ms
	Moved, Messages, Traced int
	Took                    map[string]float64 // of the browser's own counters
	Forced                  []string
}

// pageFrames watches the gaps between the frames of home.
func pageFrames(ctx context.Context, p *pageBench, t *pageTable) error {
	b, err := movingBox(ctx, p)
	if err != nil {
		return err
	}
	defer b.end()
	var saw framed
	err = script(ctx, "page_frames.mjs", []string{"AIRHOLD_URL=" + b.page + "/", seconds(p.duration)}, func(line []byte) error {
		saw, err = parse[framed](line)
		return err
	})
	if err != nil {
		return err
	}
	n := strconv.Itoa(len(saw.Gaps))
	t.hold("gap between frames", n, spread(saw.Gaps), fmt.Sprintf("p99 %.0f ms", frameBar), share(saw.Gaps, 0.99) <= frameBar)
	late := 0
	for _, g := range saw.Gaps {
		if g > frameBar {
			late++
		}
	}
	t.add("frames later than that", n, strconv.Itoa(late))
	t.add("frames a second", n, fmt.Sprintf("%.1f", 1000/mean(saw.Gaps)))
	t.add("tasks longer than 50 ms", "", strconv.Itoa(len(saw.Long)))
	t.hold("times the drawing changed", "", strconv.Itoa(saw.Moved), "more than none", saw.Moved > 0)
	draws := float64(saw.Messages) + 4*saw.Took["Timestamp"]
	t.add("layouts, style passes for each draw", fmt.Sprintf("%.0f", draws), fmt.Sprintf("%.2f, %.2f", saw.Took["LayoutCount"]/draws, saw.Took["RecalcStyleCount"]/draws))
	t.add("share of the page's main thread", "", fmt.Sprintf("%.1f %%, script %.1f %%, layout %.1f %%", 100*saw.Took["TaskDuration"]/saw.Took["Timestamp"],
		100*saw.Took["ScriptDuration"]/saw.Took["Timestamp"], 100*saw.Took["LayoutDuration"]/saw.Took["Timestamp"]))
	t.hold("layouts that a script forced, of 5 s in the browser's trace", strconv.Itoa(saw.Traced), strconv.Itoa(len(saw.Forced)), "0", len(saw.Forced) == 0)
	t.note("The page draws at each message and four times a second; %d messages came. Chromium without a screen makes 60 frames a second.", saw.Messages)
	return nil
}

// pagePaint opens the page with an empty cache, over and over.
func pagePaint(ctx context.Context, p *pageBench, t *pageTable) error {
	b, err := movingBox(ctx, p)
	if err != nil {
		return err
	}
	defer b.end()
	type opened struct {
		Slow           bool
		Painted, Ready float64
		Bytes, Font    float64
	}
	var all []opened
	err = script(ctx, "page_paint.mjs", []string{"AIRHOLD_URL=" + b.page + "/", seconds(p.duration)}, func(line []byte) error {
		o, err := parse[opened](line)
		all = append(all, o)
		return err
	})
	if err != nil {
		return err
	}
	for _, slow := range []bool{false, true} {
		how := "loopback as it is"
		if slow {
			how = "a quarter of the processor, 10 Mbit/s, 10 ms"
		}
		var painted, ready, bytes, font []float64
		for _, o := range all {
			if o.Slow == slow {
				painted, ready, bytes, font = append(painted, o.Painted), append(ready, o.Ready), append(bytes, o.Bytes), append(font, o.Font)
			}
		}
		n := strconv.Itoa(len(painted))
		t.hold("first paint of content, "+how, n, spread(painted), fmt.Sprintf("p99 %.0f ms", paintBar), len(painted) > 0 && share(painted, 0.99) <= paintBar)
		t.add("  until readings stand there", n, spread(ready))
		t.hold("  bytes of that load on the wire, heads included", n, fmt.Sprintf("%.1f kB at most, and %.1f kB of font", share(bytes, 1)/1e3, share(font, 1)/1e3), fmt.Sprintf("%.0f kB", firstBytes/1e3), share(bytes, 1) <= firstBytes)
	}
	return nil
}

// kept is what a page holds after a collection of garbage.
type kept struct{ Hour, Heap, Nodes, Listeners, Said float64 }

// pageMemory lets the page live through a working day in minutes.
func pageMemory(ctx context.Context, p *pageBench, t *pageTable) error {
	var all []kept
	err := script(ctx, "page_memory.mjs", []string{"SPEED=" + strconv.Itoa(int(memoryFast)), seconds(p.duration)}, func(line []byte) error {
		k, err := parse[kept](line)
		all = append(all, k)
		return err
	})
	if err != nil {
		return err
	}
	warm := slices.Clone(all)
	warm = slices.DeleteFunc(warm, func(k kept) bool { return k.Hour < memoryWarm })
	if len(warm) < 4 {
		return errors.New("fewer than four looks after the first hour: nothing to lay a line through")
	}
	last := all[len(all)-1]
	t.hold("hours that the page lived", "", fmt.Sprintf("%.1f", last.Hour), fmt.Sprintf("%g", memoryDay), last.Hour >= memoryDay-0.1)
	n := strconv.Itoa(len(warm))
	told := strings.Builder{}
	for i := 5; i < len(all); i += 6 {
		fmt.Fprintf(&told, " %.3f", all[i].Heap/1e6)
	}
	t.add("heap after collection, MB at each hour", strconv.Itoa(len(all)), strings.TrimSpace(told.String()))
	for _, of := range []struct {
		words string
		of    func(k kept) float64
		scale float64
		unit  string
	}{
		{"heap's slope after the first hour", func(k kept) float64 { return k.Heap }, 1e3, "kB/h"},
		{"nodes' slope", func(k kept) float64 { return k.Nodes }, 1, "/h"},
		{"listeners' slope", func(k kept) float64 { return k.Listeners }, 1, "/h"},
	} {
		slope, half, level := line(warm, of.of)
		grown := 100 * slope * memoryDay / level
		t.hold(of.words, n, fmt.Sprintf("%.3g %s, 95 %% interval %.3g to %.3g; %.2f %% in %g h", slope/of.scale, of.unit, (slope-half)/of.scale, (slope+half)/of.scale, grown, memoryDay),
			fmt.Sprintf("interval holds 0, or under %g %% in %g h", memoryGrow, memoryDay), slope-half <= 0 || grown < memoryGrow)
	}
	t.add("nodes and listeners at the end", "", fmt.Sprintf("%.0f, %.0f", last.Nodes, last.Listeners))
	hours := last.Hour - all[0].Hour
	t.hold("snapshots for the page in a simulated hour", "", fmt.Sprintf("%.0f", (last.Said-all[0].Said)/hours), "6480 (90 % of two a second) or more", (last.Said-all[0].Said)/hours >= 6480)
	t.note("The stand-in for the box and the page's own clocks run %g times as fast as the day does; a box says a snapshot each half second.", memoryFast)
	t.note("Every ten minutes all alarms of the scenes come and go, menu and alarms are opened, and garbage is collected twice before the look.")
	return nil
}

// line lays a line of least squares through what was kept and returns its slope an hour, the half width of its 95 % interval,
// and the mean. The interval takes what is left over for independent from look to look.
func line(all []kept, of func(k kept) float64) (slope, half, level float64) {
	n := float64(len(all))
	var mx, my float64
	for _, k := range all {
		mx += k.Hour / n
		my += of(k) / n
	}
	var sxx, sxy float64
	for _, k := range all {
		sxx += (k.Hour - mx) * (k.Hour - mx)
		sxy += (k.Hour - mx) * (of(k) - my)
	}
	slope = sxy / sxx
	var left float64
	for _, k := range all {
		d := of(k) - my - slope*(k.Hour-mx)
		left += d * d
	}
	return slope, student95(len(all)-2) * math.Sqrt(left/(n-2)/sxx), my
}

// student95 is the 97.5 % quantile of Student's t: the first degrees of freedom from the usual table (from memory), the rest by
// the first terms of its expansion about the normal quantile (Abramowitz and Stegun 26.7.5, from memory), good to 0.01.
func student95(free int) float64 {
	if few := []float64{math.Inf(1), 12.706, 4.303, 3.182, 2.776}; free < len(few) {
		return few[max(0, free)]
	}
	const z = 1.959964
	v := float64(free)
	z3 := z * z * z
	z5 := z3 * z * z
	z7 := z5 * z * z
	return z + (z3+z)/(4*v) + (5*z5+16*z3+3*z)/(96*v*v) + (3*z7+19*z5+17*z3-15*z)/(384*v*v*v)
}
