package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
)

func statusOf(t *testing.T, ws *Workspace) Status {
	t.Helper()
	s, err := ws.Status(Settings{FreeMarginBytes: 1, LockDir: filepath.Join(ws.Root, "lock")}, testHands())
	check(t, err)
	return s
}

func TestStatusOfWhatWaits(t *testing.T) {
	ws := memoryRoot(t)
	for _, c := range []struct {
		path, content string
		says          string
		needsYou      bool
	}{
		{"Audition.wav", "whole", "complete, taken as soon as", false},
		{"Tides/01 Harbor take 2.wav", "second", "waiting, take 1 is missing", true},
		{"Tides/02 Mill.wav", arriving, "waiting, 62 % received", false},
		{"Tides/03 Ferry.wav", unfinished, "the recorder has not closed it", false},
		{"Tides/04 Ebb.wav", refused, "about to be set aside: This is no WAV file", true},
		{"Tides/05 Rope (1).wav", "copy", "about to be set aside: This looks like a copy", true},
		{"Tides/06 Salt.flac", "flac", "only WAV keeps the whole sound", true},
		{"Tides/07 Salt.wav", "", "nothing has arrived yet", false},
		{"Tides/notes.txt", "x", "", false},
		{"Tides/.hidden.wav", "x", "", false},
		{"Tides/deep/08.wav", "x", "too deep", true},
	} {
		t.Run(c.path, func(t *testing.T) {
			check(t, os.RemoveAll(filepath.Join(ws.Inbox, "Tides")))
			check(t, os.RemoveAll(filepath.Join(ws.Inbox, "Audition.wav")))
			path := filepath.Join(ws.Inbox, filepath.FromSlash(c.path))
			check(t, os.MkdirAll(filepath.Dir(path), 0o770))
			check(t, os.WriteFile(path, []byte(c.content), 0o640))
			s := statusOf(t, ws)
			if c.says == "" {
				if len(s.Waiting) > 0 {
					t.Errorf("it waits: %+v", s.Waiting)
				}
				return
			}
			if len(s.Waiting) != 1 || !strings.Contains(s.Waiting[0].Says, c.says) || s.Waiting[0].NeedsYou != c.needsYou || s.NeedsYou() != c.needsYou {
				t.Errorf("waiting %+v, want %q, needs you %v", s.Waiting, c.says, c.needsYou)
			}
			if !exists(path) {
				t.Error("status has moved the file")
			}
		})
	}
}

// What has stopped arriving half an hour ago is hers to decide.
func TestStatusOfWhatIsStalled(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "02 Mill.wav", arriving)
	old := time.Now().Add(-time.Hour)
	check(t, os.Chtimes(filepath.Join(ws.Inbox, "02 Mill.wav"), old, old))
	s := statusOf(t, ws)
	if len(s.Waiting) != 1 || !s.Waiting[0].NeedsYou || !strings.Contains(s.Waiting[0].Says, "lectern retry --as-is") {
		t.Errorf("waiting %+v", s.Waiting)
	}
}

func TestStatusOfJobsAndOfWhatWasSetAside(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/04 Ebb.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	d := readyDaemon(t, ws, &dyingDisk{})
	j, err := d.claim(d.queue[0])
	check(t, err)
	if s := statusOf(t, ws); len(s.Making) != 1 || s.Making[0] != (Making{Book: "Tides", Chapter: "03 Ferry"}) {
		t.Errorf("making %+v", s.Making)
	}
	writeProgress(j.Dir, 0.42)
	check(t, writeLease(j.Dir, owner{Released: true}))
	s := statusOf(t, ws)
	if len(s.Making) != 1 || s.Making[0] != (Making{Book: "Tides", Chapter: "03 Ferry", Share: 0.42, Alone: true}) {
		t.Errorf("making %+v", s.Making)
	}
	if len(s.SetAside) != 1 || s.SetAside[0] != (Aside{Book: "Tides", Name: "04 Ebb.wav", Says: "There is no speech in it. Read it again."}) {
		t.Errorf("set aside %+v", s.SetAside)
	}
	if !s.NeedsYou() || s.Disk.FreeBytes <= 0 {
		t.Errorf("status %+v", s)
	}
	check(t, d.work(context.Background(), j)) // the progress file is in nobody's way
	check(t, os.Remove(filepath.Join(ws.SetAside, "Tides", "04 Ebb.wav")))
	if s := statusOf(t, ws); len(s.SetAside) > 0 || len(s.Making) > 0 {
		t.Errorf("status %+v", s)
	}
}

