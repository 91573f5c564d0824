package watcher

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
)

// asked is one Ask about the chapter of asks, and what finished/Tides holds after it.
type asked struct {
	name    string
	before  func(t testing.TB, ws *Workspace) // what happened to the files
	sound   bool                              // what happened is nothing to remark on
	about   string                            // 03 Loud, if empty
	apart   bool                              // finished and archive lie on disks of their own
	ask     Ask
	want    map[string]string // names in finished/Tides, with their content if not empty
	refused string
}

// asks are about 03 Loud, whose revision 1 is "loud" and revision 2 "louder"; samples are
// cut from it.
var asks = slices.Concat(asksForChapters, asksForWords, asksForSamples)

var asksForChapters = []asked{
	{
		name: "remake without a change", ask: Ask{Kind: Remake},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake of a file that was moved away", ask: Ask{Kind: Remake},
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.Remove(filepath.Join(ws.Finished, "Tides", "03 Loud.mp3")))
			check(t, os.Remove(filepath.Join(ws.Finished, "Tides", "03 Loud.json")))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake of a file somebody has changed", ask: Ask{Kind: Remake},
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.WriteFile(filepath.Join(ws.Finished, "Tides", "03 Loud.mp3"), []byte("hers"), 0o640))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.found.mp3": "hers"},
	},
	{
		name: "remake with other settings", ask: Ask{Kind: Remake, Set: []string{"!"}},
		want: map[string]string{"03 Loud.mp3": "louder!", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "bring back", ask: Ask{Kind: BringBack, Revision: 1},
		want: map[string]string{"03 Loud.mp3": "loud", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "bring back what is the newest", ask: Ask{Kind: BringBack, Revision: 2}, refused: "is the newest already",
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "rename", ask: Ask{Kind: Rename, NewName: "04 Loud"},
		want: map[string]string{"04 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "rename to a name that is taken", ask: Ask{Kind: Rename, NewName: "04 Loud"}, refused: "there is a finished 04 Loud already",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.WriteFile(filepath.Join(ws.Finished, "Tides", "04 Loud.json"), []byte("{}"), 0o640))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "rename to another spelling", ask: Ask{Kind: Rename, NewName: "03 LOUD"}, refused: "are one name",
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "settle, and it sounds the same", ask: Ask{Kind: Settle, Answers: json.RawMessage(`["kept"]`), Did: "kept something"},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "settle, and it sounds otherwise", ask: Ask{Kind: Settle, Answers: json.RawMessage(`["cut"]`), Did: "cut something", Set: []string{"!"}},
		want: map[string]string{"03 Loud.mp3": "louder!", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "settle what is not in finished", ask: Ask{Kind: Settle}, refused: "there is no report of it",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.Remove(filepath.Join(ws.Finished, "Tides", "03 Loud.json")))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "withdraw", ask: Ask{Kind: Withdraw},
		want: map[string]string{"superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder"},
	},
	{
		name: "remake without its recording", ask: Ask{Kind: Remake}, refused: "also needs 03 Loud.r2.wav from the archive",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.Rename(filepath.Join(ws.Archive, "Tides", "03 Loud.r2.wav"), filepath.Join(ws.Root, "elsewhere.wav")))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
}

// withTwoRevisions makes a workspace in which 03 Loud was finished twice.
func withTwoRevisions(t testing.TB, a asked) *Workspace {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "ask")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	ws := openWorkspace(t, root, "finished", "archive")
	for _, content := range []string{"loud", "louder"} {
		drop(t, ws, "Tides/03 Loud.wav", content)
		check(t, drive(ws, &dyingDisk{}))
	}
	if a.before != nil {
		a.before(t, ws)
	}
	return ws
}

// copyOf copies a workspace.
func copyOf(t testing.TB, ws *Workspace) *Workspace {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "ask")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	check(t, os.CopyFS(root, os.DirFS(ws.Root)))
	copied, err := Open(root, "finished", "archive")
	check(t, err)
	return copied
}

func doAsk(ws *Workspace, disk *dyingDisk, a asked) (Outcome, error) {
	f, err := filedFor(ws, a)
	if err != nil {
		return Outcome{}, err
	}
	disk.apart = apartOf(ws, a.apart)
	return Do(context.Background(), ws, Settings{fs: disk, FreeMarginBytes: 1}, testHands(), zap.NewNop(), f, a.ask)
}

// filedFor finds what is asked about. A sample need not be there.
func filedFor(ws *Workspace, a asked) (Filed, error) {
	all, err := ws.Filed()
	if err != nil {
		return Filed{}, err
	}
	chapter := cmp.Or(a.about, "03 Loud")
	for _, f := range all {
		if f.Chapter == chapter {
			return f, nil
		}
	}
	if a.ask.Kind == CutSample {
		return Filed{Book: "Tides", Chapter: chapter}, nil
	}
	return Filed{}, fmt.Errorf("%s is not among %v", chapter, all)
}

