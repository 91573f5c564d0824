package watcher

import (
	"context"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

// auditWorkspace holds a bit of everything: a chapter of two takes, one of two
// revisions, a room test, a single piece, one set aside, one withdrawn, one renamed.
func auditWorkspace(t *testing.T) *Workspace {
	t.Helper()
	ws := memoryRoot(t)
	for _, round := range []map[string]string{
		{"Tides/01 Harbor take 1.wav": "har", "Tides/01 Harbor take 2.wav": "bor", "Tides/03 Loud.wav": "loud", "Audition.wav": "me"},
		{"Tides/03 Loud.wav": "louder", "Tides/room test.wav": "room", "Tides/04 Ebb.wav": badRaw, "Tides/05 Rope.wav": "rope", "Tides/06 Mil.wav": "mill"},
	} {
		for name, content := range round {
			drop(t, ws, name, content)
		}
		check(t, drive(ws, &dyingDisk{}))
	}
	for name, ask := range map[string]Ask{"05 Rope": {Kind: Withdraw}, "06 Mil": {Kind: Rename, NewName: "06 Mill"}} {
		askFor(t, ws, name, ask)
	}
	return ws
}

func memoryRoot(t *testing.T) *Workspace {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "audit")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	return openWorkspace(t, root, "finished", "archive")
}

func askFor(t *testing.T, ws *Workspace, chapter string, ask Ask) {
	t.Helper()
	all, err := ws.Filed()
	check(t, err)
	i := slices.IndexFunc(all, func(f Filed) bool { return f.Chapter == chapter })
	if i < 0 {
		t.Fatalf("%s is not filed", chapter)
	}
	_, err = Do(context.Background(), ws, Settings{FreeMarginBytes: 1}, testHands(), zap.NewNop(), all[i], ask)
	check(t, err)
}

func audited(t *testing.T, ws *Workspace) Audit {
	t.Helper()
	a, err := ws.Audit(context.Background())
	check(t, err)
	return a
}

// told lists remarks as "kind name", in order.
func told(remarks []Remark) []string {
	out := []string{}
	for _, r := range remarks {
		out = append(out, r.Kind+" "+r.Name)
	}
	slices.Sort(out)
	return out
}

var soundNotes = []string{"withdrawn finished/Tides/05 Rope", "withdrawn finished/Tides/06 Mil"}

func TestAuditOfASoundWorkspace(t *testing.T) {
	a := audited(t, auditWorkspace(t))
	if !a.Clean || len(a.Exceptions) > 0 {
		t.Errorf("exceptions: %+v", a.Exceptions)
	}
	if got := told(a.Notes); !slices.Equal(got, soundNotes) {
		t.Errorf("notes %q, want %q", got, soundNotes)
	}
	want := LookedAt{Raws: 9, Recipes: 8, Finished: 8, Jobs: 0}
	a.LookedAt.Bytes = 0
	if a.LookedAt != want {
		t.Errorf("looked at %+v, want %+v", a.LookedAt, want)
	}
}

// A workspace is clean after every way through the publish protocol.
func TestAuditAfterEveryProtocol(t *testing.T) {
	for _, p := range protocols {
		t.Run(p.name, func(t *testing.T) {
			ws := memoryRoot(t)
			if p.before != nil {
				p.before(t, ws)
				check(t, drive(ws, &dyingDisk{}))
			}
			p.drop(t, ws)
			check(t, drive(ws, &dyingDisk{}))
			if a := audited(t, ws); !a.Clean {
				t.Errorf("exceptions: %+v", a.Exceptions)
			}
		})
	}
}

// hint matches what a person, or the next start, is to do.
var hint = regexp.MustCompile(`put your second copy|drop |move |delete it|lectern remake|lectern watch (goes on|removes)`)

// needNothing are remarks after which nothing is left to do: her recording, or the
// pair of hers, is where she put it.
var needNothing = []string{"taken_away setaside/Tides"}

