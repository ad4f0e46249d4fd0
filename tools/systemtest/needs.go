// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
)

// need is a program and the Debian package that has it.
type need struct{ program, pkg string }

func needs() []need {
	return []need{
		{"qemu-system-aarch64", "qemu-system-arm"},
		{"mke2fs", "e2fsprogs"},
		{"depmod", "kmod"},
		{"modprobe", "kmod"},
		{"dpkg-deb", "dpkg"},
		{"apt-get", "apt"},
		{"xz", "xz-utils"},
		{"tshark", "tshark"},
	}
}

// missing lists the packages of the programs that cannot be found, each once.
func missing(found func(program string) bool, all []need) []string {
	var out []string
	for _, n := range all {
		if !found(n.program) && !slices.Contains(out, n.pkg) {
			out = append(out, n.pkg)
		}
	}
	return out
}

func onPath(program string) bool {
	_, err := exec.LookPath(program)
	return err == nil
}

// supply sees to the programs that are needed: as root it installs what is missing, else the error says which line does.
func supply(ctx context.Context, out io.Writer) error {
	// Debian keeps depmod, modprobe and mke2fs where a person's own path does not lead.
	if err := os.Setenv("PATH", os.Getenv("PATH")+":/usr/sbin:/sbin"); err != nil {
		return fmt.Errorf("look for programs: %w", err)
	}
	packages := missing(onPath, needs())
	if len(packages) == 0 {
		return nil
	}
	line := "apt-get install -y --no-install-recommends " + strings.Join(packages, " ")
	if os.Geteuid() != 0 || !onPath("apt-get") {
		return fmt.Errorf("the system test needs some Debian packages; run this line, then try again:\n  sudo %s", line)
	}
	fmt.Fprintf(out, "install: %s\n", strings.Join(packages, " "))
	if _, err := command(ctx, "", "apt-get", "update", "-qq"); err != nil {
		return err
	}
	if _, err := command(ctx, "", "env", append([]string{"DEBIAN_FRONTEND=noninteractive"}, strings.Fields(line)...)...); err != nil {
		return err
	}
	if still := missing(onPath, needs()); len(still) > 0 {
		return errors.New("installed, and still not there: " + strings.Join(still, " "))
	}
	return nil
}

// command runs a program to its end and returns what it printed; the error holds what it complained about.
func command(ctx context.Context, dir, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, name, args...) //nolint:gosec // names and arguments are this command's own
	cmd.Dir = dir
	var out, complaint strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		return out.String(), fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, strings.TrimSpace(complaint.String()))
	}
	return out.String(), nil
}
