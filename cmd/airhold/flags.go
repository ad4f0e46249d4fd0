// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"syscall"

	"airhold/config"
)

// parseFlags parses a command's flags; done says that the command is over, with its exit code.
func parseFlags(set *flag.FlagSet, args []string, help func(io.Writer), stdout, stderr io.Writer) (code int, done bool) {
	err := parseArgs(set, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		help(stdout)
		return exitOK, true
	case err != nil:
		return wrongUsage(set.Name(), stderr, "%v", err), true
	case set.NArg() > 0:
		return wrongUsage(set.Name(), stderr, "%q is one word too many", set.Arg(0)), true
	}
	return 0, false
}

// wrongUsage says what is wrong with a command line and where the command is explained.
func wrongUsage(command string, stderr io.Writer, format string, a ...any) int {
	fmt.Fprintf(stderr, "airhold %s: %s\nExplained by: airhold %s --help\n", command, fmt.Sprintf(format, a...), command)
	return exitUsage
}

// parseArgs is set.Parse with an unknown flag in the user's words.
func parseArgs(set *flag.FlagSet, args []string) error {
	if name := unknownFlag(set, args); name != "" {
		var known []string
		set.VisitAll(func(f *flag.Flag) { known = append(known, f.Name) })
		if near := config.Nearest(name, known); near != "" {
			return fmt.Errorf("there is no flag --%s; did you mean --%s?", name, near)
		}
		return fmt.Errorf("there is no flag --%s; there are --%s", name, strings.Join(known, ", --"))
	}
	return set.Parse(args)
}

// unknownFlag walks args as the flag package does and returns the first flag that set does not have.
func unknownFlag(set *flag.FlagSet, args []string) string {
	for i := 0; i < len(args); i++ {
		arg := args[i]
		if len(arg) < 2 || arg[0] != '-' || arg == "--" {
			return ""
		}
		name, _, hasValue := strings.Cut(strings.TrimPrefix(arg[1:], "-"), "=")
		f := set.Lookup(name)
		if f == nil {
			if name == "help" || name == "h" {
				return ""
			}
			return name
		}
		if b, ok := f.Value.(interface{ IsBoolFlag() bool }); !hasValue && (!ok || !b.IsBoolFlag()) {
			i++ // its value is the next argument
		}
	}
	return ""
}

// fileWords says why a file that the user named cannot be read, in the user's words where the reason is a usual one.
func fileWords(err error) string {
	var p *fs.PathError
	if !errors.As(err, &p) {
		return err.Error()
	}
	switch {
	case errors.Is(p.Err, fs.ErrNotExist):
		return fmt.Sprintf("there is no file %s; look at its name, and at the folder you are in", p.Path)
	case errors.Is(p.Err, fs.ErrPermission):
		return "this user may not read " + p.Path
	case errors.Is(p.Err, syscall.EISDIR):
		return p.Path + " is a folder; name a file in it"
	default:
		return err.Error()
	}
}