func TestAuditFindsWhatIsPlanted(t *testing.T) {
	at := func(ws *Workspace, path string) string { return filepath.Join(ws.Root, filepath.FromSlash(path)) }
	flip := func(path string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			data, err := os.ReadFile(at(ws, path))
			check(t, err)
			data[len(data)-1] ^= 1
			check(t, os.Chmod(at(ws, path), 0o640))
			check(t, os.WriteFile(at(ws, path), data, 0o640))
		}
	}
	remove := func(paths ...string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			for _, path := range paths {
				check(t, os.Remove(at(ws, path)))
			}
		}
	}
	put := func(path, content string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			check(t, os.MkdirAll(filepath.Dir(at(ws, path)), 0o750))
			check(t, os.WriteFile(at(ws, path), []byte(content), 0o640))
		}
	}
	replace := func(path, old, with string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			data, err := os.ReadFile(at(ws, path))
			check(t, err)
			changed := strings.Replace(string(data), old, with, 1)
			if changed == string(data) {
				t.Fatalf("%s does not hold %q", path, old)
			}
			check(t, os.WriteFile(at(ws, path), []byte(changed), 0o640))
		}
	}
	link := func(path string) func(*testing.T, *Workspace) {
		return func(t *testing.T, ws *Workspace) {
			check(t, os.Rename(at(ws, path), at(ws, "elsewhere")))
			check(t, os.Symlink(at(ws, "elsewhere"), at(ws, path)))
		}
	}
	for _, c := range []struct {
		name  string
		plant func(*testing.T, *Workspace)
		want  []string // exceptions
		notes []string // besides those of a sound workspace
	}{
		{"a raw with a flipped bit", flip("archive/Tides/01 Harbor take 2.r1.wav"), []string{"changed_raw archive/Tides/01 Harbor take 2.r1.wav"}, nil},
		{"a raw that is gone", remove("archive/Tides/01 Harbor take 2.r1.wav"), []string{"missing_raw archive/Tides/01 Harbor take 2.r1.wav"}, nil},
		{"a link in place of a raw", func(t *testing.T, ws *Workspace) {
			check(t, os.Remove(at(ws, "archive/Audition.r1.wav")))
			check(t, os.Symlink("/dev/null", at(ws, "archive/Audition.r1.wav")))
		}, []string{"missing_raw archive/Audition.r1.wav", "stray archive/Audition.r1.wav"}, nil},
		{"a recipe that is gone", remove("archive/Audition.r1.recipe.json"),
			[]string{"no_recipe finished/Audition", "unnamed_raw archive/Audition.r1.wav"}, nil},
		{"a recipe that is no JSON", put("archive/Audition.r1.recipe.json", "{"),
			[]string{"bad_recipe archive/Audition.r1.recipe.json", "no_recipe finished/Audition", "unnamed_raw archive/Audition.r1.wav"}, nil},
		{"a recipe that leads elsewhere", replace("archive/Audition.r1.recipe.json", "Audition.r1.wav", "../Audition.r1.wav"),
			[]string{"bad_recipe archive/Audition.r1.recipe.json", "no_recipe finished/Audition", "unnamed_raw archive/Audition.r1.wav"}, nil},
		{"recipes that disagree", replace("archive/Tides/06 Mill.r1.recipe.json", sumOf([]byte("mill"))+`"}]`, sumOf([]byte("?"))+`"}]`),
			[]string{"bad_recipe archive/Tides/06 Mill.r1.recipe.json", "changed_raw archive/Tides/06 Mil.r1.wav"}, nil},
		{"a stray in the archive", put("archive/Tides/notes.txt", "x"), []string{"stray archive/Tides/notes.txt"}, nil},
		{"a finished file with a flipped bit", flip("finished/Tides/03 Loud.mp3"), []string{"changed_finished finished/Tides/03 Loud.mp3"}, nil},
		{"an earlier one with a flipped bit", flip("finished/Tides/superseded/03 Loud.r1.mp3"), []string{"changed_finished finished/Tides/superseded/03 Loud.r1.mp3"}, nil},
		{"a room test's text with a flipped bit", flip("finished/Tides/room test.txt"), []string{"changed_finished finished/Tides/room test.txt"}, nil},
		{"a finished file taken away", remove("finished/Audition.mp3"), nil, []string{"taken_away finished/Audition.mp3"}},
		{"a pair taken away", remove("finished/Audition.mp3", "finished/Audition.json"), nil, []string{"taken_away finished/Audition"}},
		{"a report taken away", remove("finished/Audition.json"), []string{"no_report finished/Audition.mp3"}, nil},
		{"a report that is none", put("finished/Audition.json", "[]"), []string{"bad_report finished/Audition.json"}, nil},
		{"a report that tells no revision", put("finished/Audition.json", "{}"), []string{"bad_report finished/Audition.json"}, nil},
		{"a room test's report taken away", remove("finished/Tides/room test.json"), []string{"no_report finished/Tides/room test.txt"}, nil},
		{"a room test's text taken away", remove("finished/Tides/room test.txt"), nil, []string{"taken_away finished/Tides/room test.txt"}},
		{"a room test taken away", remove("finished/Tides/room test.txt", "finished/Tides/room test.json"), nil, []string{"taken_away finished/Tides/room test"}},
		{"a room test withdrawn, whose report stays as it is", func(t *testing.T, ws *Workspace) {
			for _, ending := range []string{".txt", ".json"} {
				check(t, os.Rename(at(ws, "finished/Tides/room test"+ending), at(ws, "finished/Tides/superseded/room test.r1"+ending)))
			}
		}, nil, []string{"withdrawn finished/Tides/room test"}},
		{"an earlier file taken away", remove("finished/Tides/superseded/03 Loud.r1.mp3"), nil, []string{"taken_away finished/Tides/superseded/03 Loud.r1.mp3"}},
		{"an earlier pair taken away", remove("finished/Tides/superseded/03 Loud.r1.mp3", "finished/Tides/superseded/03 Loud.r1.json"), nil, nil},
		{"an earlier report taken away", remove("finished/Tides/superseded/03 Loud.r1.json"), []string{"no_report finished/Tides/superseded/03 Loud.r1.mp3"}, nil},
		{"an earlier report that is none", put("finished/Tides/superseded/03 Loud.r1.json", "null"), []string{"bad_report finished/Tides/superseded/03 Loud.r1.json"}, nil},
		{"an earlier report without a recipe", remove("archive/Tides/03 Loud.r1.recipe.json"),
			[]string{"no_recipe finished/Tides/superseded/03 Loud.r1", "unnamed_raw archive/Tides/03 Loud.r1.wav"}, nil},
		{"an earlier pair under a name without revision", func(t *testing.T, ws *Workspace) {
			for _, ending := range []string{".mp3", ".json"} {
				check(t, os.Rename(at(ws, "finished/Tides/superseded/03 Loud.r1"+ending), at(ws, "finished/Tides/superseded/03 Loud old"+ending)))
			}
		}, []string{"stray finished/Tides/superseded/03 Loud old.json"}, nil},
		{"what was put aside while publishing", put("finished/Tides/superseded/03 Loud.found-2.mp3", "hers"), nil, []string{"kept_aside finished/Tides/superseded/03 Loud.found-2.mp3"}},
		{"a link in place of a finished file", link("finished/Audition.mp3"), []string{"stray finished/Audition.mp3"}, []string{"taken_away finished/Audition.mp3"}},
		{"a link in place of a report", link("finished/Audition.json"), []string{"no_report finished/Audition.mp3", "stray finished/Audition.json"}, nil},
		{"a link in place of a recipe", link("archive/Audition.r1.recipe.json"),
			[]string{"no_recipe finished/Audition", "stray archive/Audition.r1.recipe.json", "unnamed_raw archive/Audition.r1.wav"}, nil},
		{"a link in place of a set-aside recording", link("setaside/Tides/04 Ebb.wav"), []string{"stray setaside/Tides/04 Ebb.wav"}, nil},
		{"a folder in place of a raw", func(t *testing.T, ws *Workspace) {
			check(t, os.Remove(at(ws, "archive/Audition.r1.wav")))
			check(t, os.Mkdir(at(ws, "archive/Audition.r1.wav"), 0o750))
		}, []string{"missing_raw archive/Audition.r1.wav"}, nil},
		{"a recipe without recordings", put("archive/Audition.r1.recipe.json", "{}"),
			[]string{"bad_recipe archive/Audition.r1.recipe.json", "no_recipe finished/Audition", "unnamed_raw archive/Audition.r1.wav"}, nil},
		{"a recording of nobody in the archive", put("archive/Tides/07.r1.wav", "x"), []string{"unnamed_raw archive/Tides/07.r1.wav"}, nil},
		{"an MP3 of nobody", put("finished/Tides/mine.mp3", "x"), []string{"no_report finished/Tides/mine.mp3"}, nil},
		{"strays at the top", put("archive/x.txt", "x"), []string{"stray archive/x.txt"}, nil},
		{"a stray at the top of finished", put("finished/x.txt", "x"), []string{"stray finished/x.txt"}, nil},
		{"a stray in superseded", put("finished/superseded/x.psd", "x"), []string{"stray finished/superseded/x.psd"}, nil},
		{"a stray in setaside", put("setaside/Tides/x.txt", "x"), []string{"stray setaside/Tides/x.txt"}, nil},
		{"a folder in the archive that no book can have", put("archive/superseded/x.wav", "x"), []string{"stray archive/superseded"}, nil},
		{"a folder in a book of the archive", put("archive/Tides/more/x.wav", "x"), []string{"stray archive/Tides/more"}, nil},
		{"a folder in a book of setaside", put("setaside/Tides/more/x.wav", "x"), []string{"stray setaside/Tides/more"}, nil},
		{"a recording in working that nobody knows", put("working/abc-0123/new/1.wav", "x"), []string{"stranded_raw working/abc-0123"}, nil},
		{"a recording in a job whose paper leads elsewhere", func(t *testing.T, ws *Workspace) {
			put("working/abc-0123/new/1.wav", "x")(t, ws)
			put("working/abc-0123/orig.json", `{"book":"..","chapter":"x","raws":[{"file":"1.wav","name":"x.wav"}]}`)(t, ws)
		}, []string{"stranded_raw working/abc-0123"}, nil},
		{"a recording in an unfinished job", put("working/.tmp-abc-0123456789abcdef/new/1.wav", "x"), []string{"stranded_raw working/.tmp-abc-0123456789abcdef"}, nil},
		{"a file in working", put("working/x.txt", "x"), []string{"stray working/x.txt"}, nil},
		{"an unfinished file in the archive", put("archive/.tmp-abc-0123456789abcdef", "x"), []string{"unfinished archive/.tmp-abc-0123456789abcdef"}, nil},
		{"an unfinished file in setaside", put("setaside/Tides/.tmp-abc-0123456789abcdef", "x"), []string{"unfinished setaside/Tides/.tmp-abc-0123456789abcdef"}, nil},
		{"a report of an earlier revision", replace("finished/Tides/03 Loud.json", `"revision":2`, `"revision":1`), []string{"not_newest finished/Tides/03 Loud"}, nil},
		{"the newest revision put away", func(t *testing.T, ws *Workspace) {
			for _, ending := range []string{".mp3", ".json"} {
				check(t, os.Rename(at(ws, "finished/Tides/03 Loud"+ending), at(ws, "finished/Tides/superseded/03 Loud.r2"+ending)))
			}
		}, []string{"no_current finished/Tides/03 Loud", "stray finished/Tides/03 Loud - please read.txt"}, []string{"left_clip finished/Tides/listen/03 Loud.before.mp3"}},
		{"a clip with a flipped bit", flip("finished/Tides/listen/03 Loud.before.mp3"), nil, []string{"changed_clip finished/Tides/listen/03 Loud.before.mp3"}},
		{"a clip taken away", remove("finished/Tides/listen/03 Loud.before.mp3"), nil, []string{"no_clip finished/Tides/listen/03 Loud.before.mp3"}},
		{"all but the clip taken away", remove("finished/Tides/03 Loud.mp3", "finished/Tides/03 Loud.json", "finished/Tides/03 Loud - please read.txt"),
			nil, []string{"left_clip finished/Tides/listen/03 Loud.before.mp3", "taken_away finished/Tides/03 Loud"}},
		{"a clip beside a report that is none", put("finished/Tides/03 Loud.json", "{}"), []string{"bad_report finished/Tides/03 Loud.json"}, nil},
		{"a clip of nobody", put("finished/Tides/listen/mine.before.mp3", "x"), []string{"stray finished/Tides/listen/mine.before.mp3"}, nil},
		{"a clip that no report tells of", put("finished/listen/Audition.before.mp3", "x"), []string{"stray finished/listen/Audition.before.mp3"}, nil},
		{"no clip where clips are", put("finished/Tides/listen/03 Loud.mp3", "x"), []string{"stray finished/Tides/listen/03 Loud.mp3"}, nil},
		{"an unfinished clip", put("finished/Tides/listen/.tmp-abc-0123456789abcdef", "x"), []string{"unfinished finished/Tides/listen/.tmp-abc-0123456789abcdef"}, nil},
		{"a link in place of the clips", link("finished/Tides/listen"), []string{"stray finished/Tides/listen"}, []string{"no_clip finished/Tides/listen/03 Loud.before.mp3"}},
		{"a link in place of a clip", link("finished/Tides/listen/03 Loud.before.mp3"),
			[]string{"stray finished/Tides/listen/03 Loud.before.mp3"}, []string{"no_clip finished/Tides/listen/03 Loud.before.mp3"}},
		{"the files of a book", func(t *testing.T, ws *Workspace) {
			for _, name := range bookFiles {
				put("finished/Tides/"+name, "x")(t, ws)
			}
			put("finished/index.html", "x")(t, ws)
			put("finished/Tides/handover/2026-11-26 141500.json", "x")(t, ws)
			put("finished/Tides/handover/2026-11-26 141500.txt", "x")(t, ws)
		}, nil, nil},
		{"the files of a book that is none", put("finished/book.csv", "x"), []string{"stray finished/book.csv"}, nil},
		{"a link in place of a book's file", func(t *testing.T, ws *Workspace) {
			put("finished/Tides/book.json", "x")(t, ws)
			link("finished/Tides/book.json")(t, ws)
		}, []string{"stray finished/Tides/book.json"}, nil},
		{"a book's file where earlier revisions are", put("finished/Tides/superseded/book.csv", "x"), []string{"stray finished/Tides/superseded/book.csv"}, nil},
		{"an unfinished file of a book", put("finished/.tmp-abc-0123456789abcdef", "x"), []string{"unfinished finished/.tmp-abc-0123456789abcdef"}, nil},
		{"no hand-over where hand-overs are", put("finished/Tides/handover/x.json", "x"), []string{"stray finished/Tides/handover/x.json"}, nil},
		{"a folder where hand-overs are", put("finished/Tides/handover/more/x.json", "x"), []string{"stray finished/Tides/handover/more"}, nil},
		{"a book that is called as hand-overs are", func(t *testing.T, ws *Workspace) {
			drop(t, ws, "handover/01 Harbor.wav", "harbor")
			check(t, drive(ws, &dyingDisk{}))
		}, nil, nil},
		{"clips where the archive is", put("archive/listen/x.mp3", "x"), []string{"stray archive/listen"}, nil},
		{"other words", func(t *testing.T, ws *Workspace) { askFor(t, ws, "03 Loud", words("new")) }, nil, nil},
		{"a sample", func(t *testing.T, ws *Workspace) { withSample(t, ws) }, nil, nil},
		{"a sample whose chapter has lost its recording", func(t *testing.T, ws *Workspace) {
			withSample(t, ws)
			remove("archive/Tides/03 Loud.r2.wav")(t, ws)
		}, []string{"missing_raw archive/Tides/03 Loud.r2.wav"}, nil},
		{"a note about nothing", put("finished/Audition - please read.txt", "x"), []string{"stray finished/Audition - please read.txt"}, nil},
		{"a stray beside the finished", put("finished/Tides/cover.psd", "x"), []string{"stray finished/Tides/cover.psd"}, nil},
		{"a folder where none should be", put("finished/Tides/more/x.txt", "x"), []string{"stray finished/Tides/more"}, nil},
		{"a set-aside recording with a flipped bit", flip("setaside/Tides/04 Ebb.wav"), []string{"changed_raw setaside/Tides/04 Ebb.wav"}, nil},
		{"a set-aside recording taken away", remove("setaside/Tides/04 Ebb.wav"), nil, []string{"taken_away setaside/Tides/04 Ebb.wav"}},
		{"a set-aside report taken away", remove("setaside/Tides/04 Ebb.json"),
			[]string{"stray setaside/Tides/04 Ebb - please read.txt", "unnamed_raw setaside/Tides/04 Ebb.wav"}, nil},
		{"a set-aside report that is none", put("setaside/Tides/04 Ebb.json", "{}"), []string{"bad_report setaside/Tides/04 Ebb.json", "unnamed_raw setaside/Tides/04 Ebb.wav"}, nil},
		{"a set-aside recording without a report", put("setaside/Tides/07.wav", "x"), []string{"unnamed_raw setaside/Tides/07.wav"}, nil},
		{"an unfinished file", put("finished/Tides/.tmp-abc-0123456789abcdef", "x"), []string{"unfinished finished/Tides/.tmp-abc-0123456789abcdef"}, nil},
		{"an unfinished job", put("working/.tmp-abc-0123456789abcdef/lease", "x"), []string{"unfinished working/.tmp-abc-0123456789abcdef"}, nil},
		{"something in working", put("working/mine/x.txt", "x"), []string{"stray working/mine"}, nil},
		{"housekeeping of a system", put("archive/Tides/.DS_Store", "x"), nil, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			ws := auditWorkspace(t)
			c.plant(t, ws)
			a := audited(t, ws)
			want := append([]string{}, c.want...)
			slices.Sort(want)
			if got := told(a.Exceptions); !slices.Equal(got, want) {
				t.Errorf("exceptions %q, want %q", got, want)
			}
			notes := append(slices.Clone(soundNotes), c.notes...)
			slices.Sort(notes)
			if got := told(a.Notes); !slices.Equal(got, notes) {
				t.Errorf("notes %q, want %q", got, notes)
			}
			for _, r := range slices.Concat(a.Exceptions, a.Notes) {
				if !hint.MatchString(r.Says) && !slices.Contains(needNothing, r.Kind+" "+path.Dir(r.Name)) {
					t.Errorf("it does not say what to do: %+v", r)
				}
			}
			if a.Clean != (len(c.want) == 0) {
				t.Errorf("clean: %v", a.Clean)
			}
		})
	}
}

