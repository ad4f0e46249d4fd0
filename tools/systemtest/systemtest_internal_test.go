// SPDX-License-Identifier: Apache-2.0

package main

import (
	"archive/tar"
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"airhold/tools/systemtest/results"
)

func TestWhatIsMissing(t *testing.T) {
	all := []need{{"depmod", "kmod"}, {"modprobe", "kmod"}, {"qemu-system-aarch64", "qemu-system-arm"}, {"xz", "xz-utils"}}
	for _, c := range []struct {
		there []string
		want  string
	}{
		{nil, "kmod qemu-system-arm xz-utils"},
		{[]string{"depmod"}, "kmod qemu-system-arm xz-utils"},
		{[]string{"depmod", "modprobe", "xz", "qemu-system-aarch64"}, ""},
	} {
		got := missing(func(p string) bool { return strings.Contains(" "+strings.Join(c.there, " ")+" ", " "+p+" ") }, all)
		if strings.Join(got, " ") != c.want {
			t.Errorf("with %v: %v; want %q", c.there, got, c.want)
		}
	}
}

// What Debian 12's tools print, as seen on 28 November 2026.
func TestWhatTheToolsSay(t *testing.T) {
	got, err := imageOf("linux-image-arm64\n  Depends: linux-image-6.1.0-56-arm64\n")
	if err != nil || got != "linux-image-6.1.0-56-arm64" {
		t.Errorf("imageOf: %q, %v", got, err)
	}
	if _, err := imageOf("linux-image-arm64\n"); err == nil {
		t.Error("no package was taken for one")
	}
	files := toLoad("builtin usbcore\ninsmod /k/lib/modules/6/kernel/can.ko \ninsmod /k/lib/modules/6/kernel/can-raw.ko flag=1\n")
	if diff := cmp.Diff([]string{"/k/lib/modules/6/kernel/can.ko", "/k/lib/modules/6/kernel/can-raw.ko"}, files); diff != "" {
		t.Errorf("toLoad (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"b", "a"}, unique([]string{"b", "a", "b"})); diff != "" {
		t.Errorf("unique (-want +got):\n%s", diff)
	}
}

func TestUnpackTakesWhatIsOfUseAndNothingOutside(t *testing.T) {
	var archive bytes.Buffer
	w := tar.NewWriter(&archive)
	const modules = "./lib/modules/6.1.0-56-arm64/"
	for _, name := range []string{
		"./boot/vmlinuz-6.1.0-56-arm64", "./boot/config-6.1.0-56-arm64", modules + "modules.order",
		modules + "kernel/net/can/can.ko", "./usr/lib/modules/7/kernel/net/can/raw.ko.xz", modules + "kernel/drivers/gpu/big.ko",
		"./usr/share/doc/x", modules + "kernel/fs/../../../../../../evil",
	} {
		if err := errors.Join(w.WriteHeader(&tar.Header{Name: name, Mode: 0o644, Size: 1, Typeflag: tar.TypeReg}), second(w.Write([]byte("x")))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	root := filepath.Join(t.TempDir(), "root")
	if err := unpackTar(tar.NewReader(&archive), root); err != nil {
		t.Fatal(err)
	}
	var got []string
	err := filepath.WalkDir(filepath.Dir(root), func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			name, _ := filepath.Rel(root, path)
			got = append(got, name)
		}
		return err
	})
	want := []string{
		"boot/vmlinuz-6.1.0-56-arm64", "lib/modules/6.1.0-56-arm64/kernel/net/can/can.ko",
		"lib/modules/6.1.0-56-arm64/modules.order", "lib/modules/7/kernel/net/can/raw.ko.xz",
	}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("unpacked: %v (-want +got):\n%s", err, diff)
	}
}

func second(_ int, err error) error { return err }

func TestBook(t *testing.T) {
	var out bytes.Buffer
	now := time.Unix(0, 0)
	b := &book{out: &out, begun: time.Now()}
	l := &listener{book: b, now: func() time.Time { now = now.Add(time.Second); return now }, files: map[string][]byte{}}
	for _, m := range []results.Message{
		{Kind: results.Started, Test: "one"},
		{Kind: results.Note, Test: "one", Text: "of no interest"},
		{Kind: results.File, Test: "one", Name: "f", Data: []byte("ab")},
		{Kind: results.File, Test: "one", Name: "f", Data: []byte("c")},
		{Kind: results.Passed, Test: "one", Text: "3 of 3"},
		{Kind: results.Started, Test: "two"},
		{Kind: results.Note, Test: "two", Text: "of interest"},
		{Kind: results.Failed, Test: "two", Text: "2 of 3"},
		{Kind: results.Started, Test: "three"},
		{Kind: results.Note, Test: "three", Text: "the last word"},
	} {
		l.hear(m)
	}
	l.missed([]string{"one", "two", "three", "four"}, errors.New("the box died"), "a\nb\n")
	b.close()
	text := out.String()
	for _, want := range []string{
		"ok   one                      1.0 s  3 of 3\n", "FAIL two                      1.0 s  2 of 3\n       of interest\n",
		"FAIL three                    0.0 s  the box died\n       the last word\n       the console's end:\n       a\n       b\n",
		"FAIL four                     0.0 s  not run: the box died\n", "1 of 4 tests passed",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "of no interest") || b.failed() != 3 || string(l.files["f"]) != "abc" {
		t.Errorf("failed %d, file %q, report:\n%s", b.failed(), l.files["f"], text)
	}
}

