package watcher

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/watcher/internal/durable"
)

// deepWorkspace lies some folders down, so that all that a name can lead to is seen,
// beside something hidden that must stay what it is.
func deepWorkspace(t testing.TB) (ws *Workspace, outer, hidden string) {
	t.Helper()
	outer, err := os.MkdirTemp(memoryDisk(), "hostile")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(outer) })
	root := filepath.Join(outer, "a", "b", "books")
	check(t, os.MkdirAll(root, 0o750))
	ws = openWorkspace(t, root, "finished", "archive")
	hidden = filepath.Join(root, "secret.wav")
	check(t, os.WriteFile(hidden, []byte(secret), 0o600))
	return ws, outer, hidden
}

// around lists everything below outer that is not in one of the workspace's folders.
func around(t testing.TB, ws *Workspace, outer string) (names []string) {
	t.Helper()
	own := []string{ws.Inbox, ws.Working, ws.Finished, ws.Archive, ws.SetAside}
	check(t, filepath.WalkDir(outer, func(path string, _ fs.DirEntry, err error) error {
		names = append(names, path)
		if slices.Contains(own, path) {
			return fs.SkipDir
		}
		return err
	}))
	return names
}

// copiesIn counts the files with a sum in the workspace's folders, whatever they are
// called.
func copiesIn(t testing.TB, ws *Workspace, sum string) (n int) {
	t.Helper()
	for _, folder := range []string{ws.Inbox, ws.Working, ws.Finished, ws.Archive, ws.SetAside} {
		check(t, filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || strings.HasSuffix(path, endingMP3) { // made of the same bytes
				return err
			}
			data, err := os.ReadFile(path)
			if sumOf(data) == sum {
				n++
			}
			return err
		}))
	}
	return n
}

// forgery changes one of a job's papers so that it names something elsewhere.
type forgery struct {
	paper, what string
	forge       func(paper map[string]any, name string)
}

func firstRaw(paper map[string]any) map[string]any {
	return paper["raws"].([]any)[0].(map[string]any)
}

// aStep is a plan of one step.
func aStep(from, to place, sum string) map[string]any {
	return map[string]any{"schema": "lectern-plan/1", "state": stateFinished, "steps": []step{{From: from, To: to, SHA256: sum}}}
}

var forgeries = []forgery{
	{"orig.json", "the book", func(p map[string]any, name string) { p["book_hex"] = hex.EncodeToString([]byte(name)) }},
	{"orig.json", "the chapter", func(p map[string]any, name string) { p["chapter_hex"] = hex.EncodeToString([]byte(name)) }},
	{"orig.json", "a recording", func(p map[string]any, name string) {
		firstRaw(p)["name_hex"] = hex.EncodeToString([]byte(name))
	}},
	{"orig.json", "a file", func(p map[string]any, name string) { firstRaw(p)["file"] = name }},
	{"job.json", "a file", func(p map[string]any, name string) { firstRaw(p)["file"] = name }},
	{"job.json", "an archived recording", func(p map[string]any, name string) {
		archived := map[string]any{"archived_as": name, "sha256": sumOf([]byte(secret)), "role": roleTake}
		p["raws"] = append(p["raws"].([]any), archived)
	}},
	{"job.json", "a known recording", func(p map[string]any, name string) {
		p["known"] = []any{map[string]any{"file": name, "archived_as": name}}
	}},
	{"plan.json", "where to", func(p map[string]any, name string) {
		clear(p)
		for key, value := range aStep(place{"job", "new/1.wav"}, place{"archive", name}, sumOf([]byte("ferry"))) {
			p[key] = value
		}
	}},
	{"plan.json", "where from", func(p map[string]any, name string) {
		clear(p)
		for key, value := range aStep(place{"archive", name}, place{"finished", "taken.wav"}, sumOf([]byte(secret))) {
			p[key] = value
		}
	}},
	{"plan.json", "what to replace", func(p map[string]any, name string) {
		clear(p)
		p["schema"], p["state"] = "lectern-plan/1", stateFinished
		p["steps"] = []step{{
			From: place{"job", "new/1.wav"}, To: place{"finished", name}, SHA256: sumOf([]byte("ferry")), Replaces: sumOf([]byte(secret)),
		}}
	}},
	{"plan.json", "what to remove", func(p map[string]any, name string) {
		clear(p)
		for key, value := range aStep(place{"finished", name}, place{}, sumOf([]byte(secret))) {
			p[key] = value
		}
	}},
}

