// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"airhold/firmware/alarms"
	"airhold/firmware/store"
)

const journalUsage = `airhold journal: what the alarms did and what people told them, each record chained to the one before.

  airhold journal [--data DIR] [--since TIME] [--all] [--json]   show it; TIME is 2026-04-28 or 2026-04-28T06:00:00Z
  airhold journal verify [--data DIR] [--head HASH]              check that nothing was changed or taken away; HASH is the journal's
                                                                 head from a day's sum (topic sum/day) that was kept elsewhere

Without --all an alarm that is only held back for a while, such as while the planter is raised, is not told again.
`

func runJournal(_ context.Context, args []string, stdout, stderr io.Writer) int {
	verify := len(args) > 0 && args[0] == "verify"
	if verify {
		args = args[1:]
	}
	fs := flag.NewFlagSet("journal", flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	dir := fs.String("data", defaultFolder, "")
	since := fs.String("since", "", "")
	asJSON := fs.Bool("json", false, "")
	all := fs.Bool("all", false, "")
	head := fs.String("head", "", "")
	help := func(w io.Writer) { fmt.Fprint(w, journalUsage) }
	if code, done := parseFlags(fs, args, help, stdout, stderr); done {
		return code
	}
	from, err := parseSince(*since)
	if err != nil {
		fmt.Fprintf(stderr, "airhold journal: %v\n", err)
		return exitUsage
	}
	if *head != "" && !verify {
		fmt.Fprintln(stderr, "airhold journal: --head belongs to: airhold journal verify")
		return exitUsage
	}
	s, err := store.Open(*dir, store.Options{ReadOnly: true})
	if err != nil {
		fmt.Fprintf(stderr, "airhold journal: %v\n", err)
		return exitRefused
	}
	defer s.Close() //nolint:errcheck // only read
	if verify {
		return verifyJournal(s, strings.ToLower(*head), stdout, stderr)
	}
	records, err := s.ReadJournal(from)
	if err != nil {
		fmt.Fprintf(stderr, "airhold journal: %v\n", err)
		return exitFailed
	}
	book := newDiary(stdout, *all)
	for i := range records {
		r := &records[i]
		if *asJSON {
			b, err := json.Marshal(r)
			if err != nil {
				fmt.Fprintf(stderr, "airhold journal: record %d: %v\n", r.Seq, err)
				return exitFailed
			}
			fmt.Fprintf(stdout, "%s\n", b)
			continue
		}
		book.write(r)
	}
	if len(records) == 0 && !*asJSON {
		fmt.Fprintln(stdout, "Nothing in the journal.")
	}
	return exitOK
}

// quiet says that a change tells a person nothing: an alarm that is not up was held back by a rule, or let go.
func quiet(from, to alarms.StateName) bool {
	return (from == alarms.Normal && to == alarms.Suppressed) || (from == alarms.Suppressed && to == alarms.Normal)
}

func parseSince(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, form := range []string{time.RFC3339, "2006-01-02"} {
		if t, err := time.Parse(form, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("--since %q: write a day as 2026-04-28 or a time as 2026-04-28T06:00:00Z", text)
}

func verifyJournal(s *store.Store, head string, stdout, stderr io.Writer) int {
	v, err := s.Verify()
	if err != nil {
		fmt.Fprintf(stderr, "airhold journal verify: %v\n", err)
		return exitFailed
	}
	if !v.OK {
		fmt.Fprintf(stdout, "The journal does not hold together: %s. The first %d records do.\n", v.Why, v.Records)
		return exitFailed
	}
	if head != "" {
		n, err := s.RecordOf(head)
		switch {
		case err != nil:
			fmt.Fprintf(stderr, "airhold journal verify: %v\n", err)
			return exitFailed
		case n == 0:
			fmt.Fprintf(stdout, "The journal holds together, but record %.12s of the day's sum is not in it: its end was cut off, or it was written anew.\n", head)
			return exitFailed
		}
		fmt.Fprintf(stdout, "The day's sum stands in it as record %d.\n", n)
	}
	fmt.Fprintf(stdout, "The journal holds together: %d records, head %s.\n", v.Records, v.Head)
	return exitOK
}
