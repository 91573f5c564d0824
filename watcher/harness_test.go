package watcher

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"lectern/watcher/internal/durable"
)

func TestMain(m *testing.M) {
	faultMain()
	if dir := os.Getenv(childEnv); dir != "" {
		os.Exit(child(dir))
	}
	goleak.VerifyTestMain(m)
}

// newWorkspace makes an empty workspace in a temporary folder.
func newWorkspace(t testing.TB) *Workspace {
	t.Helper()
	return openWorkspace(t, t.TempDir(), "finished", "archive")
}

func openWorkspace(t testing.TB, root, finished, archive string) *Workspace {
	t.Helper()
	check(t, Create(root))
	check(t, os.WriteFile(filepath.Join(root, SettingsFile), nil, 0o640))
	ws, err := Open(root, finished, archive)
	check(t, err)
	return ws
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// drop puts a recording into the inbox in one step, as a careful copy does, and
// returns its sha256.
func drop(t testing.TB, ws *Workspace, name, content string) string {
	t.Helper()
	path := filepath.Join(ws.Inbox, name)
	check(t, os.MkdirAll(filepath.Dir(path), 0o770))
	temp := filepath.Join(ws.Root, "dropping")
	check(t, os.WriteFile(temp, []byte(content), 0o640))
	check(t, os.Rename(temp, path))
	return sumOf([]byte(content))
}

func sumOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// The test recordings are text. One that begins with one of these words gets
// the answer the word says; anything else is whole.
const (
	arriving   = "ARRIVING"
	unfinished = "UNFINISHED"
	refused    = "REFUSED"
	badRaw     = "BADRAW"
	panics     = "PANICS"
	silent     = "SILENT"   // whole, but leaves no trace in the MP3
	promises   = "PROMISE " // followed by the size it will have, and a line end
)

// testHands are hands without audio: the finished file is the raws' bytes in order,
// so a test can read off it what it was made of.
func testHands() Hands { return Hands{Complete: testComplete, Sort: testSort, Make: testMake} }

func testComplete(path string) Completeness {
	data, err := os.ReadFile(path)
	if err != nil {
		return Completeness{State: Arriving, Says: err.Error()}
	}
	switch text := string(data); {
	case strings.HasPrefix(text, arriving):
		return Completeness{State: Arriving, Percent: 62}
	case strings.HasPrefix(text, promises):
		line, _, _ := strings.Cut(text[len(promises):], "\n")
		size, err := strconv.Atoi(line)
		if err != nil || len(text) < size {
			return Completeness{State: Arriving, Percent: 100 * float64(len(text)) / float64(max(size, 1))}
		}
	case strings.HasPrefix(text, unfinished):
		return Completeness{State: Unfinished}
	case strings.HasPrefix(text, refused):
		return Completeness{State: Refused, Says: "This is no WAV file. Export it as WAV."}
	}
	return Completeness{State: Whole, DurationS: 1}
}

var (
	endsInRole = regexp.MustCompile(`(?is)^(.+?) (take|part|pickup) ([0-9]+)$`)
	endsInCopy = regexp.MustCompile(`(?is)( - copy| \([0-9]+\))$`)
	isRoomTest = regexp.MustCompile(`(?i)^room test( |$)`)
)

func testSort(book, name string) Sorted {
	stem := strings.TrimSuffix(name, filepath.Ext(name))
	if isRoomTest.MatchString(stem) {
		return Sorted{Chapter: stem, Key: Fold(stem), Role: roleRoomTest}
	}
	if endsInCopy.MatchString(stem) {
		return Sorted{Chapter: stem, Key: Fold(stem), Role: roleChapter, Says: "This looks like a copy. Which one do you want?"}
	}
	if m := endsInRole.FindStringSubmatch(stem); m != nil {
		n, err := strconv.Atoi(m[3])
		if err == nil {
			return Sorted{Chapter: m[1], Key: Fold(m[1]), Role: strings.ToLower(m[2]), Number: n}
		}
	}
	return Sorted{Chapter: stem, Key: Fold(stem), Role: roleChapter}
}

func testMake(ctx context.Context, job Job) (Made, error) {
	var all []byte
	made := Made{File: filepath.Join(job.Dir, "made")}
	for _, r := range job.Raws {
		data, err := os.ReadFile(r.Path)
		if err != nil {
			return Made{}, err
		}
		switch {
		case strings.HasPrefix(string(data), badRaw):
			return Made{}, fmt.Errorf("analyze: %w", &BadRaw{Says: "There is no speech in it. Read it again."})
		case strings.HasPrefix(string(data), panics):
			panic("a fault of the chain")
		}
		made.RawSHA256 = append(made.RawSHA256, sumOf(data))
		switch {
		case r.Role == roleRoomTest:
			all = append(all, bytes.TrimSpace(data)...) // two tests may have one answer
		case string(data) != silent:
			all = append(all, data...)
		}
	}
	if s := job.Sample; s != nil {
		all = all[int(s.FromS):int(s.ToS)]
	}
	made.Bytes, made.SHA256 = int64(len(all)), sumOf(all)
	if err := writeFlushed(made.File, all); err != nil {
		return Made{}, err
	}
	if hasClip(job) {
		made.Beside = filepath.Join(job.Dir, "beside")
		clip := append([]byte("clip of "), all...)
		made.BesideSHA256 = sumOf(clip)
		if err := writeFlushed(made.Beside, clip); err != nil {
			return Made{}, err
		}
	}
	made.Papers = func(revision int, archivedAs []string) (Papers, error) {
		return testPapers(job, made, revision, archivedAs)
	}
	if job.Ask != nil {
		return testAnswer(job, made)
	}
	return made, ctx.Err()
}

// writeFlushed writes a file that a power cut does not take, as Hands.Make must.
func writeFlushed(path string, data []byte) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, durable.Flush(f), f.Close())
}

