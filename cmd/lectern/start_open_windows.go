package main

import (
	"fmt"

	"golang.org/x/sys/windows"
)

// openWithSystem has the system open a file, given by its absolute path, with what the
// person has chosen for such files. No other program is started by Lectern itself.
func openWithSystem(path string) error {
	file, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return fmt.Errorf("open: %w", err)
	}
	verb, err := windows.UTF16PtrFromString("open")
	if err != nil {
		return fmt.Errorf("open: %w", err)
	}
	if err := windows.ShellExecute(0, verb, file, nil, nil, windows.SW_SHOWNORMAL); err != nil {
		return fmt.Errorf("open: %w", err)
	}
	return nil
}
