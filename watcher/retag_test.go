package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
)

// diesBefore returns a disk that dies before a call of words, as told by its log.
func diesBefore(t *testing.T, ask Ask, call string) *dyingDisk {
	t.Helper()
	clean := &dyingDisk{}
	_, err := doAsk(withTwoRevisions(t, asked{}), clean, asked{ask: ask})
	check(t, err)
	at := slices.Index(clean.log, call)
	if at < 0 {
		t.Fatalf("no call %q in %q", call, clean.log)
	}
	return &dyingDisk{dieAt: at + 1}
}

func content(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return ""
	}
	check(t, err)
	return string(data)
}

// What she does to the pair after a crash and before the next start is hers.
func TestWordsHeldUpByACrashAndByHer(t *testing.T) {
	hers := func(ending string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			check(t, os.WriteFile(loudIn(ws, ending), []byte("hers"), 0o640))
		}
	}
	away := func(ending string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) { check(t, os.Remove(loudIn(ws, ending))) }
	}
	for _, c := range []struct {
		name, diesAt string
		do           func(*testing.T, *Workspace)
		mp3          string
		isNew        bool // the report tells of the new words
		aside        string
	}{
		{"neither is done, and the MP3 is changed", "replace 03 Loud.mp3", hers(".mp3"), "hers", false, ""},
		{"neither is done, and the MP3 is gone", "replace 03 Loud.mp3", away(".mp3"), "", false, ""},
		{"neither is done, and the MP3 is empty", "replace 03 Loud.mp3", func(t *testing.T, ws *Workspace) {
			check(t, os.WriteFile(loudIn(ws, ".mp3"), nil, 0o640))
		}, "", false, ""},
		{"the MP3 is done, and it is changed", "replace 03 Loud.json", hers(".mp3"), "hers", true, ""},
		{"the MP3 is done, and it is gone", "replace 03 Loud.json", away(".mp3"), "", true, ""},
		{"the MP3 is done, and the report is changed", "replace 03 Loud.json", hers(".json"), "louder|new", true, "hers"},
		{"the MP3 is done, and the report is gone", "replace 03 Loud.json", away(".json"), "louder|new", true, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			ws := withTwoRevisions(t, asked{})
			disk := diesBefore(t, words("new"), c.diesAt)
			if _, err := doAsk(ws, disk, asked{ask: words("new")}); err == nil {
				t.Fatal("it did not die")
			}
			c.do(t, ws)
			check(t, drive(ws, &dyingDisk{}))
			if names, err := namesIn(ws.Working); err != nil || len(names) > 0 {
				t.Errorf("left in working: %v %v", names, err)
			}
			if got := content(t, loudIn(ws, ".mp3")); got != c.mp3 || strings.Contains(c.name, "empty") && !exists(loudIn(ws, ".mp3")) {
				t.Errorf("the MP3 is %q, want %q", got, c.mp3)
			}
			var r testReport
			check(t, readJSON(loudIn(ws, ".json"), &r))
			want := sumOf([]byte("louder"))
			if c.isNew {
				want = sumOf([]byte("louder|new"))
			}
			if r.Finished.SHA256 != want {
				t.Errorf("the report tells of %s, want %s", r.Finished.SHA256, want)
			}
			if got := content(t, filepath.Join(ws.Finished, "Tides", "superseded", "03 Loud.found.json")); got != c.aside {
				t.Errorf("put aside: %q, want %q", got, c.aside)
			}
		})
	}
}

// An MP3 that is changed in the moment between the look and the step is left alone, and
// that is said.
func TestWordsIntoAFileThatChangesMeanwhile(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	report := content(t, loudIn(ws, ".json"))
	f, err := filedFor(ws, asked{})
	check(t, err)
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		made, err := testMake(ctx, job)
		return made, errors.Join(err, os.WriteFile(loudIn(ws, ".mp3"), []byte("hers"), 0o640))
	}
	_, err = Do(context.Background(), ws, Settings{FreeMarginBytes: 1}, hands, zap.NewNop(), f, words("new"))
	var refused *RefusedError
	if !errors.As(err, &refused) || !strings.Contains(refused.Says, "changed by hand just now") {
		t.Errorf("it ended with %v", err)
	}
	if got := content(t, loudIn(ws, ".mp3")); got != "hers" || content(t, loudIn(ws, ".json")) != report {
		t.Errorf("the MP3 is %q; the report the same: %v", got, content(t, loudIn(ws, ".json")) == report)
	}
	if names, err := namesIn(ws.Working); err != nil || len(names) > 0 {
		t.Errorf("left in working: %v %v", names, err)
	}
}

