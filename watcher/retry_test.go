package watcher

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func wantRefusal(t *testing.T, err error, text string) {
	t.Helper()
	var r *RefusedError
	if !errors.As(err, &r) || !strings.Contains(r.Says, text) {
		t.Errorf("got %v, want a refusal with %q", err, text)
	}
}

func TestRetryOfWhatWasSetAside(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tïdes/04 Ebb?.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	aside := statusOf(t, ws).SetAside
	if len(aside) != 1 || aside[0].Name != "04 Ebb?.wav" {
		t.Fatalf("set aside %+v", aside)
	}
	wantRefusal(t, ws.TryAgain(Aside{Book: "Tïdes", Name: "../04 Ebb.wav"}), "names no plain file")
	blocking := filepath.Join(ws.Inbox, "Tïdes", "04 Ebb?.wav")
	check(t, os.WriteFile(blocking, []byte("better"), 0o640))
	wantRefusal(t, ws.TryAgain(aside[0]), "another recording of that name")
	check(t, os.Remove(blocking))
	check(t, ws.TryAgain(aside[0]))
	if data, err := os.ReadFile(blocking); err != nil || string(data) != badRaw {
		t.Errorf("back in the inbox lies %q, %v", data, err)
	}
}

// The book's folder in the inbox keeps its spelling, which may differ from the filed one.
func TestRetryGoesBackIntoItsOwnFolder(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides?/04 Ebb.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	aside := statusOf(t, ws).SetAside
	if len(aside) != 1 || aside[0].Book == "Tides?" {
		t.Fatalf("set aside %+v", aside)
	}
	check(t, ws.TryAgain(aside[0]))
	if !exists(filepath.Join(ws.Inbox, "Tides?", "04 Ebb.wav")) {
		t.Error("it is not back in its own folder")
	}
	if a := audited(t, ws); !a.Clean {
		t.Errorf("exceptions %+v", a.Exceptions)
	}
	// Nothing of it is left once it is solved.
	check(t, os.WriteFile(filepath.Join(ws.Inbox, "Tides?", "04 Ebb.wav"), []byte("good now"), 0o640))
	check(t, drive(ws, &dyingDisk{}))
	if s := statusOf(t, ws); s.NeedsYou() {
		t.Errorf("status %+v", s)
	}
	if a := audited(t, ws); !a.Clean || len(a.Notes) > 0 {
		t.Errorf("audit %+v", a)
	}
}

// All recordings of a chapter go back, one after the other, and none twice.
func TestRetryOfAChapter(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "04 Ebb take 1.wav", badRaw+" 1")
	drop(t, ws, "04 Ebb take 2.wav", badRaw+" 2")
	check(t, drive(ws, &dyingDisk{}))
	aside := statusOf(t, ws).SetAside
	if len(aside) != 2 {
		t.Fatalf("set aside %+v", aside)
	}
	for _, a := range aside {
		check(t, ws.TryAgain(a))
	}
	if left := statusOf(t, ws); len(left.SetAside) > 0 || len(left.Waiting) != 2 {
		t.Errorf("status %+v", left)
	}
	check(t, drive(ws, &dyingDisk{}))
	if again := statusOf(t, ws).SetAside; !slices.Equal(again, aside) {
		t.Errorf("set aside again %+v", again)
	}
	if a := audited(t, ws); !a.Clean || len(a.Notes) > 0 {
		t.Errorf("audit %+v", a)
	}
}

// A link in place of the book's folder leads no recording out of the inbox.
func TestRetryIntoAFolderThatIsALink(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/04 Ebb.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	outside := t.TempDir()
	check(t, os.Remove(filepath.Join(ws.Inbox, "Tides")))
	if err := os.Symlink(outside, filepath.Join(ws.Inbox, "Tides")); err != nil {
		t.Skip("this system makes no links: ", err)
	}
	aside := statusOf(t, ws).SetAside
	wantRefusal(t, ws.TryAgain(aside[0]), "Tides in the inbox is a link")
	names, err := os.ReadDir(outside)
	check(t, err)
	if len(names) > 0 || !slices.Equal(statusOf(t, ws).SetAside, aside) {
		t.Errorf("outside lies %v", names)
	}
}

