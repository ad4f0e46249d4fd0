// SPDX-License-Identifier: Apache-2.0

package signals_test

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"go.einride.tech/can"

	"airhold/bus"
	"airhold/bus/signals"
)

// file is written by hand for these tests; it describes no machine.
const file = `VERSION "1"

NS_ :
	NS_DESC_
	CM_
	BA_DEF_
	VAL_
	SIG_VALTYPE_

BS_:
BU_: ECU

BO_ 2566847998 AirBox: 8 ECU
 SG_ Supply : 0|16@1+ (0.5,0) [0|0] "kPa" ECU
 SG_ Lid : 16|2@1+ (1,0) [0|3] "" ECU
 SG_ Temp : 24|8@1+ (1,-40) [-40|210] "degC" ECU
 SG_ Lean : 32|16@1- (0.1,0) [0|0] "deg" ECU

BO_ 291 Plain: 8 ECU
 SG_ Big : 7|16@0+ (1,0) [0|0] "N" ECU
 SG_ Full : 16|8@1+ (1,0) [0|255] "" ECU
 SG_ Float : 32|32@1- (1,0) [0|0] "V" ECU

BO_ 292 Muxed: 8 ECU
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" ECU
 SG_ One m1 : 8|8@1+ (1,0) [0|0] "" ECU
 SG_ Two m2 : 8|8@1+ (1,0) [0|0] "" ECU
 SG_ Sub m3M : 8|8@1+ (1,0) [0|0] "" ECU
 SG_ Deep m7 : 16|8@1+ (1,0) [0|0] "" ECU
 SG_ Wide m4 : 24|8@1+ (1,0) [0|0] "" ECU

BO_ 2566847999 Exact: 8 ECU
 SG_ Raw : 0|8@1+ (1,0) [0|0] "" ECU

CM_ SG_ 291 Big "over
BO_ lines; and a \"quote\"";
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_REL_ BU_SG_REL_ "X" INT 0 1;
BA_ "VFrameFormat" BO_ 2566847999 1;
VAL_ 2566847998 Lid 0 "shut" 1 "open" ;
SIG_VALTYPE_ 291 Float : 1;
SG_MUL_VAL_ 292 Deep Sub 7-7;
SG_MUL_VAL_ 292 Wide Page 4-6, 9-9;
SG_MUL_VAL_ 292 Sub Page 3-3;
`

