package main

import (
	"errors"
	"os/exec"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"lectern": main})
}

// TestScripts runs each file in testdata/script as a user at a terminal would:
// files in, commands, then what stands where and what was said.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:  "../../testdata/script",
		Cmds: scriptCmds,
	})
}

// exits CODE PROGRAM ARGS... runs a program that must end with that very code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE PROGRAM ARGS...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var ended *exec.ExitError
		if !errors.As(err, &ended) {
			ts.Fatalf("run %s: %v", args[1], err)
		}
		got = ended.ExitCode()
	}
	if got != want {
		ts.Fatalf("%v ended with %d, want %d", args[1:], got, want)
	}
}
