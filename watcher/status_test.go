package watcher

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
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

func TestRetry(t *testing.T) {
	ws := memoryRoot(t)
	wantRefusal := func(err error, text string) {
		t.Helper()
		var r *RefusedError
		if !errors.As(err, &r) || !strings.Contains(r.Says, text) {
			t.Errorf("got %v, want a refusal with %q", err, text)
		}
	}
	drop(t, ws, "Tïdes/04 Ebb?.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	aside := statusOf(t, ws).SetAside
	if len(aside) != 1 || aside[0].Name != "04 Ebb?.wav" {
		t.Fatalf("set aside %+v", aside)
	}
	wantRefusal(ws.TryAgain(Aside{Book: "Tïdes", Name: "../04 Ebb.wav"}), "names no plain file")
	blocking := filepath.Join(ws.Inbox, "Tïdes", "04 Ebb?.wav")
	check(t, os.WriteFile(blocking, []byte("better"), 0o640))
	wantRefusal(ws.TryAgain(aside[0]), "another recording of that name")
	check(t, os.Remove(blocking))
	check(t, ws.TryAgain(aside[0]))
	if data, err := os.ReadFile(blocking); err != nil || string(data) != badRaw {
		t.Errorf("back in the inbox lies %q, %v", data, err)
	}

	s := Settings{FreeMarginBytes: 1}
	promised := promise(1000)
	half := promised[:500]
	drop(t, ws, "Tides/05 Rope.wav", half)
	drop(t, ws, "Tides/06 Whole.wav", "whole")
	drop(t, ws, "Tides/07 Late take 2.wav", half)
	wantRefusal(ws.TakeAsIs(s, testHands(), "Tides", "06 Whole.wav"), "is all there")
	wantRefusal(ws.TakeAsIs(s, testHands(), "Tides", "08 Nothing.wav"), "not in the inbox any more")
	wantRefusal(ws.TakeAsIs(s, testHands(), "Tides", "07 Late take 2.wav"), "take 1 is missing")
	check(t, ws.TakeAsIs(s, testHands(), "Tides", "05 Rope.wav"))
	hands := testHands()
	var asked Raw
	inner := hands.Make
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		if job.Chapter == "05 Rope" {
			asked = job.Raws[0]
		}
		return inner(ctx, job)
	}
	_ = driveWith(ws, &dyingDisk{}, hands) // it ends with the question about take 1
	data, err := os.ReadFile(filepath.Join(ws.Finished, "Tides", "05 Rope.mp3"))
	if err != nil || string(data) != half || !asked.TakenUnfinished {
		t.Errorf("made of it: %q, taken unfinished: %v (%v)", data, asked.TakenUnfinished, err)
	}
}
