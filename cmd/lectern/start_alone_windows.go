package main

import (
	"bufio"
	"fmt"
	"os"
	"unsafe"

	"github.com/spf13/cobra"
	"golang.org/x/sys/windows"
)

var getConsoleProcessList = windows.NewLazySystemDLL("kernel32.dll").NewProc("GetConsoleProcessList")

// calledAlone tells whether the program was started by a double-click or the like: the
// window it writes into is then its own, and no shell's. It also takes away the command
// library's guard, which would end a program that was started so with a message.
func calledAlone() bool {
	cobra.MousetrapHelpText = ""
	return ownsWindow()
}

func ownsWindow() bool {
	var pids [2]uint32
	n, _, _ := getConsoleProcessList.Call(uintptr(unsafe.Pointer(&pids[0])), uintptr(len(pids)))
	return n == 1
}

// keepWindowOpen has the error read before the window goes, if the window goes with the
// program.
func keepWindowOpen(err error) error {
	if err == nil || !ownsWindow() || !isTerminal(os.Stderr) {
		return err
	}
	fmt.Fprintf(os.Stderr, "Lectern could not start, or had to stop:\n\n%s\nPress Enter to close this window.\n", plainText(err))
	bufio.NewReader(os.Stdin).ReadString('\n')
	return &exitError{code: exitCode(err)}
}
