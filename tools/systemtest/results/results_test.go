// SPDX-License-Identifier: Apache-2.0

package results_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"airhold/tools/systemtest/results"
)

func TestMessagesComeBack(t *testing.T) {
	want := []results.Message{
		{Kind: results.Started, Test: "a"},
		{Kind: results.Note, Test: "a", Text: "two\nlines"},
		{Kind: results.Mark, Test: "a", Count: 1 << 60},
		{Kind: results.File, Test: "a", Name: "f", Data: bytes.Repeat([]byte{0, '\n', 255}, results.Piece/3)},
		{Kind: results.Failed, Test: "a", Text: "said \"why\""},
		{Kind: results.Ended},
	}
	var out bytes.Buffer
	for _, m := range want {
		if err := results.Write(&out, m); err != nil {
			t.Fatal(err)
		}
	}
	for name, r := range map[string]io.Reader{"whole": bytes.NewReader(out.Bytes()), "a byte at a time": iotest.OneByteReader(bytes.NewReader(out.Bytes()))} {
		var got []results.Message
		err := results.Read(r, func(m results.Message) { got = append(got, m) }, func(line string) { t.Errorf("%s: no message: %q", name, line) })
		if diff := cmp.Diff(want, got); diff != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", name, err, diff)
		}
	}
}

// What a box that was cut off leaves behind is no message, and costs none of those before and after.
func TestTornLines(t *testing.T) {
	const good = `{"kind":"passed","test":"b"}`
	long := strings.Repeat("x", 300_000)
	for _, c := range []struct {
		name, text   string
		good, others int
	}{
		{"end without a line's end", good + "\n" + good, 1, 1},
		{"cut in a word", good + "\n" + good[:12], 1, 1},
		{"a kernel's line between", good + "\n[   1.0] oops\n" + good + "\n", 2, 1},
		{"another kind", `{"kind":"praise"}` + "\n" + good + "\n", 1, 1},
		{"no object", "7\n" + good + "\n", 1, 1},
		{"a line without end", long + "\n" + good + "\n", 1, 3},
		{"nothing", "", 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var passed, others int
			err := results.Read(strings.NewReader(c.text), func(m results.Message) {
				if m.Kind == results.Passed && m.Test == "b" {
					passed++
				}
			}, func(string) { others++ })
			if err != nil || passed != c.good || others != c.others {
				t.Errorf("%d messages, %d other lines, %v; want %d and %d", passed, others, err, c.good, c.others)
			}
		})
	}
	broken := errors.New("broken")
	if err := results.Read(iotest.ErrReader(broken), func(results.Message) {}, func(string) {}); !errors.Is(err, broken) {
		t.Errorf("Read of a broken line: %v; want %v", err, broken)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"kind":"mark","count":7}` + "\n{"))
	f.Fuzz(func(t *testing.T, data []byte) {
		bytesSeen := 0
		err := results.Read(bytes.NewReader(data), func(m results.Message) {
			if m.Kind == "" {
				t.Error("a message without a kind")
			}
		}, func(line string) { bytesSeen += len(line) })
		if err != nil || bytesSeen > len(data) {
			t.Errorf("%d of %d bytes were no message, %v", bytesSeen, len(data), err)
		}
	})
}
