// SPDX-License-Identifier: Apache-2.0

package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
)

// SealChunk is how many bytes of a capture go into one Zstandard frame. Frames stand for themselves: damage to one costs
// one, and any can be unpacked without the others.
const SealChunk = 64 << 10

// errNotSame is for a sealed capture that does not unpack to what was sealed.
var errNotSame = errors.New("the sealed capture is not the same as the plain one")

// Seal compresses src to dst in independent Zstandard frames of SealChunk bytes, each with its length and a checksum
// (RFC 8878), and calls seen with each chunk before it is compressed. It returns how many bytes were read.
func Seal(dst io.Writer, src io.Reader, seen func(chunk []byte)) (int64, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(SealChunk))
	if err != nil {
		return 0, fmt.Errorf("seal: %w", err)
	}
	plain, packed := make([]byte, SealChunk), make([]byte, 0, SealChunk)
	var total int64
	for {
		n, err := io.ReadFull(src, plain)
		if n > 0 {
			total += int64(n)
			if seen != nil {
				seen(plain[:n])
			}
			packed = enc.EncodeAll(plain[:n], packed[:0])
			if _, err := dst.Write(packed); err != nil {
				return total, fmt.Errorf("seal: %w", err)
			}
		}
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return total, nil
		case err != nil:
			return total, fmt.Errorf("seal: %w", err)
		}
	}
}

// VerifySeal unpacks a sealed capture and compares it with the plain one, byte for byte.
func VerifySeal(sealed, plain io.Reader) error {
	dec, err := zstd.NewReader(sealed, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(1<<20))
	if err != nil {
		return fmt.Errorf("unpack the sealed capture: %w", err)
	}
	defer dec.Close()
	a, b := make([]byte, SealChunk), make([]byte, SealChunk)
	for at := int64(0); ; {
		n, errA := io.ReadFull(dec, a)
		m, errB := io.ReadFull(plain, b)
		if errB != nil && !ended(errB) {
			return fmt.Errorf("read the plain capture: %w", errB)
		}
		if errA != nil && !ended(errA) {
			return fmt.Errorf("unpack the sealed capture: %w", errA)
		}
		if !bytes.Equal(a[:n], b[:m]) {
			return fmt.Errorf("%w: they differ in the 64 KiB from byte %d on", errNotSame, at)
		}
		if errA != nil {
			return nil
		}
		at += int64(n)
	}
}

// ended tells whether io.ReadFull met the end. The unpacker itself says "unexpected EOF" of a stream that was cut, but
// then the bytes differ.
func ended(err error) bool { return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) }