func TestTail(t *testing.T) {
	if got := tail("1\n2\n3\n\n", 2); got != "2\n3" {
		t.Errorf("tail = %q", got)
	}
}

func TestUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"-h"}, 0, "usage:"},
		{[]string{"-only", "no-such"}, 2, `there is no test "no-such"; there are: power-cuts, `},
		{[]string{"-load", "1h"}, 2, "want 1s to 10m"},
		{[]string{"more"}, 2, `"more" is too much`},
	} {
		var out bytes.Buffer
		if code := run(t.Context(), c.args, &out, &out); code != c.code || !strings.Contains(out.String(), c.want) {
			t.Errorf("%v: %d\n%s", c.args, code, &out)
		}
	}
}

// Every test that a suite names is unique, so that -only means one.
func TestNamesAreUnique(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range suites() {
		names := s.tests
		for _, c := range s.checks {
			names = append(names, c.name)
		}
		for _, n := range names {
			if seen[n] {
				t.Errorf("%s twice", n)
			}
			seen[n] = true
		}
	}
}

// Lines as tshark 4.0.17 prints them for numbered frames.
func TestListing(t *testing.T) {
	const one, two = "can0\t1795907096.000000001\t419365154\t0000000000000000\n", "can0\t1795907096.000300000\t419365154\t0000000000000001\n"
	var l listing
	if err := l.read(one + two); err != nil || l.frames != 2 || l.link != "can0" {
		t.Errorf("%+v, %v", l, err)
	}
	for name, text := range map[string]string{
		"a number left out": two, "twice": one + one, "another link": one + strings.Replace(two, "can0", "can1", 1),
		"time goes back": one + strings.Replace(two, "096.", "095.", 1), "no data": "can0\t1\t2\t\n", "a word": "Error\n",
	} {
		var l listing
		if err := l.read(text); err == nil {
			t.Errorf("%s was taken: %+v", name, l)
		}
	}
}

// A frame is lost when the mark after it was heard; the time counts from the last mark that is kept whole.
func TestWhatACutCost(t *testing.T) {
	marks := func(pairs ...int64) (all []results.Message) {
		for i := 0; i < len(pairs); i += 2 {
			all = append(all, results.Message{Kind: results.Mark, Count: uint64(pairs[i]), At: pairs[i+1] * int64(time.Millisecond)})
		}
		return all
	}
	found := func(n uint64, text string) *results.Message {
		return &results.Message{Kind: results.Found, Count: n, Text: text}
	}
	for _, c := range []struct {
		name   string
		t      trace
		noSync bool
		lost   time.Duration
		bad    bool
	}{
		{"all kept", trace{marks(50, 1000, 100, 1050), found(120, "")}, false, 0, false},
		{"some lost", trace{marks(50, 1000, 100, 1050, 150, 1900), found(70, "")}, false, 900 * time.Millisecond, false},
		{"too much lost", trace{marks(50, 1000, 100, 3000), found(60, "")}, false, 2 * time.Second, true},
		{"nothing kept", trace{marks(50, 1000, 100, 3000), found(0, "")}, false, 2 * time.Second, true},
		{"a hole", trace{marks(50, 1000), found(50, "missing in the midst 3")}, false, 0, true},
		{"nobody looked", trace{marks(50, 1000), nil}, false, 0, true},
		{"no sync, much lost", trace{marks(50, 1000, 100, 4000), found(0, "")}, true, 3 * time.Second, false},
		{"no sync, little lost", trace{marks(50, 1000, 100, 2000), found(0, "")}, true, time.Second, true},
	} {
		text, err := judge([]trace{c.t}, c.noSync)
		if c.t.lost() != c.lost || (err != nil) != c.bad {
			t.Errorf("%s: %v lost, %q, %v; want %v", c.name, c.t.lost(), text, err, c.lost)
		}
	}
}