// A running daemon is named, with what troubles it; a killed one is not.
func TestStatusOfTheDaemon(t *testing.T) {
	ws := memoryRoot(t)
	lockDir := filepath.Join(ws.Root, "lock")
	release, err := lock(ws, lockDir)
	check(t, err)
	d := newDaemon(ws, Settings{}.withDefaults(), testHands(), zap.NewNop())
	base, err := lockBase(ws, lockDir)
	check(t, err)
	d.troublesFile = base + troublesEnding
	d.trouble("paused", "the disk is full")
	d.trouble("polling", "no watches")
	if s := statusOf(t, ws); s.WatchedBy != os.Getpid() || !slices.Equal(s.Troubles, []string{"no watches", "the disk is full"}) || !s.NeedsYou() {
		t.Errorf("watched by %d, troubles %q", s.WatchedBy, s.Troubles)
	}
	d.trouble("paused", "")
	if s := statusOf(t, ws); !slices.Equal(s.Troubles, []string{"no watches"}) {
		t.Errorf("troubles %q", s.Troubles)
	}
	release()
	if s := statusOf(t, ws); s.WatchedBy != 0 || len(s.Troubles) > 0 || s.NeedsYou() {
		t.Errorf("after its end: watched by %d, troubles %q", s.WatchedBy, s.Troubles)
	}
	check(t, os.WriteFile(base+holderEnding, []byte("1073741824"), 0o600)) // no such process
	if s := statusOf(t, ws); s.WatchedBy != 0 {
		t.Errorf("watched by %d, which does not live", s.WatchedBy)
	}
}

// Every recording in the inbox is told of, even where it is another one that keeps it.
func TestStatusOfAChapterThatWaitsForOneOfItsTakes(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/01 Harbor take 1.wav", "har")
	drop(t, ws, "Tides/01 Harbor take 2.wav", arriving)
	want := []Wait{
		{Book: "Tides", Name: "01 Harbor take 1.wav", Says: "complete, taken together with the rest of its chapter, which is not ready yet"},
		{Book: "Tides", Name: "01 Harbor take 2.wav", Says: "waiting, 62 % received"},
	}
	if s := statusOf(t, ws); !slices.Equal(s.Waiting, want) || s.NeedsYou() {
		t.Errorf("waiting %+v, want %+v", s.Waiting, want)
	}
}

func TestStatusOfWhatWaitsForItsOwnChapter(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	d := readyDaemon(t, ws, &dyingDisk{})
	_, err := d.claim(d.queue[0])
	check(t, err)
	drop(t, ws, "Tides/03 Ferry.wav", "ferry once more")
	want := []Wait{{Book: "Tides", Name: "03 Ferry.wav", Says: "complete, taken when what is being made of its chapter just now is done"}}
	if s := statusOf(t, ws); !slices.Equal(s.Waiting, want) || s.NeedsYou() {
		t.Errorf("waiting %+v, want %+v", s.Waiting, want)
	}
}

// A recording that grows while status looks is told of too.
func TestStatusOfWhatIsBeingWritten(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	d := readyDaemon(t, ws, &dyingDisk{})
	drop(t, ws, "Tides/03 Ferry.wav", "ferry, and more")
	now := time.Now()
	d.scanAll(now)
	d.gather(now)
	want := []Wait{{Book: "Tides", Name: "03 Ferry.wav", Says: "waiting, it is still being written"}}
	if got := d.untold(map[string]bool{}, now); len(d.queue) > 0 || !slices.Equal(got, want) {
		t.Errorf("told of %+v, want %+v", got, want)
	}
}

