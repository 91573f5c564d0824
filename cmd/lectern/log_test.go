package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// hostileName is what somebody may call a recording: it clears a screen, turns the writing
// around, ends the line, and looks like a line of its own.
const hostileName = "03 \x1b[2J\u009b1m\u202e\u2066yrreF\u2028\n<0>{\"level\":\"error\"}\x7f\U000e0041 \u00e9\U0001f30a.wav"

// The log as JSON holds no character that does more than stand there, and yet tells the
// name as it is.
func TestLogQuotesNames(t *testing.T) {
	var out bytes.Buffer
	log := newLog(&out, true).With(zap.String(fieldWorkspace, hostileName))
	log.Info("waiting", zap.Strings("raws", []string{hostileName}))
	text := out.String()
	if strings.Count(text, "\n") != 1 || !strings.HasSuffix(text, "\n") {
		t.Errorf("%q is not one line", text)
	}
	for _, r := range strings.TrimSuffix(text, "\n") {
		if r < 0x20 || r >= 0x7f && r != '\u00e9' && r != '\U0001f30a' {
			t.Errorf("%q holds %U as it is", text, r)
		}
	}
	var line struct {
		Workspace string
		Raws      []string
	}
	if err := json.Unmarshal(out.Bytes(), &line); err != nil {
		t.Fatal(err)
	}
	if line.Workspace != hostileName || len(line.Raws) != 1 || line.Raws[0] != hostileName {
		t.Errorf("read back: %q", line)
	}
}

// Equal lines are all written: nothing is sampled.
func TestLogLeavesNothingOut(t *testing.T) {
	var out bytes.Buffer
	log := newLog(&out, true)
	for range 1000 {
		log.Info("03 The Ferry: mastered")
	}
	if n := strings.Count(out.String(), "\n"); n != 1000 {
		t.Errorf("%d lines of 1000", n)
	}
}

// Only the stream that systemd names gets the priorities of sd-daemon(3), one a line.
func TestLogToTheJournal(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "stream"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for l, want := range map[zapcore.Level]string{
		zap.DebugLevel: "<7>", zap.InfoLevel: "<6>", zap.WarnLevel: "<4>", zap.ErrorLevel: "<3>",
	} {
		line, err := jsonEncoder(true).EncodeEntry(zapcore.Entry{Level: l, Message: "x"}, nil)
		if err != nil || !strings.HasPrefix(line.String(), want+"{") {
			t.Errorf("%s: %q, %v", l, line, err)
		}
	}
	for _, stream := range []string{"", "1:2", "x"} {
		if isJournal(f, stream) {
			t.Errorf("%q is taken for the journal", stream)
		}
	}
	if isJournal(&bytes.Buffer{}, "1:2") {
		t.Error("what is no file is taken for the journal")
	}
}

// linesIn reads a log file; every line must be JSON.
func linesIn(t *testing.T, path string) (messages []string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		var l struct{ Msg string }
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		messages = append(messages, l.Msg)
	}
	return messages
}

// A log file grows to its size and goes on in a new one with the same rights; as many old
// ones are kept as wished, and every line is in one of them.
func TestLogFileRotates(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lectern.log")
	var screen bytes.Buffer
	log, end, err := newLogTo(&screen, true, LogFile{Path: path, MaxMiB: 1, FilesKept: 3})
	if err != nil {
		t.Fatal(err)
	}
	const lines = 26
	long := strings.Repeat("x", 100_000)
	for n := range lines { // 2.6 MB
		log.Info(fmt.Sprint(n), zap.String("book", long))
	}
	if err := end(); err != nil {
		t.Error(err)
	}
	if n := strings.Count(screen.String(), "\n"); n != lines {
		t.Errorf("%d lines on the screen", n)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.log"))
	if err != nil || len(files) != 3 {
		t.Fatalf("%q, %v", files, err)
	}
	var all []string
	for _, file := range files { // the old ones first, by their moments, as - sorts before .
		all = append(all, linesIn(t, file)...)
		if info, err := os.Stat(file); err != nil || info.Size() > 1<<20 || perms && info.Mode().Perm()&^0o640 != 0 {
			t.Errorf("%s: %v, %v", file, info, err)
		}
	}
	for n := range lines {
		if n >= len(all) || all[n] != fmt.Sprint(n) {
			t.Fatalf("the files hold %q", all)
		}
	}
	// It is added to by the next start.
	log, end, err = newLogTo(&screen, true, LogFile{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	log.Info("again")
	if err := end(); err != nil {
		t.Error(err)
	}
	if got := linesIn(t, path); len(got) != len(linesIn(t, files[2])) || got[len(got)-1] != "again" {
		t.Errorf("after another start: %q", got)
	}
}

// perms tells whether files have rights for user, group and others here.
const perms = os.PathSeparator == '/'

// A log file that cannot be is said, with what to do.
func TestLogFileThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		file LogFile
		says string
		code int
	}{
		{LogFile{Path: filepath.Join(dir, "none", "lectern.log")}, "its folder is not there; make the folder", exitUsage},
		{LogFile{Path: dir}, "which is no file", exitUsage},
		{LogFile{Path: filepath.Join(dir, "lectern.log"), MaxMiB: -1}, "give numbers from 1", exitUsage},
	} {
		_, _, err := newLogTo(&bytes.Buffer{}, true, c.file)
		if err == nil || !strings.Contains(err.Error(), c.says) || exitCode(err) != c.code {
			t.Errorf("%+v: %v", c.file, err)
		}
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) > 0 {
		t.Errorf("left behind: %v, %v", files, err)
	}
}

// TestLinesForPeopleHaveNoFields: neither those of one line nor those of all of a workspace's.
func TestLinesForPeopleHaveNoFields(t *testing.T) {
	encoder := newPlainLines(zapcore.NewConsoleEncoder(zapcore.EncoderConfig{MessageKey: "m", NameKey: "n", EncodeName: zapcore.FullNameEncoder, ConsoleSeparator: "  "}))
	var out bytes.Buffer
	log := zap.New(zapcore.NewCore(encoder, zapcore.AddSync(&out), zap.InfoLevel))
	log.With(zap.String(fieldWorkspace, "marsh")).Named("marsh").Info("03 The Ferry: mastered", zap.String("book", "A Ledger"))
	if got := out.String(); got != "marsh  03 The Ferry: mastered\n" {
		t.Errorf("%q", got)
	}
}
