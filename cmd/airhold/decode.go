// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"time"

	"airhold/bus"
	"airhold/bus/capture"
	"airhold/bus/signals"
)

const decodeUsage = `usage: airhold decode [FILE|-] [--dbc FILE] [--parquet FILE] [--json]

Turns a recording of a CAN bus into named values, one message a line. FILE is
candump text (with times, or bare ID#DATA lines) or pcapng, also as .gz or
.zst; - or no FILE reads standard input.

  --dbc FILE      names for messages of your own; they go before the built-in ones
  --parquet FILE  a table instead of lines: a row a signal, with time, interface,
                  sender, value and status; units are in the file's metadata
  --json          JSON lines, the last one a summary
`

// runDecode is the decode command. Exit codes: 0 fine, 1 reading or writing broke off, 2 wrong usage, 3 refused input.
func runDecode(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("decode", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	dbcFile := flags.String("dbc", "", "")
	parquetFile := flags.String("parquet", "", "")
	asJSON := flags.Bool("json", false, "")
	var files []string
	for rest := args; ; {
		if err := parseArgs(flags, rest); errors.Is(err, flag.ErrHelp) {
			fmt.Fprint(stdout, decodeUsage)
			return exitOK
		} else if err != nil {
			return wrongUsage("decode", stderr, "%v", err)
		}
		if flags.NArg() == 0 {
			break
		}
		files = append(files, flags.Arg(0))
		rest = flags.Args()[1:]
	}
	if len(files) > 1 {
		return wrongUsage("decode", stderr, "one FILE at a time, not %d", len(files))
	}
	decoder := signals.NewDecoder()
	var own *signals.DBC
	if *dbcFile != "" {
		text, err := os.ReadFile(*dbcFile)
		if err != nil {
			fmt.Fprintf(stderr, "airhold decode: --dbc: %s\n", fileWords(err))
			return exitRefused
		}
		list, err := signals.ParseDBC(*dbcFile, text)
		if err != nil {
			fmt.Fprintf(stderr, "%v\nNothing was decoded. Mend the line, or leave --dbc out for the built-in names.\n", err)
			return exitRefused
		}
		own = list
		decoder.Use(own)
	}
	name := "-"
	if len(files) == 1 {
		name = files[0]
	}
	reader, err := openCapture(name, stdin)
	if err != nil {
		fmt.Fprintf(stderr, "airhold decode: %s\n", fileWords(err))
		return exitRefused
	}
	defer reader.Close() //nolint:errcheck // it was only read
	if *parquetFile != "" {
		return decodeParquet(ctx, parquetJob{
			name: inputName(name), path: *parquetFile, reader: reader, decoder: decoder, picks: signals.All(own),
			asJSON: *asJSON, stdout: stdout,
		}, stderr)
	}
	out := bufio.NewWriterSize(stdout, 64<<10)
	var p decodePrinter = &decodeText{}
	if *asJSON {
		p = &decodeJSON{}
	}
	return decodeAll(ctx, decodeJob{name: inputName(name), reader: reader, decoder: decoder, printer: p, out: out}, stderr)
}

func inputName(name string) string {
	if name == "-" {
		return "standard input"
	}
	return name
}

func openCapture(name string, stdin io.Reader) (*capture.Reader, error) {
	if name == "-" {
		return capture.NewReader(stdin)
	}
	return capture.Open(name)
}

// decodePrinter writes messages and the summary in one of the two forms.
type decodePrinter interface {
	message(w *bufio.Writer, m *signals.Message, link string) error
	summary(w *bufio.Writer, s *decodeSummary) error
}

type decodeJob struct {
	name    string
	reader  *capture.Reader
	decoder *signals.Decoder
	printer decodePrinter
	out     *bufio.Writer
}

// decodeAll reads the capture to its end. Whatever stops it, the summary of what was read is still printed.
func decodeAll(ctx context.Context, j decodeJob, stderr io.Writer) int {
	sum := newDecodeSummary()
	var (
		f        bus.Frame
		readErr  error
		writeErr error
		links    = j.reader.Links()
	)
	link := func(i uint16) string {
		if int(i) >= len(links) {
			links = j.reader.Links()
		}
		if int(i) < len(links) {
			return links[i]
		}
		return ""
	}
	emit := func(m *signals.Message) {
		sum.message(m)
		if writeErr == nil {
			writeErr = j.printer.message(j.out, m, link(m.Link))
		}
	}
	for writeErr == nil {
		if readErr = j.reader.Next(&f); readErr != nil {
			break
		}
		if sum.frames%1024 == 0 && ctx.Err() != nil {
			readErr = ctx.Err()
			break
		}
		sum.frame(&f, link(f.Link))
		j.decoder.Frame(f, emit)
	}
	j.decoder.Finish()
	sum.finish(j)
	if writeErr == nil {
		writeErr = j.printer.summary(j.out, sum)
	}
	writeErr = errors.Join(writeErr, j.out.Flush())
	for _, b := range sum.bad {
		fmt.Fprintf(stderr, "%s: %s\n", j.name, b)
	}
	if more := sum.badCount - int64(len(sum.bad)); more > 0 {
		fmt.Fprintf(stderr, "%s: and %d more such places\n", j.name, more)
	}
	if sum.torn != "" {
		fmt.Fprintf(stderr, "%s: the end of the recording is lost: %s\n", j.name, sum.torn)
	}
	switch {
	case writeErr != nil:
		fmt.Fprintf(stderr, "airhold decode: the output cannot be written: %v\n", writeErr)
		return exitFailed
	case !errors.Is(readErr, io.EOF):
		fmt.Fprintf(stderr, "airhold decode: %s broke off after %d frames: %v\n", j.name, sum.frames, readErr)
		return exitFailed
	case sum.frames == 0:
		fmt.Fprintf(stderr, "airhold decode: there is no frame in %s; it should be candump text (candump -L) or pcapng\n", j.name)
		return exitRefused
	}
	return exitOK
}

// stamp says when a message was complete: wall time where the recording has one, else seconds from its start.
func stamp(at time.Duration, utc time.Time) (string, bool) {
	if utc.IsZero() {
		return fmt.Sprintf("%.6f", at.Seconds()), false
	}
	return utc.UTC().Format("2006-01-02T15:04:05.000000000Z"), true
}
