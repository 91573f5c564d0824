package main

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// scriptCmds are the commands of the scripts that make what no text can hold.
var scriptCmds = map[string]func(*testscript.TestScript, bool, []string){
	"exits":    exits,
	"take":     take,
	"silence":  silence,
	"truncate": truncate,
	"nothing":  nothing,
	"waitfor":  waitfor,
	"waitgone": waitgone,
	"valid":    valid,
}

// take FILE N writes 2.5 s of the demo's reading, a different piece for each N.
// It appears under its name only when it is whole.
func take(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: take FILE N")
	}
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	path := ts.MkAbs(args[0])
	ts.Check(os.WriteFile(path+".part", shortTake(n), 0o640))
	ts.Check(os.Rename(path+".part", path))
}

// silence FILE SECONDS writes a WAV that holds nothing but zeros.
func silence(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: silence FILE SECONDS")
	}
	seconds, err := strconv.Atoi(args[1])
	ts.Check(err)
	wav := bytes.Clone(demoRaw[:44])
	data := make([]byte, 2*24000*seconds)
	binary.LittleEndian.PutUint32(wav[4:], uint32(36+len(data)))
	binary.LittleEndian.PutUint32(wav[40:], uint32(len(data)))
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), append(wav, data...), 0o640))
}

// truncate FILE BYTES cuts a file.
func truncate(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: truncate FILE BYTES")
	}
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	ts.Check(os.Truncate(ts.MkAbs(args[0]), n))
}

// nothing PATTERN... fails if a file matches.
func nothing(ts *testscript.TestScript, _ bool, args []string) {
	for _, pattern := range args {
		found, err := filepath.Glob(ts.MkAbs(pattern))
		ts.Check(err)
		if len(found) > 0 {
			ts.Fatalf("there is %v", found)
		}
	}
}

// waitfor FILE waits until a file is there, a minute at most.
func waitfor(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: waitfor FILE")
	}
	waitUntil(ts, args[0]+" did not appear", func() bool {
		_, err := os.Lstat(ts.MkAbs(args[0]))
		return err == nil
	})
}

// waitgone PATTERN waits until no file matches, a minute at most.
func waitgone(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: waitgone PATTERN")
	}
	waitUntil(ts, args[0]+" did not go away", func() bool {
		found, err := filepath.Glob(ts.MkAbs(args[0]))
		ts.Check(err)
		return len(found) == 0
	})
}

func waitUntil(ts *testscript.TestScript, failed string, done func() bool) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Minute)
	for !done() {
		select {
		case <-tick.C:
		case <-limit:
			ts.Fatalf("%s", failed)
		}
	}
}
