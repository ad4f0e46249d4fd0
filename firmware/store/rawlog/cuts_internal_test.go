// SPDX-License-Identifier: Apache-2.0

package rawlog

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
)

func readRaw(t *testing.T, path string) []bus.Frame {
	t.Helper()
	r, err := capture.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []bus.Frame
	var f bus.Frame
	for r.Next(&f) == nil {
		out = append(out, f)
	}
	return out
}

// A start repairs what the one before left, says how many bytes went, and never writes to an old file again.
func TestRestartRepairsAndBeginsAnew(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(20)
	if err := d.l.Flush(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	torn := append(bytes.Clone(data[:len(data)-20]), make([]byte, 512)...)
	if err := os.WriteFile(path, torn, 0o600); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "boot-a-0002.pcapng")
	if err := os.WriteFile(empty, make([]byte, 300), 0o600); err != nil {
		t.Fatal(err)
	}
	stump := filepath.Join(dir, "boot-a-0001.pcapng.zst.tmp")
	if err := os.WriteFile(stump, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	again := drove(t, dir, func(o *Options) { o.Boot = "b" })
	notes := strings.Join(again.l.Stats().Notes, "\n")
	if !strings.Contains(notes, "its last 540 bytes were no whole frame") || !strings.Contains(notes, "boot-a-0002.pcapng held no frame yet when the power went (300 bytes)") {
		t.Errorf("notes %q", notes)
	}
	if exists(dir, "boot-a-0002.pcapng") || exists(dir, "boot-a-0001.pcapng.zst.tmp") {
		t.Error("an empty file or an unfinished seal was left")
	}
	mended, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(mended, data[:len(data)-48]) {
		t.Errorf("the repaired file has %d bytes, %v; want the %d of its whole frames", len(mended), err, len(data)-48)
	}
	again.run(5)
	if err := again.l.Close(); err != nil {
		t.Fatal(err)
	}
	inOrder(t, readBack(t, dir, "a", false), each)
	inOrder(t, readBack(t, dir, "b", false), each)
	// The same boot id again, as after a crash of the program alone: the numbers go on.
	third := drove(t, dir, func(o *Options) { o.Boot = "b" })
	third.run(1)
	if err := third.l.Close(); err != nil || !exists(dir, "boot-b-0002.pcapng") || len(third.l.Stats().Notes) != 0 {
		t.Errorf("third start: %v, notes %q", err, third.l.Stats().Notes)
	}
	if files, err := Files(dir, ""); err != nil || len(files) != 3 || files[0].Boot != "a" {
		t.Errorf("Files of all boots: %d, %v; want 3", len(files), err)
	}
}

func TestRepairLeavesWholeFilesAlone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(3)
	d.all(dir)
	path := filepath.Join(dir, "boot-a-0001.pcapng")
	before, _ := os.ReadFile(path)
	cut, err := Repair(path)
	after, _ := os.ReadFile(path)
	if cut != 0 || err != nil || !bytes.Equal(before, after) {
		t.Errorf("Repair = %d, %v; want an untouched file", cut, err)
	}
	if _, err := Repair(filepath.Join(dir, "none.pcapng")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("Repair(missing) = %v", err)
	}
}

// A recording cut at every byte of its last 64 KiB, with nothing behind and with zeros behind, keeps every whole block
// and gives no false frame. The blocks are walked by their length fields alone (draft-ietf-opsawg-pcapng section 3.1). Every
// thirteenth cut reads the whole file; the others leave out blocks that end long before the cut, which saves a minute.
func TestCutAtEveryByteOfTheLast64KiB(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("runs among the long tests, without the race detector: many cuts of one recording")
	}
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(14)
	whole := d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	head := 0 // where the first frame begins
	for binary.LittleEndian.Uint32(data[head:]) != 6 {
		head += int(binary.LittleEndian.Uint32(data[head+4:]))
	}
	frames, at := 0, 0 // whole frames before the cut, and where the block begins that it is in
	next := func() int { return at + int(binary.LittleEndian.Uint32(data[at+4:])) }
	buf := make([]bus.Frame, 512)
	damaged := make([]byte, 0, len(data)+4096)
	for cut := 4; cut <= len(data); cut++ {
		for at < cut && next() <= cut {
			if binary.LittleEndian.Uint32(data[at:]) == 6 {
				frames++
			}
			at = next()
		}
		if cut < len(data)-chunkSize {
			continue
		}
		for _, zeros := range []int{0, 4096} {
			if zeros > 0 && cut%5 != 0 {
				continue
			}
			left := 0 // frames left out
			if cut%13 != 0 {
				left = max(0, frames-20)
			}
			gone := left * capture.PacketSize
			damaged = append(append(append(damaged[:0], data[:head]...), data[head+gone:cut]...), make([]byte, zeros)...)
			want, end := frames-left, at
			for zeros > 0 && end < len(data) { // what was cut off may itself have been zeros
				size := int(binary.LittleEndian.Uint32(data[end+4:]))
				if end+size > len(data) || end+size-gone > len(damaged) || !bytes.Equal(damaged[end-gone:end-gone+size], data[end:end+size]) {
					break
				}
				if binary.LittleEndian.Uint32(data[end:]) == 6 {
					want++
				}
				end += size
			}
			r, err := capture.NewReader(bytes.NewReader(damaged))
			if err != nil {
				t.Fatal(err)
			}
			got := 0
			for {
				n, err := r.Batch(buf)
				for i := range buf[:n] {
					if left+got+i >= len(whole) || buf[i] != whole[left+got+i] {
						t.Fatalf("cut at %d, %d zeros: frame %d is false: %+v", cut, zeros, left+got+i, buf[i])
					}
				}
				got += n
				if err != nil {
					break
				}
			}
			if got != want || r.Whole() != int64(end-gone) {
				t.Fatalf("cut at %d, %d zeros: %d frames, whole up to %d; want %d, %d", cut, zeros, got, r.Whole(), want, end-gone)
			}
		}
	}
}