// Row 33: the papers of a job are the program's own, but what is read from a disk is
// not believed either. Each name in each place of each of them that names something.
func TestFaultForgedPapers(t *testing.T) {
	ws, outer, hidden := deepWorkspace(t)
	names, tries, wrong := leading(ws), 0, 0
	for _, f := range forgeries {
		for _, name := range names {
			tries++
			fail := func(format string, args ...any) {
				wrong++
				t.Errorf("%q as %s in %s: %s", name, f.what, f.paper, fmt.Sprintf(format, args...))
			}
			sum := drop(t, ws, "Tides/03 Ferry take 1.wav", "ferry")
			before := around(t, ws, outer)
			forgeJob(t, ws, f, name)
			_ = drive(ws, &durable.Disk{}) // an error, or not: what counts is what it leaves
			if err := leaks(ws, hidden); err != nil {
				fail("%v", err)
			}
			if n := copiesIn(t, ws, sum); n != 1 {
				fail("the recording is there %d times", n)
			}
			if now := around(t, ws, outer); !slices.Equal(before, now) {
				fail("outside lie %q instead of %q", now, before)
			}
			if f.paper == "plan.json" && !isPlainName(name) && exists(filepath.Join(ws.Finished, "taken.wav")) {
				fail("carried out")
			}
			for _, folder := range []string{ws.Inbox, ws.Working, ws.Finished, ws.Archive, ws.SetAside} {
				check(t, os.RemoveAll(folder))
			}
			check(t, Create(ws.Root))
			check(t, os.WriteFile(hidden, []byte(secret), 0o600))
		}
	}
	row(t, "33", "names that lead elsewhere in each place of a job's own papers", tries, 0, wrong, "none followed, the recording kept")
}

// forgeJob claims what waits, lets the job stand as a crash would, and forges one of
// its papers.
func forgeJob(t testing.TB, ws *Workspace, f forgery, name string) {
	t.Helper()
	d := newDaemon(ws, Settings{FreeMarginBytes: 1, unlocked: true}.withDefaults(), testHands(), testLog())
	data, err := os.ReadFile(filepath.Join(ws.Inbox, "Tides", "03 Ferry take 1.wav"))
	check(t, err)
	info, err := os.Lstat(filepath.Join(ws.Inbox, "Tides", "03 Ferry take 1.wav"))
	check(t, err)
	track := d.track("Tides", "03 Ferry take 1.wav")
	track.seen.last = lookAt(info)
	j, err := d.claim(d.batchOf("Tides", []*tracked{track}, ""))
	check(t, err)
	if sumOf(data) != sumOf([]byte("ferry")) {
		t.Fatalf("claimed %q", data)
	}
	if f.paper != "orig.json" {
		_, err := d.playing(j)
		check(t, err)
	}
	paper := map[string]any{}
	if f.paper != "plan.json" {
		check(t, readJSON(j.path(f.paper), &paper))
	}
	f.forge(paper, name)
	forged, err := json.Marshal(paper)
	check(t, err)
	check(t, os.WriteFile(j.path(f.paper), forged, 0o640))
	released := d.me
	released.Released = true
	check(t, writeLease(j.Dir, released))
}

