// SPDX-License-Identifier: Apache-2.0

package tablet

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
)

// policy lets the page load and reach its own box only, and lets nobody frame it.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; connect-src 'self'; " +
	"img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

// file is one file of the page, held in memory as it is and compressed.
type file struct {
	kind   string
	plain  []byte
	packed []byte // gzip; nil where it would not be smaller
	tag    string // of the plain form; the packed one adds a letter, as RFC 9110 8.8.3.3 asks
}

// loadFiles reads the built page. It compresses once, here, so that what is committed does not hang on a zlib version.
func loadFiles(assets fs.FS) (map[string]*file, error) {
	files, err := readAll(assets)
	if err != nil {
		return nil, fmt.Errorf("read the built page: %w", err)
	}
	if files["index.html"] == nil {
		return nil, errors.New("the built page has no index.html: run npm ci and npm run build in firmware/tablet/page")
	}
	return files, nil
}

// loadContract prepares the files that say what clients may rely on.
func loadContract(from fs.FS) (map[string]*file, error) {
	if from == nil {
		return nil, nil
	}
	files, err := readAll(from)
	if err != nil {
		return nil, fmt.Errorf("read the contract: %w", err)
	}
	return files, nil
}

func readAll(from fs.FS) (map[string]*file, error) {
	files := map[string]*file{}
	err := fs.WalkDir(from, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(from, name)
		if err != nil {
			return err
		}
		files[name], err = newFile(name, data)
		return err
	})
	return files, err
}

func newFile(name string, data []byte) (*file, error) {
	sum := sha256.Sum256(data)
	f := &file{kind: kindOf(name), plain: data, tag: hex.EncodeToString(sum[:12])}
	if strings.HasPrefix(f.kind, "font/") {
		return f, nil
	}
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("compress %s: %w", name, err)
	}
	if _, err = z.Write(data); err != nil {
		return nil, fmt.Errorf("compress %s: %w", name, err)
	}
	if err = z.Close(); err != nil {
		return nil, fmt.Errorf("compress %s: %w", name, err)
	}
	if b.Len() < len(data) {
		f.packed = b.Bytes()
	}
	return f, nil
}

// kindOf names the media type; a table of our own, since the system's may differ from box to box.
func kindOf(name string) string {
	switch path.Ext(name) {
	case ".html":
		return "text/html; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".woff2":
		return "font/woff2"
	case ".json":
		return "application/json"
	case ".txt":
		return "text/plain; charset=utf-8"
	default:
		return "application/octet-stream"
	}
}

// ServeHTTP answers with the file, or with 304 where the browser has it.
func (f *file) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	body, tag := f.plain, `"`+f.tag+`"`
	if f.packed != nil {
		h.Set("Vary", "Accept-Encoding")
		if takesGzip(r.Header.Get("Accept-Encoding")) {
			body, tag = f.packed, `"`+f.tag+`z"`
			h.Set("Content-Encoding", "gzip")
		}
	}
	h.Set("ETag", tag)
	h.Set("Cache-Control", "no-cache") // ask each time: names stay the same from release to release
	if matches(r.Header.Get("If-None-Match"), tag) {
		h.Del("Content-Encoding")
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", f.kind)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method == http.MethodHead {
		return
	}
	_, _ = w.Write(body) // a browser that has gone needs no answer
}

func takesGzip(accept string) bool {
	for part := range strings.SplitSeq(accept, ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			q, weighed := strings.CutPrefix(strings.ReplaceAll(weight, " ", ""), "q=")
			return !weighed || strings.Trim(q, ".0") != ""
		}
	}
	return false
}

func matches(header, tag string) bool {
	for part := range strings.SplitSeq(header, ",") {
		part = strings.TrimPrefix(strings.TrimSpace(part), "W/")
		if part == tag || part == "*" {
			return true
		}
	}
	return false
}
