// SPDX-License-Identifier: Apache-2.0

package signals

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"
)

// decoded turns a file in any of the encodings that DBC files come in into UTF-8: UTF-8 with or without its mark, UTF-16 in
// either order, with a mark or told by its zero bytes, and Windows-1252, which nearly all tools for these files write. The
// reason is a sentence for a person where it is none of them.
func decoded(data []byte) (text []byte, reason string) {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe\x00\x00")) || bytes.HasPrefix(data, []byte("\x00\x00\xfe\xff")):
		return nil, "the file is in UTF-32; save it as UTF-8"
	case bytes.HasPrefix(data, []byte("\xff\xfe")):
		return fromUTF16(data[2:], binary.LittleEndian)
	case bytes.HasPrefix(data, []byte("\xfe\xff")):
		return fromUTF16(data[2:], binary.BigEndian)
	}
	for i, signature := range map[string]string{
		"\x1f\x8b": "gzip", "\x28\xb5\x2f\xfd": "zstd", "PK\x03\x04": "zip",
	} {
		if bytes.HasPrefix(data, []byte(i)) {
			return nil, fmt.Sprintf("the file is packed with %s; unpack it first", signature)
		}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if len(data) >= 4 && data[0] != 0 && data[1] == 0 && data[2] != 0 && data[3] == 0 {
		return fromUTF16(data, binary.LittleEndian)
	}
	if len(data) >= 4 && data[0] == 0 && data[1] != 0 && data[2] == 0 && data[3] != 0 {
		return fromUTF16(data, binary.BigEndian)
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, fmt.Sprintf("byte %d is zero, which no text has; the file is damaged or no DBC", i)
	}
	if !utf8.Valid(data) {
		data = fromWindows(data)
	}
	return data, ""
}

func fromUTF16(data []byte, order binary.ByteOrder) (text []byte, reason string) {
	if len(data)%2 != 0 {
		return nil, "the file is in UTF-16 and ends in the middle of a character; it was cut off"
	}
	units := make([]uint16, len(data)/2)
	for i := range units {
		if units[i] = order.Uint16(data[2*i:]); units[i] == 0 {
			return nil, fmt.Sprintf("the file is in UTF-16 and character %d is zero, which no text has; it is damaged", i)
		}
	}
	out := make([]byte, 0, len(units)+len(units)/8)
	for _, r := range utf16.Decode(units) {
		out = utf8.AppendRune(out, r)
	}
	return out, ""
}

// fromWindows reads Windows-1252: Latin-1 but for 0x80 to 0x9F (the mapping table CP1252.TXT of the Unicode Consortium).
func fromWindows(data []byte) []byte {
	const special = "€\u0081‚ƒ„…†‡ˆ‰Š‹Œ\u008dŽ\u008f\u0090‘’“”•–—˜™š›œ\u009džŸ"
	table := []rune(special)
	out := make([]byte, 0, len(data)+16)
	for _, c := range data {
		r := rune(c)
		if c >= 0x80 && int(c) < 0x80+len(table) {
			r = table[c-0x80]
		}
		out = utf8.AppendRune(out, r)
	}
	return out
}
