package watcher

import (
	"context"
	"errors"
	"io/fs"
	"syscall"

	"golang.org/x/sys/windows"
)

// tryLimits has nothing to ask: Windows has no such limits.
func (p *prober) tryLimits(context.Context) {}

// Attributes by which a file or folder is kept here, or not, by what copies it to a cloud:
// FILE_ATTRIBUTE_PINNED and FILE_ATTRIBUTE_UNPINNED of winnt.h, from memory.
const pinned, unpinned = 0x00080000, 0x00100000

// liesInCloud tells whether the bytes of a file lie elsewhere, or may be sent there.
func liesInCloud(info fs.FileInfo) bool {
	data, ok := info.Sys().(*syscall.Win32FileAttributeData)
	const marks = windows.FILE_ATTRIBUTE_RECALL_ON_DATA_ACCESS | windows.FILE_ATTRIBUTE_RECALL_ON_OPEN | pinned | unpinned
	return ok && data.FileAttributes&marks != 0
}

// isReadOnly tells whether an error means that nothing can be written to a disk.
func isReadOnly(err error) bool { return errors.Is(err, windows.ERROR_WRITE_PROTECT) }

// strangersStay is not asked on Windows, which has no such folders.
func strangersStay(string) bool { return false }
