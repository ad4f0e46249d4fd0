// SPDX-License-Identifier: Apache-2.0

package main

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Debian's arm64 kernel for real boards. Those for clouds lack CAN, I2C and USB.
const kernelPackage = "linux-image-arm64"

// kernelAge is how old a fetched kernel may be before the archive is asked for a newer one.
const kernelAge = 14 * 24 * time.Hour

// kernel is one unpacked kernel.
type kernel struct {
	image   string // file
	root    string // holds lib/modules/<release>
	release string
	version string // of the package
}

// findKernel takes the kernel that an earlier run left in folder, or fetches one.
func findKernel(ctx context.Context, folder string, out io.Writer) (kernel, error) {
	kept, keptErr := keptKernel(folder)
	if keptErr == nil {
		if info, err := os.Stat(kept.image); err == nil && time.Since(info.ModTime()) < kernelAge {
			return kept, nil
		}
	}
	k, err := fetchKernel(ctx, folder)
	switch {
	case err == nil:
		return k, nil
	case keptErr == nil && ctx.Err() == nil:
		fmt.Fprintf(out, "no newer kernel could be fetched (%v); the one of an earlier run is used\n", err)
		return kept, nil
	}
	return kernel{}, fmt.Errorf("get Debian's arm64 kernel: %w", err)
}

func keptKernel(folder string) (kernel, error) {
	root := filepath.Join(folder, "kernel")
	images, err := filepath.Glob(filepath.Join(root, "boot", "vmlinuz-*"))
	if err != nil || len(images) != 1 {
		return kernel{}, errors.Join(fs.ErrNotExist, err)
	}
	version, err := os.ReadFile(filepath.Join(root, "version")) //nolint:gosec // in the cache folder
	if err != nil {
		return kernel{}, fmt.Errorf("kept kernel: %w", err)
	}
	return kernel{
		image: images[0], root: root, version: string(version),
		release: strings.TrimPrefix(filepath.Base(images[0]), "vmlinuz-"),
	}, nil
}

// fetchKernel asks the Debian archive, with an apt state of its own so that the machine's packages stay as they are,
// and unpacks what is needed. The folder holds the new kernel only when it is whole.
func fetchKernel(ctx context.Context, folder string) (kernel, error) {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return kernel{}, fmt.Errorf("cache folder: %w", err)
	}
	work, err := os.MkdirTemp(folder, "fetch-")
	if err != nil {
		return kernel{}, fmt.Errorf("cache folder: %w", err)
	}
	defer os.RemoveAll(work) //nolint:errcheck // a folder that stays does no harm
	deb, err := download(ctx, work)
	if err != nil {
		return kernel{}, err
	}
	root := filepath.Join(work, "kernel")
	if err := unpackDeb(ctx, deb, root); err != nil {
		return kernel{}, err
	}
	version, err := command(ctx, "", "dpkg-deb", "--field", deb, "Version")
	if err != nil {
		return kernel{}, err
	}
	if err := os.WriteFile(filepath.Join(root, "version"), []byte(strings.TrimSpace(version)), 0o600); err != nil {
		return kernel{}, fmt.Errorf("keep the kernel: %w", err)
	}
	images, err := filepath.Glob(filepath.Join(root, "boot", "vmlinuz-*"))
	if err != nil || len(images) != 1 {
		return kernel{}, fmt.Errorf("the package holds %d kernels; want one", len(images))
	}
	release := strings.TrimPrefix(filepath.Base(images[0]), "vmlinuz-")
	if _, err := command(ctx, "", "depmod", "-b", root, release); err != nil {
		return kernel{}, err
	}
	final := filepath.Join(folder, "kernel")
	if err := errors.Join(os.RemoveAll(final), os.Rename(root, final)); err != nil {
		return kernel{}, fmt.Errorf("keep the kernel: %w", err)
	}
	return keptKernel(folder)
}

// download fetches the package of the kernel that kernelPackage stands for and returns its file.
func download(ctx context.Context, work string) (string, error) {
	for _, dir := range []string{"lists/partial", "cache/archives/partial", "deb"} {
		if err := os.MkdirAll(filepath.Join(work, dir), 0o750); err != nil {
			return "", fmt.Errorf("apt's folders: %w", err)
		}
	}
	status := filepath.Join(work, "status")
	if err := os.WriteFile(status, nil, 0o600); err != nil {
		return "", fmt.Errorf("apt's folders: %w", err)
	}
	options := []string{
		"-qq", "-o", "APT::Architecture=arm64", "-o", "APT::Architectures::=arm64",
		"-o", "Dir::State=" + work, "-o", "Dir::State::lists=" + filepath.Join(work, "lists"), "-o", "Dir::State::status=" + status,
		"-o", "Dir::Cache=" + filepath.Join(work, "cache"),
	}
	if os.Geteuid() == 0 {
		options = append(options, "-o", "APT::Sandbox::User=root") // else apt's own user would need to read the folder
	}
	apt := func(program string, args ...string) (string, error) {
		return command(ctx, filepath.Join(work, "deb"), program, append(slices.Clip(options), args...)...)
	}
	if _, err := apt("apt-get", "update"); err != nil {
		return "", err
	}
	said, err := apt("apt-cache", "depends", kernelPackage)
	if err != nil {
		return "", err
	}
	name, err := imageOf(said)
	if err != nil {
		return "", err
	}
	if _, err := apt("apt-get", "download", name); err != nil {
		return "", err
	}
	files, err := filepath.Glob(filepath.Join(work, "deb", "*.deb"))
	if err != nil || len(files) != 1 {
		return "", fmt.Errorf("apt-get download %s left %d packages; want one", name, len(files))
	}
	return files[0], nil
}