func parse(tb testing.TB) *signals.DBC {
	tb.Helper()
	b, err := signals.ParseDBC("air.dbc", []byte(file))
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// 2566847998 is 0x80000000 + 0x18FEFDFE: PGN 65277, sender 254. The file's own arithmetic gives the expected values.
func TestDBCSignals(t *testing.T) {
	for name, c := range map[string]struct {
		message, signal string
		frame           string
		want            float64
		status          signals.Status
		ok              bool
	}{
		"group from another sender": {"AirBox", "Supply", "0CFEFD21#B80B", 1500e3, signals.OK, true},
		"group not available":       {"AirBox", "Supply", "18FEFD21#FFFF", 0, signals.NotAvailable, true},
		"group error":               {"AirBox", "Supply", "18FEFD21#00FE", 0, signals.Error, true},
		"two bits error":            {"AirBox", "Lid", "18FEFD21#FFFF02", 0, signals.Error, true},
		"offset and unit":           {"AirBox", "Temp", "18FEFD21#FFFFFF3C", 293.15, signals.OK, true},
		"signed":                    {"AirBox", "Lean", "18FEFD21#FFFFFFFFF6FF", -1 * math.Pi / 180, signals.OK, true},
		"too short":                 {"AirBox", "Temp", "18FEFD21#FFFF", 0, signals.Absent, true},
		"another group":             {"AirBox", "Temp", "18FEFE21#FFFFFF3C", 0, signals.Absent, false},
		"motorola order":            {"Plain", "Big", "123#0102", 258, signals.OK, true},
		"no codes in 11 bits":       {"Plain", "Full", "123#0000FF", 255, signals.OK, true},
		"float":                     {"Plain", "Float", "123#000000000000403F", .75, signals.OK, true},
		"float not a number":        {"Plain", "Float", "123#000000000000C07F", 0, signals.Reserved, true},
		"page open":                 {"Muxed", "One", "124#0105", 5, signals.OK, true},
		"page shut":                 {"Muxed", "One", "124#0205", 0, signals.Absent, false},
		"nested open":               {"Muxed", "Deep", "124#030709", 9, signals.OK, true},
		"nested shut by inner":      {"Muxed", "Deep", "124#030809", 0, signals.Absent, false},
		"nested shut by outer":      {"Muxed", "Deep", "124#010709", 0, signals.Absent, false},
		"range":                     {"Muxed", "Wide", "124#06000011", 17, signals.OK, true},
		"second range":              {"Muxed", "Wide", "124#09000011", 17, signals.OK, true},
		"between ranges":            {"Muxed", "Wide", "124#07000011", 0, signals.Absent, false},
		"exact identifier":          {"Exact", "Raw", "18FEFDFF#FF", 255, signals.OK, true},
	} {
		b := parse(t)
		p, err := b.Compile(c.message, c.signal)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var f can.Frame
		if err := f.UnmarshalString(c.frame); err != nil {
			t.Fatal(err)
		}
		d := signals.NewDecoder()
		d.Use(b)
		d.Frame(bus.Frame{Frame: f}, func(m *signals.Message) {
			si, st, ok := p.From(m)
			if math.Abs(si-c.want) > 1e-9*max(1, math.Abs(c.want)) || st != c.status || ok != c.ok {
				t.Errorf("%s: From(%s) = %v, %s, %v; want %v, %s, %v", name, c.frame, si, st, ok, c.want, c.status, c.ok)
			}
		})
	}
}

func TestDBCNamesAndTexts(t *testing.T) {
	b := parse(t)
	d := signals.NewDecoder()
	d.Use(b)
	var f can.Frame
	if err := f.UnmarshalString("18FEFD21#B80B01"); err != nil {
		t.Fatal(err)
	}
	d.Frame(bus.Frame{Frame: f}, func(m *signals.Message) {
		v := m.Signals(nil)
		if m.Key != "AirBox" || len(v) != 4 || v[0].Written != 1500 || v[0].Unit.Code != "kPa" || v[1].Text != "open" {
			t.Errorf("%s %+v; want AirBox with 1500 kPa and the lid open", m.Key, v)
		}
	})
	if _, err := b.Compile("AirBox", "Suply"); !errors.Is(err, signals.ErrUnknown) || !strings.Contains(err.Error(), "AirBox.Supply") {
		t.Errorf("Compile of a typing error = %v; want %v that names AirBox.Supply", err, signals.ErrUnknown)
	}
	if latin, err := signals.ParseDBC("l", []byte("BO_ 1 M: 8 E\n SG_ T : 0|8@1+ (1,0) [0|0] \"\xb0C\" E\n")); err != nil {
		t.Errorf("a Latin-1 file: %v", err)
	} else if p, err := latin.Compile("M", "T"); err != nil || p.Unit().Code != "Cel" {
		t.Errorf("unit of a Latin-1 degree sign = %v, %v; want Cel", p.Unit(), err)
	}
}

func TestDBCErrorsNameThePlace(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"not a DBC":      {"hello\n", "x.dbc:1:1: no message"},
		"torn signal":    {"BO_ 1 M: 8 E\n SG_ A : 0|8@1+ (1,\n", "x.dbc:"},
		"bad number":     {"BO_ 1 M: 8 E\n\n SG_ A : 0|8@1+ (x,0) [0|0] \"\" E\n", "x.dbc:3:"},
		"too wide":       {"BO_ 1 M: 8 E\n SG_ A : 0|65@1+ (1,0) [0|0] \"\" E\n", "x.dbc:2:2: signal A"},
		"twice":          {"BO_ 1 M: 8 E\n SG_ A : 0|8@1+ (1,0) [0|0] \"\" E\n SG_ A : 8|8@1+ (1,0) [0|0] \"\" E\n", "x.dbc:3:2: signal A stands twice"},
		"no multiplexer": {"BO_ 1 M: 8 E\n SG_ A m1 : 0|8@1+ (1,0) [0|0] \"\" E\n", "x.dbc:2:2: signal A is multiplexed"},
		"which of two multiplexers": {
			"BO_ 1 M: 8 E\n SG_ A M : 0|8@1+ (1,0) [0|0] \"\" E\n SG_ B M : 8|8@1+ (1,0) [0|0] \"\" E\n SG_ C m1 : 16|8@1+ (1,0) [0|0] \"\" E\n",
			"x.dbc:4:2: message M has 2 multiplexers",
		},
		"UTF-32":         {"\xff\xfe\x00\x00B\x00\x00\x00", "x.dbc:1:1: the file is in UTF-32"},
		"UTF-16 cut off": {"\xff\xfeB\x00O", "x.dbc:1:1: the file is in UTF-16 and ends in the middle"},
		"a packed file":  {"\x1f\x8b\x08\x00", "x.dbc:1:1: the file is packed with gzip"},
		"zeros":          {"BO_ 1 M: 8 E\n\x00\x00\x00\x00\x00\x00\x00\x00", "x.dbc:1:1: byte 13 is zero"},
		"ring": {
			"BO_ 1 M: 8 E\n SG_ A m1M : 0|8@1+ (1,0) [0|0] \"\" E\n SG_ B m1M : 8|8@1+ (1,0) [0|0] \"\" E\n" +
				"SG_MUL_VAL_ 1 A B 1-1;\nSG_MUL_VAL_ 1 B A 1-1;\n", "x.dbc:1:1: the multiplexers",
		},
	} {
		_, err := signals.ParseDBC("x.dbc", []byte(c.text))
		if !errors.Is(err, signals.ErrDBC) || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v; want %v that starts with %q", name, err, signals.ErrDBC, c.want)
		}
	}
}