// checkAsked compares finished/Tides with what must be there.
func checkAsked(ws *Workspace, a asked) error {
	dir := filepath.Join(ws.Finished, "Tides")
	made, err := filepath.Glob(filepath.Join(dir, "*.mp3"))
	if err != nil {
		return err
	}
	earlier, err := filepath.Glob(filepath.Join(dir, "superseded", "*.mp3"))
	if err != nil {
		return err
	}
	var faults []error
	for _, path := range append(made, earlier...) {
		name, err := filepath.Rel(dir, path)
		data, readErr := os.ReadFile(path)
		want, known := a.want[filepath.ToSlash(name)]
		if err := errors.Join(err, readErr); err != nil || !known || string(data) != want {
			faults = append(faults, fmt.Errorf("%s holds %q, want %q (%w)", name, data, want, errors.Join(err)))
		}
	}
	if len(made)+len(earlier) != len(a.want) {
		faults = append(faults, fmt.Errorf("there are %q and %q, want %v", made, earlier, a.want))
	}
	return errors.Join(faults...)
}

// soundInArchive is the oracle for the raws: both are in the archive, wherever else.
func soundInArchive(ws *Workspace) error {
	var faults []error
	for name, content := range map[string]string{"03 Loud.r1.wav": "loud", "03 Loud.r2.wav": "louder"} {
		data, err := os.ReadFile(filepath.Join(ws.Archive, "Tides", name))
		if err != nil || string(data) != content {
			faults = append(faults, fmt.Errorf("%s holds %q (%w)", name, data, errors.Join(err)))
		}
	}
	return errors.Join(faults...)
}

func TestAsk(t *testing.T) {
	for _, a := range asks {
		t.Run(a.name, func(t *testing.T) {
			ws := withTwoRevisions(t, a)
			_, err := doAsk(ws, &dyingDisk{}, a)
			var refused *RefusedError
			switch {
			case a.refused == "" && err != nil:
				t.Fatal(err)
			case a.refused != "" && (!errors.As(err, &refused) || !strings.Contains(refused.Says, a.refused)):
				t.Fatalf("got %v, want a refusal with %q", err, a.refused)
			}
			if err := checkAsked(ws, a); err != nil {
				t.Error(err)
			}
			if names, err := namesIn(ws.Working); err != nil || len(names) > 0 {
				t.Errorf("left in working: %v %v", names, err)
			}
			if a.refused == "" {
				if err := clipsRight(ws); err != nil {
					t.Error(err)
				}
			}
			if a.before == nil || a.sound {
				if err := errors.Join(soundInArchive(ws), invariant(ws, nil, true)); err != nil {
					t.Error(err)
				}
				if got := audited(t, ws); !got.Clean {
					t.Errorf("audit: %+v", got.Exceptions)
				}
			}
		})
	}
}

// TestAskCrash lets the computer die at every call of the disk, and once more while
// the next start goes on: in the end what was asked is done, or nothing has changed.
func TestAskCrash(t *testing.T) {
	every := 37
	if os.Getenv("LECTERN_LONG") != "" {
		every = 1
	}
	for _, a := range asks {
		if a.refused != "" {
			continue
		}
		t.Run(a.name, func(t *testing.T) {
			t.Parallel()
			undone := asked{want: map[string]string{}}
			ws := withTwoRevisions(t, a)
			for _, pattern := range []string{"*.mp3", "superseded/*.mp3"} {
				found, err := filepath.Glob(filepath.Join(ws.Finished, "Tides", pattern))
				check(t, err)
				for _, path := range found {
					name, err := filepath.Rel(filepath.Join(ws.Finished, "Tides"), path)
					check(t, err)
					data, err := os.ReadFile(path)
					check(t, err)
					undone.want[filepath.ToSlash(name)] = string(data)
				}
			}
			clean := &dyingDisk{}
			_, err := doAsk(copyOf(t, ws), clean, a)
			check(t, err)
			before := ws
			runs, done := 0, 0
			step := 1
			if a.before != nil && every > 1 {
				step = 3 // what others do at every call, with a history of its own
			}
			for first := 1; first <= clean.calls; first += step {
				for second := first % every; second <= clean.calls; second += every {
					ws := copyOf(t, before)
					_, _ = doAsk(ws, &dyingDisk{dieAt: first}, a) // it dies
					if second > 0 {
						_ = drive(ws, &dyingDisk{dieAt: second, apart: apartOf(ws, a.apart)}) // and again, or is through before
					}
					check(t, drive(ws, &dyingDisk{apart: apartOf(ws, a.apart)}))
					if err := checkAsked(ws, a); err == nil {
						done++
					} else if notErr := checkAsked(ws, undone); notErr != nil {
						t.Fatalf("died at call %d, then %d: neither done (%v) nor undone (%v)", first, second, err, notErr)
					}
					if err := soundInArchive(ws); err != nil {
						t.Fatalf("died at call %d, then %d: %v", first, second, err)
					}
					if names, err := namesIn(ws.Working); err != nil || len(names) > 0 {
						t.Fatalf("died at call %d, then %d: left in working: %v %v", first, second, names, err)
					}
					if a.before == nil || a.sound {
						if err := invariant(ws, nil, true); err != nil {
							t.Fatalf("died at call %d, then %d: %v", first, second, err)
						}
						if got := audited(t, ws); !got.Clean {
							t.Fatalf("died at call %d, then %d: audit: %+v", first, second, got.Exceptions)
						}
					}
					runs++
					check(t, os.RemoveAll(ws.Root))
				}
			}
			if done == 0 {
				t.Error("it was never done after a crash")
			}
			t.Logf("%d calls of the disk, %d runs with one or two crashes, done in %d", clean.calls, runs, done)
		})
	}
}

