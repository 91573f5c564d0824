package main

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// scriptCmds are the commands of the scripts that make what no text can hold.
var scriptCmds = map[string]func(*testscript.TestScript, bool, []string){
	"exits":    exits,
	"take":     take,
	"silence":  silence,
	"room":     room,
	"reading":  reading,
	"truncate": truncate,
	"nothing":  nothing,
	"waitfor":  waitfor,
	"waitgone": waitgone,
	"valid":    valid,

	"readtwice": readtwice,
}

// take FILE N writes 2.5 s of the demo's reading, a different piece for each N.
func take(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: take FILE N")
	}
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	drop(ts, args[0], shortTake(n))
}

// silence FILE SECONDS writes a WAV that holds nothing but zeros.
func silence(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: silence FILE SECONDS")
	}
	seconds, err := strconv.Atoi(args[1])
	ts.Check(err)
	drop(ts, args[0], wav24(make([]int16, 24000*seconds)))
}

// room FILE DBFS SECONDS writes the even noise of a room.
func room(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 3 {
		ts.Fatalf("usage: room FILE DBFS SECONDS")
	}
	dbfs, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	seconds, err := strconv.Atoi(args[2])
	ts.Check(err)
	samples := make([]int16, 24000*seconds)
	addRoom(samples, dbfs)
	drop(ts, args[0], wav24(samples))
}

// reading FILE [ROOM] writes the demo's whole reading; with ROOM, in dBFS, as it is
// from farther off: duller, and in a room that is so much louder.
func reading(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 && len(args) != 2 {
		ts.Fatalf("usage: reading FILE [ROOM]")
	}
	samples := make([]int16, len(demoRaw[44:])/2)
	for i := range samples {
		samples[i] = int16(binary.LittleEndian.Uint16(demoRaw[44+2*i:]))
	}
	if len(args) == 2 {
		dbfs, err := strconv.ParseFloat(args[1], 64)
		ts.Check(err)
		low := 0.0 // a first-order low-pass at 1 kHz, two parts of three
		for i, v := range samples {
			low += (1 - math.Exp(-2*math.Pi*1000/24000)) * (float64(v) - low)
			samples[i] = int16(math.Round(float64(v)/3 + 2*low/3))
		}
		addRoom(samples, dbfs)
	}
	drop(ts, args[0], wav24(samples))
}

// addRoom adds noise of a plain RMS, the same each time, with more low than high.
func addRoom(samples []int16, dbfs float64) {
	rng := rand.New(rand.NewPCG(5, 6))
	noise := make([]float64, len(samples))
	var low, sum float64
	for i := range noise {
		low += 0.1 * (rng.NormFloat64() - low)
		noise[i] = low
		sum += low * low
	}
	gain := 32768 * math.Pow(10, dbfs/20) / math.Sqrt(sum/float64(len(noise)))
	for i, v := range noise {
		samples[i] += int16(math.Round(v * gain))
	}
}

// wav24 makes a WAV of 16 bit, 24 kHz, mono, as the demo's.
func wav24(samples []int16) []byte {
	wav := bytes.Clone(demoRaw[:44])
	binary.LittleEndian.PutUint32(wav[4:], uint32(36+2*len(samples)))
	binary.LittleEndian.PutUint32(wav[40:], uint32(2*len(samples)))
	for _, v := range samples {
		wav = binary.LittleEndian.AppendUint16(wav, uint16(v))
	}
	return wav
}

// drop writes a recording that appears under its name only when it is whole.
func drop(ts *testscript.TestScript, name string, wav []byte) {
	path := ts.MkAbs(name)
	ts.Check(os.WriteFile(path+".part", wav, 0o640))
	ts.Check(os.Rename(path+".part", path))
}

// readtwice REPORT writes into a report that the chain has found three passages read
// twice: one to ask about, one a person has cut, one cut by its marks.
func readtwice(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: readtwice REPORT")
	}
	path := ts.MkAbs(args[0])
	r, err := readReport(path)
	ts.Check(err)
	at := func(s report.Seconds) *report.Seconds { return &s }
	again := func(number int, state string, fromS report.Seconds) report.Retake {
		return report.Retake{
			Number: number, State: state, FromS: fromS, ToS: fromS + 0.2, AgainS: fromS + 0.3, AgainToS: fromS + 0.5,
			FinishedAgainS: at(fromS + 60), Likeness: 7, Says: "This seems to be read twice.",
		}
	}
	r.Retakes = []report.Retake{again(1, takes.Asked, 0.2), again(2, takes.Cut, 1), again(3, takes.Marked, 1.5)}
	r.Retakes[0].FinishedAtS = at(192)
	text, err := report.Marshal(r)
	ts.Check(err)
	ts.Check(os.WriteFile(path, text, 0o640))
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
	limit := time.After(4 * time.Minute)
	for !done() {
		select {
		case <-tick.C:
		case <-limit:
			ts.Fatalf("%s", failed)
		}
	}
}
