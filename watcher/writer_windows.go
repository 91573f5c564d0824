package watcher

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// hasWriter tells whether a program still has the file open for writing, by
// opening it in a way that shares it with readers only. A file whose bytes lie
// in a cloud counts as being written: opening it would fetch it.
func hasWriter(path string) (answer, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return unknown, err
	}
	attributes, err := windows.GetFileAttributes(name)
	if err != nil {
		return unknown, &os.PathError{Op: "attributes", Path: path, Err: err}
	}
	if attributes&(windows.FILE_ATTRIBUTE_RECALL_ON_DATA_ACCESS|windows.FILE_ATTRIBUTE_OFFLINE) != 0 {
		return yes, nil
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ, windows.FILE_SHARE_READ, nil,
		windows.OPEN_EXISTING, windows.FILE_FLAG_OPEN_REPARSE_POINT, 0)
	switch {
	case errors.Is(err, windows.ERROR_SHARING_VIOLATION):
		return yes, nil
	case err != nil:
		return unknown, &os.PathError{Op: "open", Path: path, Err: err}
	}
	return no, windows.CloseHandle(h)
}
