package watcher

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
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
	made.Bytes, made.SHA256 = int64(len(all)), sumOf(all)
	if err := writeFlushed(made.File, all); err != nil {
		return Made{}, err
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
		SHA256 string `json:"sha256"`
	} `json:"finished"`
	Raws []recipeRaw `json:"raws"`
}

func testPapers(job Job, made Made, revision int, archivedAs []string) (Papers, error) {
	r := testReport{State: stateFinished, Revision: revision}
	r.Finished.SHA256 = made.SHA256
	for i, raw := range job.Raws {
		r.Raws = append(r.Raws, recipeRaw{
			Role: raw.Role, Number: raw.Number, Name: strings.ToValidUTF8(raw.Name, "\ufffd"),
			NameHex: hex.EncodeToString([]byte(raw.Name)), ArchivedAs: archivedAs[i], SHA256: made.RawSHA256[i],
		})
	}
	p := Papers{Verdict: "pass", Says: "within all limits"}
	for _, raw := range job.Raws {
		if strings.Contains(raw.Name, "Loud") {
			p.Verdict, p.Says, p.PleaseRead = "fail", "the room is too loud", []byte("The room is too loud.\n")
		}
	}
	r.Verdict = p.Verdict
	var err error
	if p.Report, err = json.Marshal(r); err != nil {
		return Papers{}, err
	}
	p.Recipe, err = json.Marshal(map[string]any{
		"book": job.Book, "chapter": job.Chapter, "raws": r.Raws, "revision": revision,
		"finished": map[string]string{"sha256": made.SHA256},
	})
	return p, err
}

// invariant is the oracle after every case: each dropped sum lies somewhere
// exactly as often as it was dropped; every report in finished/ names the finished
// file beside it, of the kind its raws ask for, and there is none without a report;
// every archived raw is named by a recipe, with its sum. idle adds: nothing is left
// in working/, no temporaries.
func invariant(ws *Workspace, dropped map[string]int, idle bool) error {
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	found := map[string]int{}
	count := func(root string, skip func(name string) bool) {
		walkErr := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || !e.Type().IsRegular() || skip(path) {
				return err
			}
			data, err := os.ReadFile(path)
			found[sumOf(data)]++
			return err
		})
		if walkErr != nil {
			fault("walk: %w", walkErr)
		}
	}
	notWAV := func(path string) bool { return kindOf(filepath.Base(path)) != wav }
	count(ws.Inbox, notWAV)
	count(ws.Archive, notWAV)
	count(ws.SetAside, notWAV)
	count(ws.Working, func(path string) bool { return filepath.Base(filepath.Dir(path)) != "new" })
	for sum, times := range dropped {
		if found[sum] != times {
			fault("a recording dropped %d times is there %d times (%.8s)", times, found[sum], sum)
		}
	}
	named := namedByRecipes(ws)
	for _, root := range []string{ws.Finished, ws.Archive} {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			if durable.IsTemp(e.Name()) {
				if idle {
					fault("temporary file %s", path)
				}
				return nil
			}
			return checkPaper(path, idle, named)
		})
		if err != nil {
			fault("%w", err)
		}
	}
	if idle {
		names, err := namesIn(ws.Working)
		if err != nil || len(names) > 0 {
			fault("working is not empty: %q %w", names, errors.Join(err))
		}
	}
	return errors.Join(faults...)
}

// checkPaper checks what one file of finished/ or archive/ promises.
func checkPaper(path string, idle bool, named map[string]bool) error {
	dir, name := filepath.Split(path)
	switch {
	case strings.HasSuffix(name, ".recipe.json"):
		var recipe struct {
			Raws []recipeRaw `json:"raws"`
		}
		if err := readJSON(path, &recipe); err != nil {
			return err
		}
		for _, r := range recipe.Raws {
			data, err := os.ReadFile(filepath.Join(dir, r.ArchivedAs))
			if errors.Is(err, fs.ErrNotExist) && !idle {
				continue // the recipe comes first
			}
			if err != nil || sumOf(data) != r.SHA256 {
				return fmt.Errorf("%s names a raw that is not there: %w", name, errors.Join(err))
			}
		}
	case strings.HasSuffix(name, ".json"):
		var report testReport
		if err := readJSON(path, &report); err != nil {
			return err
		}
		data, err := os.ReadFile(strings.TrimSuffix(path, ".json") + endingFor(report.Raws[0].Role))
		if errors.Is(err, fs.ErrNotExist) && !idle && filepath.Base(filepath.Dir(path)) != "superseded" {
			return nil // the earlier file has moved, its report follows
		}
		if err != nil || sumOf(data) != report.Finished.SHA256 {
			return fmt.Errorf("%s does not name its file: %w", name, errors.Join(err))
		}
	case strings.HasSuffix(name, pleaseRead):
	case (strings.HasSuffix(name, endingMP3) || strings.HasSuffix(name, endingText)) && idle:
		if report := strings.TrimSuffix(path, filepath.Ext(path)) + ".json"; !exists(report) {
			return fmt.Errorf("%s has no report", name)
		}
	case strings.HasSuffix(name, ".wav") && idle:
		if !named[Fold(path)] { // some disks spell names in their own way
			return fmt.Errorf("no recipe names %q", name)
		}
	}
	return nil
}

// namedByRecipes returns the paths of all raws that a recipe beside them names.
func namedByRecipes(ws *Workspace) map[string]bool {
	named := map[string]bool{}
	_ = filepath.WalkDir(ws.Archive, func(path string, e fs.DirEntry, err error) error {
		var recipe struct {
			Raws []recipeRaw `json:"raws"`
		}
		if err == nil && strings.HasSuffix(path, ".recipe.json") && readJSON(path, &recipe) == nil {
			for _, r := range recipe.Raws {
				named[Fold(filepath.Join(filepath.Dir(path), r.ArchivedAs))] = true
			}
		}
		return nil // what cannot be read names nothing, and is found out by checkPaper
	})
	return named
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