// testReport is what the tests read back of a report.
type testReport struct {
	State    string `json:"state"`
	Revision int    `json:"revision"`
	Verdict  string `json:"verdict"`
	Finished struct {
		SHA256      string `json:"sha256"`
		AudioSHA256 string `json:"audio_sha256"`
		Bytes       int64  `json:"bytes"`
	} `json:"finished"`
	Before struct {
		SHA256 string `json:"sha256"`
	} `json:"before"`
	Raws []recipeRaw `json:"raws"`
}

func testPapers(job Job, made Made, revision int, archivedAs []string) (Papers, error) {
	r := testReport{State: stateFinished, Revision: revision}
	r.Finished.SHA256, r.Before.SHA256 = made.SHA256, made.BesideSHA256
	data, err := os.ReadFile(made.File)
	if err != nil {
		return Papers{}, err
	}
	r.Finished.AudioSHA256, r.Finished.Bytes = sumOf(soundOf(data)), made.Bytes
	for i, raw := range job.Raws {
		r.Raws = append(r.Raws, recipeRaw{
			Role: raw.Role, Number: raw.Number, Name: strings.ToValidUTF8(raw.Name, "\ufffd"),
			NameHex: hex.EncodeToString([]byte(raw.Name)), ArchivedAs: archivedAs[i], SHA256: made.RawSHA256[i],
		})
	}
	p := Papers{Verdict: "pass", Says: "within all limits", RawsS: float64(len(job.Raws)), FinishedS: float64(made.Bytes)}
	for _, raw := range job.Raws {
		if strings.Contains(raw.Name, "Loud") {
			p.Verdict, p.Says, p.PleaseRead = "fail", "the room is too loud", []byte("The room is too loud.\n")
			p.Missed = []string{"noise_floor"}
		}
	}
	r.Verdict = p.Verdict
	if p.Report, err = json.Marshal(r); err != nil {
		return Papers{}, err
	}
	recipe := map[string]any{
		"book": job.Book, "chapter": job.Chapter, "raws": r.Raws, "revision": revision, "finished": r.Finished,
	}
	if job.Sample != nil {
		recipe["sample"] = job.Sample
	}
	if job.Ask != nil {
		for _, set := range job.Ask.Set {
			if !strings.HasPrefix(set, bar) {
				recipe["settings"] = set
			}
		}
	}
	p.Recipe, err = json.Marshal(recipe)
	return p, err
}

// quickly are settings with which the real clock costs a test little.
func quickly(t testing.TB, notice func(Event)) Settings {
	return Settings{
		Quiet: 30 * time.Millisecond, NetworkQuiet: 30 * time.Millisecond, UnfinishedWait: 60 * time.Millisecond,
		Rescan: time.Hour, FreeMarginBytes: 1, Notice: notice, LockDir: filepath.Join(t.TempDir(), "lock"),
	}
}

// watch runs the watcher until stop is called, which also checks for a clean
// end. Lines of log are collected.
func watch(t testing.TB, ws *Workspace, s Settings, hands Hands) (stop func(), lines *observer.ObservedLogs) {
	t.Helper()
	core, lines := observer.New(zapcore.InfoLevel)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- Run(ctx, ws, s, hands, zap.New(core)) }()
	return func() {
		t.Helper()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the watcher ended with: %v", err)
		}
	}, lines
}

// events collects what happens until n events of the given kinds have come.
type events struct {
	t     testing.TB
	queue chan Event
}

func newEvents(t testing.TB) *events { return &events{t, make(chan Event, 10000)} }

func (e *events) notice(x Event) { e.queue <- x }

func (e *events) wait(n int, kinds ...EventKind) (got []Event) {
	e.t.Helper()
	patience := time.After(20 * time.Second)
	for len(got) < n {
		select {
		case x := <-e.queue:
			for _, k := range kinds {
				if x.Kind == k {
					got = append(got, x)
				}
			}
		case <-patience:
			e.t.Fatalf("only %d of %d events %v came: %+v", len(got), n, kinds, got)
		}
	}
	return got
}

// messages returns the lines of log as text.
func messages(lines *observer.ObservedLogs) string {
	var b strings.Builder
	for _, l := range lines.All() {
		fmt.Fprintln(&b, l.Message, l.ContextMap())
	}
	return b.String()
}

// testLog swallows everything.
func testLog() *zap.Logger { return zap.NewNop() }