// The recipe stays as it is, the note too, and no revision is made.
func TestWordsChangeNothingElse(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	note, recipe := loudIn(ws, pleaseRead), filepath.Join(ws.Archive, "Tides", "03 Loud.r2.recipe.json")
	was := content(t, note) + content(t, recipe)
	out, err := doAsk(ws, &dyingDisk{}, asked{ask: words("new")})
	check(t, err)
	if out.Revision != 2 || out.Did != "its words were written anew" || out.Verdict != "fail" {
		t.Errorf("it ended as %+v", out)
	}
	if content(t, note)+content(t, recipe) != was || was == "" {
		t.Error("the note or the recipe is another")
	}
	names, err := namesIn(filepath.Join(ws.Archive, "Tides"))
	if err != nil || len(names) != 4 {
		t.Errorf("the archive holds %q %v", names, err)
	}
	out, err = doAsk(ws, &dyingDisk{}, asked{ask: words("new")})
	if err != nil || out.Did != "unchanged" || out.Revision != 2 {
		t.Errorf("once more it ended as %+v, %v", out, err)
	}
}

// A plan replaces nothing but finished files.
func TestPlanThatReplacesWhatItMustNot(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	f, err := filedFor(ws, asked{})
	check(t, err)
	d := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	for in, allowed := range map[string]bool{"finished": true, "archive": false, "setaside": false, "job": false} {
		j, err := d.makeAsk(f, words("new"))
		check(t, err)
		data, err := json.Marshal(plan{Steps: []step{{
			From: place{"job", "x"}, To: place{in, "Tides/03 Loud.r1.wav"}, Replaces: sumOf([]byte("loud")),
		}}})
		check(t, err)
		check(t, os.WriteFile(j.path("plan.json"), data, 0o640))
		if _, err := d.readPlan(j); (err == nil) != allowed || err != nil && !errors.Is(err, errNotJSON) {
			t.Errorf("a plan that replaces something in %s: %v", in, err)
		}
		check(t, os.RemoveAll(j.Dir))
	}
}

// Whoever keeps a book's files hears of all that changes finished, also where a job that
// another process began is gone on with.
func TestEventsOfWhatIsAsked(t *testing.T) {
	for _, a := range []asked{
		{ask: words("new")}, {ask: Ask{Kind: Withdraw}}, {ask: Ask{Kind: Rename, NewName: "04 Loud"}},
		{ask: Ask{Kind: Remake, Set: []string{"!"}}}, {ask: cut(0, 3), about: "Sample"},
	} {
		ws := withTwoRevisions(t, asked{})
		clean := &dyingDisk{}
		_, err := doAsk(copyOf(t, ws), clean, a)
		check(t, err)
		_, _ = doAsk(ws, &dyingDisk{dieAt: clean.calls - 8}, a) // late: with a plan
		var told []Event
		d := newDaemon(ws, Settings{FreeMarginBytes: 1, Notice: func(e Event) { told = append(told, e) }}.withDefaults(), testHands(), zap.NewNop())
		names, err := namesIn(ws.Working)
		check(t, err)
		for _, name := range names {
			j, err := d.adopt(filepath.Join(ws.Working, name))
			check(t, err)
			if !exists(j.path("plan.json")) {
				t.Errorf("%s: it died before it had a plan", a.ask.Kind)
			}
			check(t, d.work(context.Background(), j))
		}
		if len(told) != 1 || told[0].Kind != Finished || told[0].Ask != a.ask.Kind || told[0].Book != "Tides" {
			t.Errorf("%s: told %+v", a.ask.Kind, told)
		}
	}
}
