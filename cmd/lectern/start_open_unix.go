//go:build !windows

package main

import (
	"fmt"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// openPatience is how long the system's opener is waited for, to learn whether it could
// do it. One that runs on has become the browser. Our choice.
const openPatience = 5 * time.Second

// openWithSystem has the system open a file, given by its absolute path, with what the
// person has chosen for such files. It is the only place that starts another program.
func openWithSystem(path string) error {
	name := "xdg-open"
	if runtime.GOOS == "darwin" {
		name = "open"
	}
	program, err := exec.LookPath(name)
	if err != nil {
		return fmt.Errorf("find what opens files: %w", err)
	}
	cmd := exec.Command(program, path)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} // so that Ctrl-C here ends no browser
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("open: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case err := <-ended:
		if err != nil {
			return fmt.Errorf("open: %w", err)
		}
	case <-time.After(openPatience):
	}
	return nil
}