// A recording that two reports tell of, one of its chapter and a later one of its own,
// is listed once.
func TestStatusOfWhatWasSetAsideTwice(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/04 Ebb take 1.wav", badRaw+" 1")
	drop(t, ws, "Tides/04 Ebb take 2.wav", badRaw+" 2")
	check(t, drive(ws, &dyingDisk{}))
	drop(t, ws, "Tides/04 Ebb take 1.wav", badRaw+" 3")
	check(t, drive(ws, &dyingDisk{}))
	describe := func(report, madeAt, says string) {
		path := filepath.Join(ws.SetAside, "Tides", report)
		var r setAsideReport
		check(t, readJSON(path, &r))
		r.MadeAt, r.Says = madeAt, says
		data, err := json.Marshal(r)
		check(t, errors.Join(err, os.WriteFile(path, data, 0o640)))
	}
	for _, later := range []string{"04 Ebb.json", "04 Ebb take 1.json"} { // in whichever order they are read
		describe("04 Ebb.json", "2026-11-25T10:00:00Z", "both")
		describe("04 Ebb take 1.json", "2026-11-25T10:00:00Z", "one")
		describe(later, "2026-11-25T11:00:00Z", "the later")
		says := map[string]string{"04 Ebb.json": "both", "04 Ebb take 1.json": "one", later: "the later"}
		want := []Aside{
			{Book: "Tides", Name: "04 Ebb take 1.wav", Says: "the later"},
			{Book: "Tides", Name: "04 Ebb take 2.wav", Says: says["04 Ebb.json"]},
		}
		if got := statusOf(t, ws).SetAside; !slices.Equal(got, want) {
			t.Errorf("set aside %+v, want %+v", got, want)
		}
	}
}

// What keeps a job from its end is told by status, until it goes on.
func TestStatusOfAJobInTrouble(t *testing.T) {
	ws := memoryRoot(t)
	release, err := lock(ws, filepath.Join(ws.Root, "lock"))
	check(t, err)
	defer release()
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	d := readyDaemon(t, ws, &dyingDisk{})
	base, err := lockBase(ws, filepath.Join(ws.Root, "lock"))
	check(t, err)
	d.troublesFile = base + troublesEnding
	j, err := d.claim(d.queue[0])
	check(t, err)
	for _, c := range []struct {
		err  error
		says string // "" for no trouble
	}{
		{&waitError{time.Second, "still being written"}, ""},
		{&os.PathError{Op: "write", Path: "x", Err: syscall.EIO}, "03 Ferry: could not be finished, and is tried again by itself; the system says: " + syscall.EIO.Error()},
		{errAlarm, "03 Ferry: a file of this chapter is missing. Nothing more is done to it until the file is back; look for it in archive, finished and working"},
		{nil, ""},
	} {
		r := result{key: j.Key, job: j, err: c.err}
		if c.err == nil {
			r.job = nil
		}
		d.settleResult(context.Background(), r)
		want := []string{}
		if c.says != "" {
			want = append(want, c.says)
		}
		if s := statusOf(t, ws); !slices.Equal(s.Troubles, want) || s.NeedsYou() != (c.says != "") {
			t.Errorf("after %v: troubles %q, want %q", c.err, s.Troubles, want)
		}
	}
}

// Hours left are those that keep their recordings and MP3s on the fullest disk.
func TestHoursLeft(t *testing.T) {
	ws := memoryRoot(t)
	free, err := freeBytes(ws.Working)
	check(t, err)
	for _, c := range []struct {
		margin int64
		none   bool
	}{{1, false}, {free, true}, {2 * free, true}} {
		left, err := ws.roomLeft(c.margin)
		check(t, err)
		if (left.HoursLeft == 0) != c.none || left.HoursLeft < 0 || left.FreeBytes <= 0 {
			t.Errorf("margin %d of %d: %+v", c.margin, free, left)
		}
	}
}

// Where a take is missing, all of the chapter wait, and each says which one it is.
func TestStatusOfAGapInTheTakes(t *testing.T) {
	const missing = "waiting, take 2 is missing; nothing is made until it is there"
	ws := memoryRoot(t)
	want := func(names ...string) {
		t.Helper()
		var all []Wait
		for _, name := range names {
			all = append(all, Wait{Book: "Tides", Name: name, Says: missing, NeedsYou: true})
		}
		if err := drive(ws, &dyingDisk{}); (err == nil) != (len(names) == 0) {
			t.Errorf("the daemon found in the way: %v", err)
		}
		if s := statusOf(t, ws); !slices.Equal(s.Waiting, all) {
			t.Errorf("waiting %+v, want %+v", s.Waiting, all)
		}
	}
	drop(t, ws, "Tides/01 Harbor take 1.wav", "one, ")
	drop(t, ws, "Tides/01 Harbor take 3.wav", "three, ")
	want("01 Harbor take 1.wav", "01 Harbor take 3.wav")
	drop(t, ws, "Tides/01 Harbor take 2.wav", "two, ")
	want()

	drop(t, ws, "Tides/02 Mill take 1.wav", "one, ") // made, and the third comes later
	want()
	drop(t, ws, "Tides/02 Mill take 3.wav", "three, ")
	want("02 Mill take 3.wav")
}