// A job is in work as long as its owner lives, and half done after that.
func TestAuditOfWorking(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/03 Loud.wav", "loud")
	d := newDaemon(ws, Settings{Quiet: time.Second, FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	now := time.Now()
	for range looksMin {
		d.scanAll(now)
		now = now.Add(time.Second)
	}
	d.gather(now)
	j, err := d.claim(d.queue[0])
	check(t, err)
	name := "working/" + filepath.Base(j.Dir)
	for _, c := range []struct {
		owner       owner
		wrong, note []string
	}{
		{d.me, []string{}, []string{"in_work " + name}},
		{owner{Host: "elsewhere", PID: 1}, []string{}, []string{"in_work " + name}},
		{owner{Host: d.me.Host, Boot: d.me.Boot, PID: 1 << 30}, []string{"half_done " + name}, []string{}},
		{owner{Host: d.me.Host, Boot: "another boot", PID: os.Getpid()}, []string{"half_done " + name}, []string{}},
		{owner{Host: d.me.Host, Boot: d.me.Boot, PID: os.Getpid(), Released: true}, []string{"half_done " + name}, []string{}},
	} {
		check(t, writeLease(j.Dir, c.owner))
		a := audited(t, ws)
		if got := told(a.Exceptions); !slices.Equal(got, c.wrong) {
			t.Errorf("owner %+v: exceptions %q, want %q", c.owner, got, c.wrong)
		}
		if got := told(a.Notes); !slices.Equal(got, c.note) {
			t.Errorf("owner %+v: notes %q, want %q", c.owner, got, c.note)
		}
	}
}

// What only looked wrong while a daemon moved it is not told.
func TestAuditLooksTwice(t *testing.T) {
	ws := auditWorkspace(t)
	once := &passing{Context: context.Background(), do: func(int) {}}
	_, err := ws.Audit(once)
	check(t, err)
	stray := filepath.Join(ws.Finished, "Tides", "passing.txt")
	check(t, os.WriteFile(stray, nil, 0o640))
	if audited(t, ws).Clean {
		t.Error("a file that stays is not told")
	}
	ctx := &passing{Context: context.Background(), do: func(n int) {
		if n == once.asked+1 { // all was read once
			check(t, os.Remove(stray))
		}
	}}
	a, err := ws.Audit(ctx)
	check(t, err)
	if !a.Clean || ctx.asked <= once.asked {
		t.Errorf("exceptions: %+v; %d files read, %d of them at first", a.Exceptions, ctx.asked, once.asked)
	}
}

// passing does something when it is asked for the nth time whether to go on.
type passing struct {
	context.Context
	asked int
	do    func(n int)
}

func (p *passing) Err() error {
	p.asked++
	p.do(p.asked)
	return nil
}
