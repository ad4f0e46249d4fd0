// SPDX-License-Identifier: Apache-2.0

// Command importcheck proves what DEVELOPERS.md promises about who may import whom, and that airhold cannot transmit on
// the machine's bus. Run it from the root of the module: go run ./tools/importcheck.
//
// Words: a room is a package of the house; a finding is one broken rule with its place. The rules are data (rooms.go,
// wires.go). It reads Go source of every build tag and the import graph of a Linux build; it runs nothing but the go
// command. Exit codes: 0 every rule holds, 1 a finding, 2 it could not look.
//
// What it proves and what not: it works on syntax and imports. In bus/socketcan each function of the kernel interface must
// be on a short list, so a new way to send is a finding without anybody having thought of it. It does not look into the
// libraries on its lists.
package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
)

// finding is one broken rule.
type finding struct {
	rule  string // a short name of the rule
	place string // file:line, package or folder
	what  string
	try   string
}

func main() {
	os.Exit(run(context.Background(), os.Args[1:], os.Stdout, os.Stderr))
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("importcheck", flag.ContinueOnError)
	flags.SetOutput(stderr)
	root := flags.String("root", ".", "folder of the module")
	if err := flags.Parse(args); err != nil || flags.NArg() > 0 {
		return 2
	}
	t, err := loadTree(*root)
	if err != nil {
		fmt.Fprintf(stderr, "importcheck: %v\n", err)
		return 2
	}
	g, err := loadGraph(ctx, *root)
	if err != nil {
		fmt.Fprintf(stderr, "importcheck: %v\n", err)
		return 2
	}
	found := slices.Concat(
		noWayBack(g, t),
		quietBus(t),
		loneSetUp(t),
		oneOutput(t),
		roomTable(t),
		folderNames(t),
	)
	slices.SortStableFunc(found, func(a, b finding) int {
		return cmp.Or(cmp.Compare(a.rule, b.rule), cmp.Compare(a.place, b.place), cmp.Compare(a.what, b.what))
	})
	for _, f := range found {
		fmt.Fprintf(stdout, "%s: %s: %s\n    %s\n", f.place, f.rule, f.what, f.try)
	}
	if len(found) > 0 {
		fmt.Fprintf(stdout, "importcheck: %d findings\n", len(found))
		return 1
	}
	fmt.Fprintf(stdout, "importcheck: %d files in %d rooms, %d packages in the graph: every rule holds\n", len(t.files), len(t.rooms()), len(g))
	return 0
}
