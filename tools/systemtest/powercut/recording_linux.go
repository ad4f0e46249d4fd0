// SPDX-License-Identifier: Apache-2.0

package powercut

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// DiskSize of the trial disk, bytes.
const DiskSize = 32 << 20

// Programs that a recording needs, with the Debian package that each comes in.
func Programs() map[string]string {
	return map[string]string{"qemu-storage-daemon": "qemu-system-common", "mkfs.ext4": "e2fsprogs"}
}

// patience is how long the storage daemon may take to start and to end.
const patience = 10 * time.Second

// Recording is a mounted ext4 file system whose disk logs all writes.
type Recording struct {
	Folder string // where it is mounted
	Log    string // the log of writes
	Before []byte // what the disk held before

	mounted bool
	daemon  *exec.Cmd
	ended   chan error
	said    *os.File // what the daemon had to say
}

// StartRecording makes a disk with an empty file system in a folder (best one in memory) and mounts it there.
func StartRecording(ctx context.Context, folder string) (*Recording, error) {
	disk := filepath.Join(folder, "disk.raw")
	r := &Recording{Folder: filepath.Join(folder, "mounted"), Log: filepath.Join(folder, "writes.log"), ended: make(chan error, 1)}
	if err := MakeFileSystem(ctx, disk); err != nil {
		return nil, err
	}
	var err error
	if r.Before, err = os.ReadFile(disk); err != nil { //nolint:gosec // the folder is the test's
		return nil, err
	}
	export := filepath.Join(folder, "export.raw")
	for _, path := range []string{r.Log, export} {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			return nil, err
		}
	}
	if err := os.Mkdir(r.Folder, 0o700); err != nil {
		return nil, err
	}
	if err := r.start(disk, export); err != nil {
		return nil, errors.Join(err, r.End())
	}
	if err := Mount(export, r.Folder); err != nil {
		return nil, errors.Join(err, r.End())
	}
	r.mounted = true
	return r, nil
}

// MakeFileSystem makes a file of DiskSize with an empty ext4 file system of the block size that larger ones have, all of whose tables are
// written.
func MakeFileSystem(ctx context.Context, path string) error {
	f, err := os.Create(path) //nolint:gosec // the folder is the test's
	if err != nil {
		return err
	}
	if err := errors.Join(f.Truncate(DiskSize), f.Close()); err != nil {
		return err
	}
	out, err := exec.CommandContext(ctx, "mkfs.ext4", "-q", "-F", "-b", "4096", "-E", "lazy_itable_init=0,lazy_journal_init=0", path).CombinedOutput() //nolint:gosec // the path is the test's
	if err != nil {
		return fmt.Errorf("mkfs.ext4: %w: %s", err, out)
	}
	return nil
}

// start starts the daemon and waits until it shows the disk as a file. It is ended by End and not by a context: while the
// disk is mounted nothing else may take it away.
func (r *Recording) start(disk, export string) error {
	var err error
	if r.said, err = os.Create(r.Log + ".said"); err != nil {
		return err
	}
	r.daemon = exec.Command("qemu-storage-daemon", //nolint:gosec,noctx // see above
		"--blockdev", "driver=file,node-name=disk,filename="+disk,
		"--blockdev", "driver=file,node-name=writes,filename="+r.Log,
		"--blockdev", "driver=blklogwrites,node-name=logged,file=disk,log=writes,log-sector-size=512,log-super-update-interval=1",
		"--export", "type=fuse,id=out,node-name=logged,mountpoint="+export+",writable=on")
	r.daemon.Stdout, r.daemon.Stderr = r.said, r.said
	if err := r.daemon.Start(); err != nil {
		r.daemon = nil
		return fmt.Errorf("qemu-storage-daemon: %w", err)
	}
	go func() { r.ended <- r.daemon.Wait() }()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if info, err := os.Stat(export); err == nil && info.Size() == DiskSize {
			return nil
		}
		select {
		case err := <-r.ended:
			r.daemon = nil
			return fmt.Errorf("qemu-storage-daemon: %w: %s", err, r.words())
		default:
		}
	}
	return fmt.Errorf("qemu-storage-daemon shows no disk within %v: %s", patience, r.words())
}

// words is what the daemon said.
func (r *Recording) words() []byte {
	b, err := os.ReadFile(r.said.Name())
	if err != nil {
		return []byte(err.Error())
	}
	return b
}

// Written returns how many writes the disk has seen so far.
func (r *Recording) Written() (int, error) { return written(r.Log) }

func written(path string) (int, error) {
	f, err := os.Open(path) //nolint:gosec // the test's own file
	if err != nil {
		return 0, err
	}
	defer f.Close() //nolint:errcheck // read only
	var b [superSize]byte
	if _, err := f.ReadAt(b[:], 0); errors.Is(err, io.EOF) {
		return 0, nil // nothing was written
	} else if err != nil {
		return 0, err
	}
	return int(binary.LittleEndian.Uint64(b[16:])), nil //nolint:gosec // a few thousand
}

// End unmounts the disk and ends the daemon.
func (r *Recording) End() error {
	var err error
	if r.mounted {
		if err = Unmount(r.Folder); err != nil {
			return err // the daemon must stay
		}
		r.mounted = false
	}
	if r.daemon != nil {
		err = r.daemon.Process.Signal(unix.SIGTERM)
		select {
		case werr := <-r.ended:
			err = errors.Join(err, werr)
		case <-time.After(patience):
			err = errors.Join(err, fmt.Errorf("qemu-storage-daemon does not end within %v", patience), r.daemon.Process.Kill())
		}
		r.daemon = nil
	}
	if r.said != nil {
		err = errors.Join(err, r.said.Close())
	}
	return err
}