// tshark agrees with our reader at cuts, before and after the repair.
func TestTsharkAgreesAtCuts(t *testing.T) {
	t.Parallel()
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing: apt-get install tshark")
		}
		t.Skip("tshark is missing: apt-get install tshark")
	}
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(15)
	d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	count := func(path string) int {
		out, err := exec.CommandContext(t.Context(), tshark, "-n", "-r", path, "-T", "fields", "-e", "frame.interface_name", "-e", "frame.time_epoch").Output()
		var exit *exec.ExitError
		if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 2) { // 2: "cut short in the middle of a packet"
			t.Fatalf("tshark: %v", err)
		}
		n := bytes.Count(out, []byte("\n"))
		for i, line := range bytes.Split(bytes.TrimSpace(out), []byte("\n")) {
			ns := d.h.wall.UnixNano() + int64(i)*int64(each)
			if want := fmt.Sprintf("can%d\t%d.%09d", i%4, ns/1e9, ns%1e9); n > 0 && string(line) != want {
				t.Fatalf("tshark reads frame %d as %q; want %q", i, line, want)
			}
		}
		return n
	}
	for i, cut := range []int{len(data), len(data) - 1, len(data) - 4*150 - 7, len(data) - 40_003, len(data) - 65_536} {
		path := filepath.Join(dir, "cut"+strconv.Itoa(i)+".pcapng")
		if err := os.WriteFile(path, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		ours := len(readRaw(t, path))
		if theirs := count(path); theirs != ours {
			t.Errorf("cut at %d: tshark counts %d frames, we %d", cut, theirs, ours)
		}
		if _, err := Repair(path); err != nil {
			t.Fatal(err)
		}
		if theirs := count(path); theirs != ours {
			t.Errorf("cut at %d and repaired: tshark counts %d frames, we %d", cut, theirs, ours)
		}
	}
}

// Two recordings in one file, the first torn anywhere in its last blocks: the repair keeps both and cuts nothing whole.
func TestSplicedFilesRepair(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	d := drove(t, dir, nil)
	d.run(2)
	d.all(dir)
	data, err := os.ReadFile(filepath.Join(dir, "boot-a-0001.pcapng"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "spliced.pcapng")
	for cut := len(data) - 900; cut <= len(data); cut += 7 {
		for _, tail := range []int{0, 31} {
			spliced := append(append(bytes.Clone(data[:cut]), data...), bytes.Repeat([]byte{6, 0, 0}, tail)...)
			if err := os.WriteFile(path, spliced, 0o600); err != nil {
				t.Fatal(err)
			}
			before := len(readRaw(t, path))
			gone, err := Repair(path)
			after := readRaw(t, path)
			if err != nil || gone != int64(3*tail) || len(after) != before || before < 200 {
				t.Fatalf("cut at %d, %d behind: %d bytes went, %d then %d frames, %v", cut, tail, gone, before, len(after), err)
			}
			for i := range after {
				n := binary.LittleEndian.Uint64(after[i].Data[:])
				if n >= d.n || after[i].Frame != numbered(n, 0).Frame || after[i].Boot != time.Duration(n)*each {
					t.Fatalf("cut at %d: frame %d is false: %+v", cut, i, after[i])
				}
			}
		}
	}
}

func TestStrangerThanPcapng(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "boot-x-0001.pcapng")
	for _, data := range [][]byte{nil, {1, 2}, make([]byte, 5000), binary.LittleEndian.AppendUint32(nil, 0xa1b2c3d4), []byte("(1.0) can0 123#\n")} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if cut, err := Repair(path); err != nil || cut != int64(len(data)) {
			t.Errorf("Repair of %d bytes that are no pcapng = %d, %v", len(data), cut, err)
		}
	}
}