// imageOf finds the real package in what `apt-cache depends` says of the one that only stands for it.
func imageOf(said string) (string, error) {
	for line := range strings.Lines(said) {
		name, ok := strings.CutPrefix(strings.TrimSpace(line), "Depends: ")
		if ok && strings.HasPrefix(name, "linux-image-") {
			return name, nil
		}
	}
	return "", fmt.Errorf("apt knows no %s; the sources of this machine must have Debian's main archive", kernelPackage)
}

// kept says whether a file of the kernel's package is of use in the box.
func kept(name string) bool {
	if strings.HasPrefix(name, "boot/vmlinuz-") {
		return true
	}
	_, within, ok := strings.Cut(name, "lib/modules/")
	if !ok {
		return false
	}
	_, within, _ = strings.Cut(within, "/")
	if !strings.Contains(within, "/") {
		return strings.HasPrefix(within, "modules.")
	}
	for _, part := range []string{
		"net/can/", "drivers/net/can/", "drivers/usb/", "drivers/i2c/", "drivers/spi/", "drivers/block/", "drivers/virtio/", "drivers/char/",
		"drivers/base/", "fs/", "lib/", "crypto/", "arch/", "net/core/", "net/rfkill/", "drivers/net/phy/", "drivers/net/mii",
	} {
		if strings.HasPrefix(within, "kernel/"+part) {
			return true
		}
	}
	return false
}

// unpackDeb unpacks the kernel and its modules below root, as lib/modules whatever the package calls it.
func unpackDeb(ctx context.Context, deb, root string) error {
	cmd := exec.CommandContext(ctx, "dpkg-deb", "--fsys-tarfile", deb) //nolint:gosec // the package just fetched
	stream, err := cmd.StdoutPipe()
	if err != nil {
		return fmt.Errorf("unpack the kernel: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("unpack the kernel: %w", err)
	}
	err = unpackTar(tar.NewReader(stream), root)
	if err != nil {
		_ = cmd.Process.Kill() // it waits for a reader that has gone
	}
	return errors.Join(err, cmd.Wait())
}

func unpackTar(in *tar.Reader, root string) error {
	for {
		head, err := in.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("unpack the kernel: %w", err)
		}
		name := strings.TrimPrefix(strings.TrimPrefix(head.Name, "./"), "usr/")
		if head.Typeflag != tar.TypeReg || !kept(name) || !filepath.IsLocal(name) {
			continue
		}
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			return fmt.Errorf("unpack the kernel: %w", err)
		}
		if err := writeFrom(path, in); err != nil {
			return err
		}
	}
}

func writeFrom(path string, in io.Reader) error {
	f, err := os.Create(path) //nolint:gosec // below the cache folder
	if err != nil {
		return fmt.Errorf("unpack the kernel: %w", err)
	}
	_, err = io.Copy(f, in)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("unpack the kernel: %w", err)
	}
	return nil
}

// modules lists the files to load, in order, for the named modules.
func (k kernel) modules(ctx context.Context, names []string) ([]string, error) {
	var files []string
	for _, name := range names {
		said, err := command(ctx, "", "modprobe", "-d", k.root, "-S", k.release, "--show-depends", name)
		if err != nil {
			return nil, fmt.Errorf("module %s: %w", name, err)
		}
		files = append(files, toLoad(said)...)
	}
	return unique(files), nil
}

// toLoad takes the files from what `modprobe --show-depends` says; what is built in needs none.
func toLoad(said string) []string {
	var files []string
	for line := range strings.Lines(said) {
		words := strings.Fields(line)
		if len(words) >= 2 && words[0] == "insmod" {
			files = append(files, words[1])
		}
	}
	return files
}

func unique(all []string) []string {
	seen := map[string]bool{}
	var out []string
	for _, s := range all {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}

// readModule reads a module, unpacked.
func readModule(ctx context.Context, path string) (name string, data []byte, err error) {
	name = filepath.Base(path)
	if short, ok := strings.CutSuffix(name, ".xz"); ok {
		text, err := command(ctx, "", "xz", "--decompress", "--stdout", path)
		return short, []byte(text), err
	}
	if !strings.HasSuffix(name, ".ko") {
		return "", nil, fmt.Errorf("%s: modules packed like this are not known here", path)
	}
	data, err = os.ReadFile(path) //nolint:gosec // in the cache folder
	if err != nil {
		return "", nil, fmt.Errorf("module: %w", err)
	}
	return name, data, nil
}