// While a chapter is in work nothing can be asked for it, and while something is
// asked for it no new recording of it is claimed.
func TestAskAndClaimKeepApart(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	all, err := ws.Filed()
	check(t, err)
	d := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	j, err := d.makeAsk(all[0], Ask{Kind: Withdraw})
	check(t, err)
	var refused *RefusedError
	if _, err := d.makeAsk(all[0], Ask{Kind: Remake}); !errors.As(err, &refused) {
		t.Errorf("a second ask: %v, want a refusal", err)
	}
	drop(t, ws, "Tides/03 Loud.wav", "the loudest")
	info, err := os.Lstat(filepath.Join(ws.Inbox, "Tides", "03 Loud.wav"))
	check(t, err)
	b := batch{Key: j.Key, Book: "Tides", Chapter: "03 Loud", Raws: []origRaw{{Name: "03 Loud.wav", NameHex: "3033204c6f75642e776176", Role: roleChapter, Look: lookAt(info)}}}
	if _, err := d.claim(b); !errors.Is(err, errLost) {
		t.Errorf("a claim: %v, want errLost", err)
	}
	check(t, d.removeJob(j))
	claimed, err := d.claim(b)
	check(t, err)
	if _, err := d.makeAsk(all[0], Ask{Kind: Remake}); !errors.As(err, &refused) {
		t.Errorf("an ask about a claimed chapter: %v, want a refusal", err)
	}
	check(t, d.work(context.Background(), claimed))
}

// What a Settle answers reaches the hands as it was given, with the newest recipe, also
// when another process takes the job over; and it is told in its own words.
func TestSettleHandsOnTheAnswers(t *testing.T) {
	ask := Ask{Kind: Settle, Answers: json.RawMessage(`[{"raw_sha256":"aa","cut":true}]`), Did: "cut what was read twice at 3:12"}
	ws := withTwoRevisions(t, asked{})
	all, err := ws.Filed()
	check(t, err)
	report, err := ws.ReportOf(all[0])
	check(t, err)
	if want := filepath.Join(ws.Finished, "Tides", "03 Loud.json"); report != want {
		t.Errorf("the report is %s, want %s", report, want)
	}
	asleep := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	j, err := asleep.makeAsk(all[0], ask)
	check(t, err)
	check(t, writeLease(j.Dir, owner{Released: true}))

	var got Job
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		got = job
		return testMake(ctx, job)
	}
	check(t, driveWith(ws, &dyingDisk{}, hands))
	var answers bytes.Buffer // a job's folder holds them with other spaces
	if got.Ask == nil {
		t.Fatal("nothing was asked of the hands")
	}
	check(t, json.Compact(&answers, got.Ask.Answers))
	recipe := filepath.Join(ws.Archive, "Tides", "03 Loud.r2.recipe.json")
	if answers.String() != string(ask.Answers) || got.Ask.Did != ask.Did || got.Kept.Recipe != recipe || got.Recipe != recipe {
		t.Errorf("the hands were given %s, %q, %+v, %s", answers.String(), got.Ask.Did, got.Kept, got.Recipe)
	}
	out, err := doAsk(ws, &dyingDisk{}, asked{ask: ask})
	if err != nil || out.Did != ask.Did || out.Revision != 4 {
		t.Errorf("it ended as %+v, %v", out, err)
	}
	var r testReport
	check(t, readJSON(report, &r))
	if r.Revision != 4 { // of three that sound the same
		t.Errorf("the report in finished is of revision %d", r.Revision)
	}
}