// FuzzDBC parses any text, and reads all ones and a ramp with whatever came out.
func FuzzDBC(f *testing.F) {
	d := signals.NewDecoder() // building one is dearer than all the rest
	f.Fuzz(func(t *testing.T, text []byte) {
		b, err := signals.ParseDBC("f", text)
		if err != nil {
			if !errors.Is(err, signals.ErrDBC) {
				t.Fatalf("error %v does not wrap %v", err, signals.ErrDBC)
			}
			return
		}
		d.Use(b)
		picks := b.All()
		set := signals.NewSet(picks)
		for _, id := range []uint32{1, 291, 292, 0x18FEFDFE} {
			fr := bus.Frame{Frame: can.Frame{ID: id, IsExtended: id > 0x7FF, Length: 8, Data: can.Data{1, 2, 3, 4, 5, 6, 7, 255}}}
			found := make(map[int32]bool)
			for _, h := range d.Read(&fr, set, nil) {
				found[h.Pick] = true
			}
			d.Frame(fr, func(m *signals.Message) {
				for i, p := range picks {
					if _, _, ok := p.From(m); ok != found[int32(i)] {
						t.Fatalf("%s: a pick finds it: %v, the set: %v", p, ok, !ok)
					}
				}
				for _, v := range m.Signals(nil) {
					if math.IsNaN(v.Written) || math.IsInf(v.Written, 0) {
						t.Fatalf("signal %s is %v", v.Key, v.Written)
					}
				}
			})
		}
	})
}

// FuzzDecoder decodes any frame; a signal without a value must not have one.
func FuzzDecoder(f *testing.F) {
	f.Fuzz(func(t *testing.T, id uint32, length uint8, data []byte) {
		fr := bus.Frame{Frame: can.Frame{ID: id & can.MaxExtendedID, IsExtended: true, Length: length}}
		copy(fr.Data[:], data)
		d := signals.NewDecoder()
		d.Frame(fr, func(m *signals.Message) {
			for _, v := range m.Signals(nil) {
				bad := math.IsNaN(v.Written) || math.IsInf(v.Written, 0) || math.IsNaN(v.SI)
				if bad || v.Status != signals.OK && (v.Written != 0 || v.SI != 0 || v.Text != "") {
					t.Fatalf("%s.%s = %+v", m.Key, v.Key, v)
				}
			}
			signals.DTCs(m)
		})
	})
}

func TestFuzzSeedsAreThere(t *testing.T) {
	for _, name := range []string{"FuzzDBC", "FuzzDecoder"} {
		found, err := filepath.Glob(filepath.Join("testdata", "fuzz", name, "*"))
		if err != nil || len(found) == 0 {
			t.Errorf("no seed for %s in testdata/fuzz: %v", name, err)
		}
		for _, path := range found {
			if text, err := os.ReadFile(path); err != nil || !strings.HasPrefix(string(text), "go test fuzz v1\n") {
				t.Errorf("%s is no seed: %v", path, err)
			}
		}
	}
}

// reading decodes frames with a file of one or more messages and returns what the pick says of the last message.
func reading(t *testing.T, text, message, signal string, frames ...string) (si float64, st signals.Status, ok bool) {
	t.Helper()
	b, err := signals.ParseDBC("t.dbc", []byte(text))
	if err != nil {
		t.Fatalf("%v in:\n%s", err, text)
	}
	p, err := b.Compile(message, signal)
	if err != nil {
		t.Fatal(err)
	}
	d := signals.NewDecoder()
	d.Use(b)
	for _, text := range frames {
		d.Frame(frameOf(t, text), func(m *signals.Message) { si, st, ok = p.From(m) })
	}
	return si, st, ok
}

