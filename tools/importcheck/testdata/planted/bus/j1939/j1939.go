// Package j1939 has no descriptor and gets none.
package j1939

import (
	"encoding/binary"
	"io"
	"os" // want: imports os
)

func answer(r io.Reader) {
	w := r.(io.Writer)
	_, _ = w.Write(nil)                         // want: method Write
	_ = binary.Write(w, binary.BigEndian, 1)    // want: binary.Write
	_, _ = io.WriteString(w, "")                // want: io.WriteString
	_, _ = io.Copy(w, r)                        // want: io.Copy
	_ = os.Stdout
}
