// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airhold/tools/systemtest/results"
)

// Power cuts: a box records onto an ext4 disk and is ended at a random moment, which takes with it all that its
// kernel had not given to the disk. The next box on the same disk says what is there. A disk that lies about what it has
// kept is not modelled here.
const (
	cutTest      = "power-cuts"
	bareTest     = "cut-without-syncs"
	cutInBox     = "record-until-cut"
	diskSize     = 1 << 30 // sparse
	syncInterval = time.Second
	// A frame that came just after a sync began waits for the next one: its interval, and as long as a sync takes, for
	// which a busy host may need this long.
	syncTime = 500 * time.Millisecond
)

// trace is what the host knows of a box it cut off.
type trace struct {
	marks []results.Message
	found *results.Message // what the next box says of it
}

// lost is for how long before the cut nothing was kept: from the first mark that is not kept whole to the last one.
func (t trace) lost() time.Duration {
	if t.found == nil || len(t.marks) == 0 {
		return 0
	}
	last := t.marks[len(t.marks)-1]
	i := slices.IndexFunc(t.marks, func(m results.Message) bool { return m.Count > t.found.Count })
	switch {
	case i < 0:
		return 0
	case i == 0:
		return time.Duration(last.At - t.marks[0].At)
	}
	return time.Duration(last.At - t.marks[i-1].At)
}

// sent is how many frames were sent for sure.
func (t trace) sent() uint64 {
	if len(t.marks) == 0 {
		return 0
	}
	return t.marks[len(t.marks)-1].Count
}

// runCuts cuts a box off again and again.
func (b *book) runCuts(ctx context.Context, shop *workshop, count int) {
	random, seed := dice()
	b.cutRow(cutTest, seed, func() (string, []string, error) {
		return cuts(ctx, shop, "cut", count, false, func() uint64 { return 1000 + random.Uint64N(3000) })
	})
}

// runBareCut cuts a box off whose syncs do nothing: after longer than a sync interval, and sooner than a kernel writes
// back by itself.
func (b *book) runBareCut(ctx context.Context, shop *workshop) {
	random, seed := dice()
	b.cutRow(bareTest, seed, func() (string, []string, error) {
		return cuts(ctx, shop, "bare", 1, true, func() uint64 { return 2500 + random.Uint64N(500) })
	})
}

func dice() (*rand.Rand, uint64) {
	seed := uint64(time.Now().UnixNano())
	return rand.New(rand.NewPCG(seed, 0)), seed //nolint:gosec // no secret
}

func (b *book) cutRow(name string, seed uint64, run func() (string, []string, error)) {
	begun := time.Now()
	text, notes, err := run()
	o := outcome{test: name, ok: err == nil, text: text, took: time.Since(begun), notes: append(notes, fmt.Sprintf("seed %d", seed))}
	if err != nil {
		o.text = strings.TrimSpace(text + " " + err.Error())
	}
	b.add(o)
}

// cuts runs count boxes on one disk until each has sent the number of frames that when gives, and a last one in peace. noSync wants
// more lost than a sync interval, and else at most that is wanted.
func cuts(ctx context.Context, shop *workshop, name string, count int, noSync bool, when func() uint64) (string, []string, error) {
	disk := filepath.Join(shop.folder, name+".disk")
	if err := makeDisk(ctx, disk); err != nil {
		return "", nil, err
	}
	traces := make([]trace, count)
	var notes []string
	var ending string
	for cycle := range count + 1 {
		last := cycle == count
		until := when()
		cutting, cut := context.WithCancel(ctx)
		var failure error
		h, err := shop.start(cutting, fmt.Sprintf("%s-%d", name, cycle), box{
			plan: results.Plan{
				Tests: []string{cutInBox}, Disk: true, Cycle: uint64(cycle), Last: last, NoSync: noSync,
			},
			modules: append(always(), "virtio_blk", "ext4", "can-raw", "vcan"), limit: 2 * time.Minute, live: true,
			devices: []string{"-drive", "file=" + disk + ",if=none,id=data,format=raw", "-device", "virtio-blk-pci,drive=data"},
		}, func(m results.Message) {
			switch m.Kind {
			case results.Mark:
				traces[cycle].marks = append(traces[cycle].marks, m)
				if m.Count >= until {
					cut()
				}
			case results.Found:
				traces[cycle-1].found = &m
			case results.Failed:
				failure = errors.New(m.Text)
			case results.Passed:
				ending = m.Text
			case results.Note:
				notes = append(notes, m.Text)
			case results.Started, results.File, results.Ended:
			}
		})
		cut()
		if err = errors.Join(failure, err, ctx.Err()); err != nil {
			return "", append(notes, "the console's end:", tail(h.console, 20)), fmt.Errorf("start %d: %w", cycle, err)
		}
	}
	text, err := judge(traces, noSync)
	if err == nil && ending == "" {
		err = errors.New("the last box did not verify the journal")
	}
	return text, notes, err
}

// judge says what a row of power cuts cost, and whether that is as it must be.
func judge(traces []trace, noSync bool) (string, error) {
	const bound = syncInterval + syncTime
	var sent, kept uint64
	var worst time.Duration
	least := time.Duration(-1)
	for i, t := range traces {
		switch {
		case t.found == nil:
			return "", fmt.Errorf("cut %d: the next box did not say what it found", i+1)
		case t.found.Text != "":
			return "", fmt.Errorf("cut %d: %s", i+1, t.found.Text)
		}
		sent += t.sent()
		kept += min(t.found.Count, t.sent())
		lost := t.lost()
		worst = max(worst, lost)
		if least < 0 || lost < least {
			least = lost
		}
	}
	text := fmt.Sprintf("cuts: %d; %d of %d frames kept, at most %.2f s lost", len(traces), kept, sent, worst.Seconds())
	switch {
	case noSync && least <= bound:
		return text, fmt.Errorf("want more than %v lost, or this test shows nothing", bound)
	case !noSync && worst > bound:
		return text, fmt.Errorf("want at most %v", bound)
	}
	return text, nil
}

// makeDisk makes a disk with an empty ext4 file system.
func makeDisk(ctx context.Context, path string) error {
	f, err := os.Create(path) //nolint:gosec // in this run's folder
	if err != nil {
		return fmt.Errorf("disk of the box: %w", err)
	}
	if err := errors.Join(f.Truncate(diskSize), f.Close()); err != nil {
		return fmt.Errorf("disk of the box: %w", err)
	}
	_, err = command(ctx, "", "mke2fs", "-q", "-F", "-t", "ext4", path)
	return err
}
