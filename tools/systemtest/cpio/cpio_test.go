// SPDX-License-Identifier: Apache-2.0

package cpio_test

import (
	"bytes"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"airhold/tools/systemtest/cpio"
)

type entry struct {
	Name         string
	Mode         uint64
	Major, Minor uint64
	Data         string
}

// read takes an archive apart by Documentation/driver-api/early-userspace/buffer-format.rst: a magic number and thirteen
// fields of eight hexadecimal digits, the name with its zero, padding to four bytes, the data, padding again. (That a kernel
// takes it is shown by each start of the system test's box.)
func read(t *testing.T, b []byte) []entry {
	t.Helper()
	var out []entry
	for at := 0; ; {
		if at%4 != 0 || len(b) < at+110 || string(b[at:at+6]) != "070701" {
			t.Fatalf("no entry at byte %d of %d", at, len(b))
		}
		var f [13]uint64
		for i := range f {
			v, err := strconv.ParseUint(string(b[at+6+8*i:at+14+8*i]), 16, 32)
			if err != nil {
				t.Fatal(err)
			}
			f[i] = v
		}
		name := string(b[at+110 : at+110+int(f[11])])
		data := at + (110+int(f[11])+3)&^3
		e := entry{Name: strings.TrimSuffix(name, "\x00"), Mode: f[1], Major: f[9], Minor: f[10], Data: string(b[data : data+int(f[6])])}
		if f[2] != 0 || f[3] != 0 || f[5] != 0 || f[12] != 0 || !strings.HasSuffix(name, "\x00") {
			t.Errorf("%q: user %d, group %d, time %d, checksum %d; want none, and a closed name", name, f[2], f[3], f[5], f[12])
		}
		if e.Name == "TRAILER!!!" {
			if len(b) != data {
				t.Errorf("%d bytes behind the trailer", len(b)-data)
			}
			return out
		}
		out = append(out, e)
		at = data + (int(f[6])+3)&^3
	}
}

func TestArchive(t *testing.T) {
	write := func() []byte {
		var out bytes.Buffer
		a := cpio.New(&out)
		for _, err := range []error{
			a.File("/usr/bin/run", []byte("12345"), 0o755), a.Folder("usr"), a.File("plan", nil, 0o644),
			a.Device("/dev/null", 1, 3), a.Folder("/"), a.Close(),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
		return out.Bytes()
	}
	want := []entry{
		{Name: "usr", Mode: 0o40755},
		{Name: "usr/bin", Mode: 0o40755},
		{Name: "usr/bin/run", Mode: 0o100755, Data: "12345"},
		{Name: "plan", Mode: 0o100644},
		{Name: "dev", Mode: 0o40755},
		{Name: "dev/null", Mode: 0o20600, Major: 1, Minor: 3},
	}
	first := write()
	if diff := cmp.Diff(want, read(t, first)); diff != "" {
		t.Errorf("archive (-want +got):\n%s", diff)
	}
	if !bytes.Equal(first, write()) {
		t.Error("the same files gave other bytes")
	}
}

func TestNoFile(t *testing.T) {
	a := cpio.New(&bytes.Buffer{})
	for _, name := range []string{"", "/", "a\x00b"} {
		if err := a.File(name, nil, 0o644); err == nil {
			t.Errorf("File(%q) was taken", name)
		}
	}
}
