// Command pack puts a folder into one archive, the same bytes for the same content:
// names sorted, one time for all, no owner.
//
//	pack FOLDER ARCHIVE.tar.gz|ARCHIVE.zip SECONDS_SINCE_1970
package main

import (
	"archive/tar"
	"archive/zip"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

func main() {
	if len(os.Args) != 4 {
		fmt.Fprintln(os.Stderr, "pack needs a folder, an archive and a time in seconds since 1970")
		os.Exit(2)
	}
	if err := pack(os.Args[1], os.Args[2], os.Args[3]); err != nil {
		fmt.Fprintln(os.Stderr, "pack:", err)
		os.Exit(1)
	}
}

func pack(folder, archive, seconds string) (err error) {
	unix, err := strconv.ParseInt(seconds, 10, 64)
	if err != nil {
		return fmt.Errorf("read time: %w", err)
	}
	at := time.Unix(unix, 0).UTC()
	out, err := os.Create(archive)
	if err != nil {
		return fmt.Errorf("make archive: %w", err)
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	switch {
	case strings.HasSuffix(archive, ".zip"):
		return zipFolder(out, folder, at)
	case strings.HasSuffix(archive, ".tar.gz"):
		return tarFolder(out, folder, at)
	default:
		return fmt.Errorf("%s is neither a .zip nor a .tar.gz", archive)
	}
}

// A walk goes through a folder by name, so the order is the same each time. The
// folder's own name is the first part of each name in the archive.

func zipFolder(out io.Writer, folder string, at time.Time) error {
	z := zip.NewWriter(out)
	err := eachFile(folder, func(name string, info fs.FileInfo, from io.Reader) error {
		head := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: at}
		head.SetMode(mode(info))
		to, err := z.CreateHeader(head)
		if err != nil {
			return err
		}
		_, err = io.Copy(to, from)
		return err
	})
	return errors.Join(err, z.Close())
}

func tarFolder(out io.Writer, folder string, at time.Time) error {
	g := gzip.NewWriter(out)
	t := tar.NewWriter(g)
	err := eachFile(folder, func(name string, info fs.FileInfo, from io.Reader) error {
		head := &tar.Header{Name: name, Mode: int64(mode(info)), Size: info.Size(), ModTime: at, Format: tar.FormatUSTAR}
		if err := t.WriteHeader(head); err != nil {
			return err
		}
		_, err := io.Copy(t, from)
		return err
	})
	return errors.Join(err, t.Close(), g.Close())
}

// mode is what may be done with a file, whatever the umask was of who built it.
func mode(info fs.FileInfo) fs.FileMode {
	if info.Mode()&0o100 != 0 {
		return 0o755
	}
	return 0o644
}

func eachFile(folder string, add func(name string, info fs.FileInfo, from io.Reader) error) error {
	top := filepath.Dir(filepath.Clean(folder))
	return filepath.WalkDir(folder, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		name, err := filepath.Rel(top, path)
		if err != nil {
			return err
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return err
		}
		if err := add(filepath.ToSlash(name), info, f); err != nil {
			return fmt.Errorf("pack %s: %w", name, err)
		}
		return nil
	})
}
