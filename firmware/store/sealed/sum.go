// SPDX-License-Identifier: Apache-2.0

package sealed

import (
	"encoding/binary"
	"hash/crc64"
	"math"
	"strconv"

	"airhold/firmware/store"
)

// sum is a checksum over what was recorded: CRC-64 (ECMA-182) over the bits of each row in turn. A value that differs
// in one bit, a row that is missing or out of place change it.
type sum struct {
	table *crc64.Table
	crc   uint64
	rows  int64
	buf   []byte
}

func newSum() *sum { return &sum{table: crc64.MakeTable(crc64.ECMA), buf: make([]byte, 0, 256)} }

func (s *sum) end() {
	s.crc = crc64.Update(s.crc, s.table, s.buf)
	s.rows++
}

func (s *sum) reading(r *store.Row) {
	v := &r.Entry.Reading
	le := binary.LittleEndian
	b := le.AppendUint64(s.buf[:0], uint64(r.Seq)) //nolint:gosec // its bits
	b = le.AppendUint64(b, uint64(v.At))           //nolint:gosec // its bits
	b = le.AppendUint64(b, math.Float64bits(v.Value))
	b = le.AppendUint64(b, math.Float64bits(v.Volts))
	b = le.AppendUint32(b, uint32(v.Raw))     //nolint:gosec // its bits
	b = le.AppendUint16(b, uint16(v.Channel)) //nolint:gosec // its bits
	b = append(b, byte(v.Quality))
	s.buf = le.AppendUint64(b, uint64(r.Calibration)) //nolint:gosec // its bits
	s.end()
}

func (s *sum) event(row *Event) {
	le := binary.LittleEndian
	b := le.AppendUint64(s.buf[:0], uint64(row.Seq)) //nolint:gosec // its bits
	b = le.AppendUint64(b, uint64(row.At))           //nolint:gosec // its bits
	b = append(append(b, row.Kind...), 0)
	b = append(b, row.Text...)
	s.buf = b
	s.end()
}

// note writes rows and checksum into a file's metadata.
func (s *sum) note(set func(key, value string)) {
	set(keyRows, strconv.FormatInt(s.rows, 10))
	set(keySum, strconv.FormatUint(s.crc, 16))
}