func TestRetryAsIs(t *testing.T) {
	ws := memoryRoot(t)
	s := Settings{FreeMarginBytes: 1}
	promised := promise(1000)
	half := promised[:500]
	drop(t, ws, "Tides/05 Rope.wav", half)
	drop(t, ws, "Tides/06 Whole.wav", "whole")
	drop(t, ws, "Tides/07 Late take 2.wav", half)
	wantRefusal(t, ws.TakeAsIs(s, testHands(), "Tides", "06 Whole.wav"), "is all there")
	wantRefusal(t, ws.TakeAsIs(s, testHands(), "Tides", "08 Nothing.wav"), "not in the inbox any more")
	wantRefusal(t, ws.TakeAsIs(s, testHands(), "Tides", "07 Late take 2.wav"), "take 1 is missing")
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

func TestRetryAsIsRefusals(t *testing.T) {
	ws := memoryRoot(t)
	half := promise(1000)[:500]
	for name, content := range map[string]string{
		"Tides/01 Harbor.wav":         "harbor",
		"Tides/02 Mill take 1.wav":    half,
		"Tides/02 Mill take 2.wav":    half + half[:100],
		"Tides/03 Ferry take 1.wav":   half,
		"Tides/03 Ferry take 2.wav":   refused,
		"Tides/04 Ebb.wav":            refused,
		"Tides/05 Rope (1).wav":       half,
		"Tides/06 Salt.flac":          half,
		"Tides/07 Quay part 1.wav":    half,
		"Tides/07 Quay take 1.wav":    "quay",
		"Tides/08 Lantern take 2.wav": half,
	} {
		drop(t, ws, name, content)
	}
	check(t, os.Symlink("01 Harbor.wav", filepath.Join(ws.Inbox, "Tides", "09 Link.wav")))
	before := statusOf(t, ws).Waiting
	for name, text := range map[string]string{
		"01 Harbor.wav":         "is all there",
		"02 Mill take 1.wav":    "02 Mill take 2.wav belongs to the same chapter and is not all there either",
		"03 Ferry take 1.wav":   "03 Ferry take 2.wav belongs to the same chapter. This is no WAV file",
		"04 Ebb.wav":            "This is no WAV file",
		"05 Rope (1).wav":       "This looks like a copy",
		"06 Salt.flac":          "is no WAV recording",
		"07 Quay part 1.wav":    "some files of this chapter are named as takes and some as parts",
		"08 Lantern take 2.wav": "take 1 is missing",
		"09 Link.wav":           "is no WAV recording",
		"../../lectern.toml":    "is no WAV recording",
		"10 Nothing.wav":        "is not in the inbox any more",
	} {
		wantRefusal(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "Tides", name), text)
	}
	wantRefusal(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "No Book", "01 Harbor.wav"), "is not in the inbox any more")
	if after := statusOf(t, ws); !slices.Equal(after.Waiting, before) || len(after.Making) > 0 {
		t.Errorf("something has changed: %+v, before %+v", after, before)
	}
}

// What is still open in another program is not taken, whatever she says.
func TestRetryAsIsOfWhatIsBeingWritten(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/05 Rope.wav", promise(1000)[:500])
	f, err := os.OpenFile(filepath.Join(ws.Inbox, "Tides", "05 Rope.wav"), os.O_WRONLY, 0)
	check(t, err)
	open, err := hasWriter(f.Name())
	check(t, err)
	if open == unknown {
		t.Skip("this disk does not tell of writers")
	}
	wantRefusal(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "Tides", "05 Rope.wav"), "is still open")
	check(t, f.Close())
	check(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "Tides", "05 Rope.wav"))
	wantRefusal(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "Tides", "05 Rope.wav"), "is not in the inbox any more")
}

// With one that stopped half-way go the other recordings of its chapter, which are whole.
func TestRetryAsIsTakesTheWholeChapter(t *testing.T) {
	ws := memoryRoot(t)
	half := promise(1000)[:500]
	drop(t, ws, "Tides/05 Rope take 1.wav", "whole, ")
	drop(t, ws, "Tides/05 Rope take 2.wav", half)
	check(t, ws.TakeAsIs(Settings{FreeMarginBytes: 1}, testHands(), "Tides", "05 Rope take 2.wav"))
	s := statusOf(t, ws)
	if len(s.Waiting) > 0 || len(s.Making) != 1 || !s.Making[0].Alone {
		t.Errorf("status %+v", s)
	}
	check(t, drive(ws, &dyingDisk{}))
	data, err := os.ReadFile(filepath.Join(ws.Finished, "Tides", "05 Rope.mp3"))
	if err != nil || string(data) != "whole, "+half {
		t.Errorf("made of it: %q (%v)", data, err)
	}
	if a := audited(t, ws); !a.Clean {
		t.Errorf("exceptions %+v", a.Exceptions)
	}
}