// The text of a file is the same in every encoding; the degree sign shows which one was understood.
func TestDBCEncodings(t *testing.T) {
	const text = "BO_ 1 M: 8 E\r\n SG_ T : 0|8@1+ (1,0) [0|0] \"°C\" E\r\nVAL_ 1 T 1 \"’n’ \" ;\r\n"
	units := utf16.Encode([]rune(text))
	little, big := []byte{}, []byte{}
	for _, u := range units {
		little = binary.LittleEndian.AppendUint16(little, u)
		big = binary.BigEndian.AppendUint16(big, u)
	}
	for name, file := range map[string]string{
		"UTF-8":                      text,
		"UTF-8 with mark":            "\xef\xbb\xbf" + text,
		"Windows-1252":               strings.NewReplacer("°", "\xb0", "’", "\x92").Replace(text),
		"UTF-16 LE with mark":        "\xff\xfe" + string(little),
		"UTF-16 BE with mark":        "\xfe\xff" + string(big),
		"UTF-16 LE without the mark": string(little),
		"UTF-16 BE without the mark": string(big),
	} {
		b, err := signals.ParseDBC("t.dbc", []byte(file))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		d := signals.NewDecoder()
		d.Use(b)
		d.Frame(frameOf(t, "001#01"), func(m *signals.Message) {
			if v := m.Signals(nil); len(v) != 1 || v[0].Unit.Code != "Cel" || v[0].Text != "’n’ " {
				t.Errorf("%s: %+v; want degrees Celsius and ’n’", name, v)
			}
		})
	}
}

// A one-bit signal has a factor and an offset like any other, 64-bit floats are floats, and a message longer than a frame is
// read whole: einride's descriptors do none of the three.
func TestDBCBeyondTheDescriptors(t *testing.T) {
	si, st, ok := reading(t, "BO_ 1 M: 8 E\n SG_ B : 3|1@1+ (0.5,-2) [0|0] \"V\" E\n", "M", "B", "001#08")
	if si != -1.5 || st != signals.OK || !ok {
		t.Errorf("one bit = %v %v; want 1 x 0.5 - 2", si, st)
	}
	double := "BO_ 1 M: 8 E\n SG_ F : 0|64@1- (2,1) [0|0] \"V\" E\nSIG_VALTYPE_ 1 F : 2;\n"
	if si, st, _ = reading(t, double, "M", "F", "001#000000000000F83F"); si != 4 || st != signals.OK { // 1.5 by IEEE 754
		t.Errorf("64-bit float = %v %v; want 2 x 1.5 + 1", si, st)
	}
	motorola := "BO_ 1 M: 8 E\n SG_ F : 7|32@0- (1,0) [0|0] \"V\" E\nSIG_VALTYPE_ 1 F : 1;\n"
	if si, st, _ = reading(t, motorola, "M", "F", "001#3FC00000"); si != 1.5 || st != signals.OK {
		t.Errorf("float in Motorola order = %v %v; want 1.5", si, st)
	}
	float := "BO_ 2566852862 M: 8 E\n SG_ F : 0|32@1- (1,0) [0|0] \"V\" E\nSIG_VALTYPE_ 2566852862 F : 1;\n"
	if _, st, _ = reading(t, float, "M", "F", "18FF1021#FFFFFFFF"); st != signals.NotAvailable {
		t.Errorf("float of all ones in a group is %v; want not available", st)
	}
	// Group 65296 (0xFF10), 20 bytes by a broadcast: the last two are the signal.
	long := "BO_ 2566852862 Long: 20 E\n SG_ Last : 144|16@1+ (1,0) [0|0] \"\" E\n"
	si, st, ok = reading(t, long, "Long", "Last",
		"18ECFF21#20140003FF10FF00", "18EBFF21#0101020304050607", "18EBFF21#0208090A0B0C0D0E", "18EBFF21#030F1011123412FF")
	if si != 0x1234 || st != signals.OK || !ok {
		t.Errorf("signal in byte 19 = %v %v %v; want 4660", si, st, ok)
	}
}

// Several switches in a message, which each signal names: extended multiplexing as the format's own description has it.
func TestDBCSeveralMultiplexers(t *testing.T) {
	const text = "BO_ 1 M: 8 E\n SG_ A M : 0|8@1+ (1,0) [0|0] \"\" E\n SG_ B M : 8|8@1+ (1,0) [0|0] \"\" E\n" +
		" SG_ X m1 : 16|8@1+ (1,0) [0|0] \"\" E\n SG_ Y m1 : 24|8@1+ (1,0) [0|0] \"\" E\n" +
		"SG_MUL_VAL_ 1 X A 1-1;\nSG_MUL_VAL_ 1 Y B 1-1, 3-5;\n"
	for frame, want := range map[string][2]bool{
		"001#01011122": {true, true}, "001#01021122": {true, false}, "001#02041122": {false, true}, "001#02021122": {false, false},
	} {
		_, _, x := reading(t, text, "M", "X", frame)
		_, _, y := reading(t, text, "M", "Y", frame)
		if x != want[0] || y != want[1] {
			t.Errorf("%s: X %v, Y %v; want %v", frame, x, y, want)
		}
	}
}