// Row 33: such a name in the report of what was set aside, from where retry takes it.
func TestFaultRetryNames(t *testing.T) {
	ws, outer, hidden := deepWorkspace(t)
	names, back, wrong := leading(ws), 0, 0
	for _, name := range names {
		fail := func(format string, args ...any) {
			wrong++
			t.Errorf("%q: %s", name, fmt.Sprintf(format, args...))
		}
		file := filepath.Join(ws.SetAside, "Tides", outStem(stemOf(name))+".wav")
		check(t, os.MkdirAll(filepath.Dir(file), 0o750))
		check(t, os.WriteFile(file, []byte("hers"), 0o640))
		report, err := json.Marshal(setAsideReport{State: stateSetAside, Raws: []setAsideRaw{{Name: "x", NameHex: hex.EncodeToString([]byte(name))}}})
		check(t, err)
		check(t, os.WriteFile(filepath.Join(ws.SetAside, "Tides", "x.json"), report, 0o640))
		before := around(t, ws, outer)
		list, err := ws.aside()
		check(t, err)
		if len(list) != 1 || list[0].Name != name {
			t.Fatalf("%q: set aside are %+v", name, list)
		}
		err = ws.TryAgain(list[0])
		var refused *RefusedError
		want := filepath.Join(ws.Inbox, "Tides", name)
		plain := !strings.ContainsAny(name, "/\x00") && name != "." && name != ".."
		switch {
		case plain && (err != nil || !exists(want) || exists(file)):
			fail("a name like any other is not back in the inbox: %v", err)
		case plain:
			back++
		case !errors.As(err, &refused) || !exists(file):
			fail("not refused: %v", err)
		}
		if err := leaks(ws, hidden); err != nil {
			fail("%v", err)
		}
		if now := around(t, ws, outer); !slices.Equal(before, now) {
			fail("outside lie %q instead of %q", now, before)
		}
		check(t, os.RemoveAll(filepath.Join(ws.SetAside, "Tides")))
		check(t, os.RemoveAll(filepath.Join(ws.Inbox, "Tides")))
	}
	row(t, "33", "such names in the report of what was set aside, tried again", len(names), 0, wrong,
		"%d refused, the %d that lead nowhere on this system back under their own", len(names)-back, back)
}

// Row 33: such a name as the new one of a chapter.
func TestFaultRenamedElsewhere(t *testing.T) {
	ws, outer, hidden := deepWorkspace(t)
	names, wrong := leading(ws), 0
	for i, name := range names {
		chapter := fmt.Sprintf("%02d Ferry", i)
		drop(t, ws, "Tides/"+chapter+".wav", fmt.Sprint("ferry ", i))
		check(t, drive(ws, &durable.Disk{}))
		before := around(t, ws, outer)
		_, err := Do(t.Context(), ws, Settings{FreeMarginBytes: 1}, testHands(), testLog(),
			Filed{Book: "Tides", Chapter: chapter, In: "Tides", Stem: chapter, Ending: endingMP3, Revision: 1}, Ask{Kind: Rename, NewName: name})
		var refused *RefusedError
		if err != nil && !errors.As(err, &refused) {
			wrong++
			t.Errorf("%q: %v", name, err)
		}
		if err == nil && !exists(filepath.Join(ws.Finished, "Tides", outStem(name)+".mp3")) {
			wrong++
			t.Errorf("%q: not filed under %q", name, outStem(name))
		}
		if now := around(t, ws, outer); !slices.Equal(before, now) || leaks(ws, hidden) != nil {
			wrong++
			t.Errorf("%q: outside lie %q instead of %q (%v)", name, now, before, leaks(ws, hidden))
		}
	}
	wrong += amiss(t, invariant(ws, nil, true))
	row(t, "33", "such names as the new one of a chapter", len(names), 0, wrong, "all filed below the book's own folder")
}

// What looks unfinished in the inbox is never ours, and never deleted: it may be all
// there is of a recording.
func TestFaultNothingInTheInboxIsSweptAway(t *testing.T) {
	ws := memoryWorkspace(t)
	d := readyDaemon(t, ws, &durable.Disk{})
	d.locked = true
	wrong := 0
	var kept []string
	long := time.Now().Add(-2 * strayAge)
	for _, name := range []string{d.store.TempName(), ".tmp-other", ".tmp-take.wav"} {
		for _, path := range []string{name, "Tides/" + name, name + " folder/03 Ferry.wav", "Tides/" + name + " folder/03 Ferry.wav"} {
			drop(t, ws, path, "hers")
			path = filepath.Join(ws.Inbox, path)
			check(t, os.Chtimes(path, long, long))
			kept = append(kept, path)
		}
	}
	for _, path := range kept {
		if dir := filepath.Dir(path); strings.HasSuffix(dir, "folder") {
			check(t, os.Chtimes(dir, long, long))
		}
	}
	d.sweep(time.Now())
	for _, path := range kept {
		if !exists(path) {
			wrong++
			t.Errorf("%q is gone", path)
		}
	}
	row(t, "29", "what looks like an unfinished file of the program's own, in the inbox, long ago", len(kept), wrong, 0, "left alone")
}