func TestDBCFrameFormats(t *testing.T) {
	const message = "BO_ 2566840318 M: 8 E\n SG_ A : 0|8@1+ (1,0) [0|0] \"\" E\n" // 0x18FEDFFE
	for name, c := range map[string]struct {
		attributes string
		group      bool
	}{
		"nothing said":       {"", true},
		"J1939 by number":    {"BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"ExtendedCAN\",\"reserved\",\"J1939PG\";\nBA_ \"VFrameFormat\" BO_ 2566840318 3;\n", true},
		"plain by number":    {"BA_ \"VFrameFormat\" BO_ 2566840318 1;\n", false},
		"the file's numbers": {"BA_DEF_ BO_ \"VFrameFormat\" ENUM \"ExtendedCAN\",\"J1939PG\";\nBA_ \"VFrameFormat\" BO_ 2566840318 1;\n", true},
		"plain by default":   {"BA_DEF_DEF_ \"VFrameFormat\" \"ExtendedCAN\";\n", false},
		"default overruled":  {"BA_DEF_DEF_ \"VFrameFormat\" \"ExtendedCAN\";\nBA_ \"VFrameFormat\" BO_ 2566840318 3;\n", true},
	} {
		if _, _, ok := reading(t, message+c.attributes, "M", "A", "0CFEDF21#05"); ok != c.group {
			t.Errorf("%s: heard from another sender %v; want %v", name, ok, c.group)
		}
	}
}

// Two units that send the same group in layouts of their own; the file tells them apart by the sender's address.
func TestDBCMessagesOfOneGroup(t *testing.T) {
	const text = "BO_ 2566844449 Left: 8 E\n SG_ A : 0|8@1+ (1,0) [0|0] \"\" E\n" + // 0x18FEF021
		"BO_ 2566844450 Right: 8 E\n SG_ A : 8|8@1+ (1,0) [0|0] \"\" E\n" + // 0x18FEF022
		"BO_ 2566844670 Any: 8 E\n SG_ A : 16|8@1+ (1,0) [0|0] \"\" E\n" // 0x18FEF0FE
	b, err := signals.ParseDBC("t.dbc", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for frame, want := range map[string]string{"18FEF021#010203": "Left 1", "0CFEF022#010203": "Right 2", "18FEF030#010203": "Any 3"} {
		d := signals.NewDecoder()
		d.Use(b)
		f := frameOf(t, frame)
		d.Frame(f, func(m *signals.Message) {
			if v := m.Signals(nil); len(v) != 1 || fmt.Sprintf("%s %v", m.Key, v[0].Written) != want {
				t.Errorf("%s: %s %+v; want %s", frame, m.Key, v, want)
			}
		})
		set := signals.NewSet(b.All())
		hits := signals.NewDecoder().Read(&f, set, nil)
		if len(hits) != 1 || fmt.Sprintf("%s %v", strings.TrimSuffix(set.Pick(hits[0]).String(), ".A"), hits[0].Written) != want {
			t.Errorf("%s: %+v; want %s alone", frame, hits, want)
		}
	}
}

// A code of a narrow signal that the file gives a meaning of its own is a value; J1939's rule is for the others.
func TestDBCMeaningsInGroups(t *testing.T) {
	const text = "BO_ 2566844449 M: 8 E\n SG_ A : 0|2@1+ (1,0) [0|0] \"\" E\n SG_ B : 2|2@1+ (1,0) [0|0] \"\" E\n" +
		"VAL_ 2566844449 A 0 \"off\" 1 \"slow\" 2 \"fast\" 3 \"Not Available\" ;\nVAL_ 2566844449 B 2 \"Error\" 3 \"n/a\" ;\n"
	for _, c := range []struct {
		signal, frame string
		want          signals.Status
	}{
		{"A", "18FEF021#02", signals.OK},
		{"A", "18FEF021#03", signals.NotAvailable},
		{"B", "18FEF021#08", signals.Error},
		{"B", "18FEF021#0C", signals.NotAvailable},
	} {
		if _, st, _ := reading(t, text, "M", c.signal, c.frame); st != c.want {
			t.Errorf("%s of %s is %s; want %s", c.signal, c.frame, st, c.want)
		}
	}
}
