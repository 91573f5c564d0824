package watcher

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

// These tests run on the real clock and the real notifications. The rescan
// comes once an hour, so whatever is found was found by a notification.

func TestDropBecomesChapter(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	stop, lines := watch(t, ws, quickly(t, ev.notice), testHands())
	sum := drop(t, ws, "Tides/03 The Ferry.wav", "the ferry")
	got := ev.wait(1, Finished)
	stop()
	if got[0].Book != "Tides" || got[0].Chapter != "03 The Ferry" || got[0].Verdict != "pass" {
		t.Errorf("event: %+v", got[0])
	}
	for _, name := range []string{
		"finished/Tides/03 The Ferry.mp3", "finished/Tides/03 The Ferry.json",
		"archive/Tides/03 The Ferry.r1.wav", "archive/Tides/03 The Ferry.r1.recipe.json",
	} {
		if _, err := os.Stat(filepath.Join(ws.Root, name)); err != nil {
			t.Error(err)
		}
	}
	if err := invariant(ws, map[string]int{sum: 1}, true); err != nil {
		t.Error(err)
	}
	if text := messages(lines); !strings.Contains(text, "03 The Ferry: mastered in 0.0 s, within all limits") {
		t.Errorf("the log: %s", text)
	}
}

// A room test leaves a text where a chapter leaves an MP3, and a text of hers that
// has the name of a chapter is none of ours.
func TestRoomTestBecomesText(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	hers := filepath.Join(ws.Finished, "Tides", "03 The Ferry.txt")
	check(t, os.MkdirAll(filepath.Dir(hers), 0o750))
	check(t, os.WriteFile(hers, []byte("hers"), 0o640))
	dropped := map[string]int{}
	stop, lines := watch(t, ws, quickly(t, ev.notice), testHands())
	for _, x := range [][2]string{
		{"room test.wav", "alone"}, {"Tides/room test.wav", "first"}, {"Tides/03 The Ferry.wav", "the ferry"},
		{"Tides/Room Test.WAV", "second"}, {"Tides/03 The Ferry.wav", "the ferry again"},
		{"Tides/room test - please read.wav", "named like a note"}, {"Tides/room test.wav", "third"},
	} {
		dropped[drop(t, ws, x[0], x[1])]++
		ev.wait(1, Finished)
	}
	drop(t, ws, "Tides/room test.wav", "third")
	ev.wait(1, Known)
	stop()
	for name, want := range map[string]string{
		"room test.txt": "alone", "Tides/room test.txt": "third", "Tides/superseded/room test.r1.txt": "first",
		"Tides/superseded/room test.r2.txt": "second", "Tides/room test - please read_.txt": "named like a note",
		"Tides/03 The Ferry.txt": "hers", "Tides/03 The Ferry.mp3": "the ferry again", "Tides/superseded/03 The Ferry.r1.mp3": "the ferry",
	} {
		if data, err := os.ReadFile(filepath.Join(ws.Finished, name)); err != nil || string(data) != want {
			t.Errorf("%s holds %q, want %q (%v)", name, data, want, err)
		}
	}
	check(t, os.Remove(hers)) // it has no report, and needs none
	if err := invariant(ws, dropped, true); err != nil {
		t.Error(err)
	}
	if found, err := filepath.Glob(filepath.Join(ws.Finished, "*", "room test*.mp3")); err != nil || len(found) > 0 {
		t.Errorf("an MP3 of a room test: %q %v", found, err)
	}
	if text := messages(lines); !strings.Contains(text, "room test: measured in 0.0 s, within all limits") {
		t.Errorf("the log: %s", text)
	}
}

func TestNotificationsReachBookFolders(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	stop, _ := watch(t, ws, quickly(t, ev.notice), testHands())
	dropped := map[string]int{}

	dropped[drop(t, ws, "Single.wav", "a single piece")]++
	ev.wait(1, Finished)
	dropped[drop(t, ws, "New Book/01.wav", "in a new book")]++
	ev.wait(1, Finished)
	dropped[drop(t, ws, "New Book/02.wav", "in a known book")]++
	ev.wait(1, Finished)

	// A folder moved in whole gives one notification, and none for its files.
	outside := filepath.Join(ws.Root, "Moved Book")
	check(t, os.Mkdir(outside, 0o770))
	for i := range 3 {
		text := fmt.Sprintf("moved %d", i)
		check(t, os.WriteFile(filepath.Join(outside, fmt.Sprintf("%02d.wav", i)), []byte(text), 0o640))
		dropped[sumOf([]byte(text))]++
	}
	check(t, os.Rename(outside, filepath.Join(ws.Inbox, "Moved Book")))
	ev.wait(3, Finished)
	dropped[drop(t, ws, "Moved Book/later.wav", "after the move")]++
	ev.wait(1, Finished)
	stop()
	if err := invariant(ws, dropped, true); err != nil {
		t.Error(err)
	}
}

func TestInboxReplaced(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	stop, _ := watch(t, ws, quickly(t, ev.notice), testHands())
	drop(t, ws, "Tides/01.wav", "before")
	ev.wait(1, Finished)
	check(t, os.Rename(ws.Inbox, ws.Inbox+" old"))
	check(t, os.Mkdir(ws.Inbox, 0o770))
	drop(t, ws, "Tides/02.wav", "after")
	ev.wait(1, Finished)
	drop(t, ws, "Tides/03.wav", "and later")
	ev.wait(1, Finished)
	stop()
}

func TestSecondRunIsRefusedAndNamesTheHolder(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	s := quickly(t, ev.notice)
	stop, _ := watch(t, ws, s, testHands())
	drop(t, ws, "01.wav", "x")
	ev.wait(1, Finished) // so the first one surely holds it
	err := Run(context.Background(), ws, s, testHands(), zap.NewNop())
	if !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Errorf("the second run ended with: %v", err)
	}
	stop()
	stop, _ = watch(t, ws, s, testHands())
	drop(t, ws, "02.wav", "y")
	ev.wait(1, Finished)
	stop()
}

// Two computers share the workspace: neither can see the other's lock.
func TestTwoComputersMakeEachTakeOnce(t *testing.T) {
	const n = 60
	ws := newWorkspace(t)
	ev := newEvents(t)
	dropped := map[string]int{}
	for i := range n {
		dropped[drop(t, ws, fmt.Sprintf("Tides/%02d take 1.wav", i), fmt.Sprintf("one %d", i))]++
		dropped[drop(t, ws, fmt.Sprintf("Tides/%02d take 2.wav", i), fmt.Sprintf("two %d", i))]++
	}
	var stops []func()
	for range 2 {
		s := quickly(t, ev.notice)
		s.unlocked, s.Rescan = true, 100*time.Millisecond
		stop, _ := watch(t, ws, s, testHands())
		stops = append(stops, stop)
	}
	ev.wait(n, Finished)
	for _, stop := range stops {
		stop()
	}
	if err := invariant(ws, dropped, true); err != nil {
		t.Error(err)
	}
	all, err := filepath.Glob(filepath.Join(ws.Archive, "Tides", "*.recipe.json"))
	check(t, err)
	if len(all) != n {
		t.Errorf("%d revisions of %d chapters", len(all), n)
	}
}

// A name may hold anything a disk allows: each file ends as a chapter of its
// own, in valid JSON, below its own folder.
func TestHostileNames(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	dropped := map[string]int{}
	want := 0
	for i, name := range hostile {
		for _, path := range []string{name + ".wav", "Book " + name + "/01.wav"} {
			if strings.ContainsAny(name, "/\x00") || len(filepath.Base(path)) > 255 || len(name) > 250 || kindOf(name+".wav") == junk {
				continue
			}
			text := fmt.Sprintf("%d %s", i, path)
			if err := os.MkdirAll(filepath.Dir(filepath.Join(ws.Inbox, path)), 0o770); err != nil {
				t.Logf("this disk refuses %q: %v", path, err)
				continue
			}
			if err := os.WriteFile(filepath.Join(ws.Inbox, path), []byte(text), 0o640); err != nil {
				t.Logf("this disk refuses %q: %v", path, err)
				continue
			}
			dropped[sumOf([]byte(text))]++
			want++
		}
	}
	stop, lines := watch(t, ws, quickly(t, ev.notice), testHands())
	ev.wait(want, Finished)
	stop()
	if err := invariant(ws, dropped, true); err != nil {
		t.Error(err)
	}
	mp3s, err := filepath.Glob(filepath.Join(ws.Finished, "*", "*.mp3"))
	check(t, err)
	single, err := filepath.Glob(filepath.Join(ws.Finished, "*.mp3"))
	check(t, err)
	if len(mp3s)+len(single) != want {
		t.Errorf("%d finished files of %d takes", len(mp3s)+len(single), want)
	}
	for _, l := range lines.All() {
		if strings.ContainsAny(l.Message, "\n\t\x1b\u202e") {
			t.Errorf("a line of log moves the cursor: %q", l.Message)
		}
	}
	t.Logf("%d takes", want)
}

func TestSpellingsOfOneNameAreOneChapter(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		if job.Filed != "M\u00e1s all\u00e1" {
			t.Errorf("of the book %q: filed in %q", job.Book, job.Filed)
		}
		return testMake(ctx, job)
	}
	stop, _ := watch(t, ws, quickly(t, ev.notice), hands)
	drop(t, ws, "Ma\u0301s alla\u0301/03 Cafe\u0301.wav", "decomposed")
	ev.wait(1, Finished)
	drop(t, ws, "M\u00c1S all\u00e1/03 CAF\u00c9.WAV", "composed")
	ev.wait(1, Finished)
	stop()
	for path, text := range map[string]string{
		"M\u00e1s all\u00e1/03 Caf\u00e9.mp3": "composed", "M\u00e1s all\u00e1/superseded/03 Caf\u00e9.r1.mp3": "decomposed",
	} {
		if data, err := os.ReadFile(filepath.Join(ws.Finished, path)); err != nil || string(data) != text {
			t.Errorf("%q holds %q, %v", path, data, err)
		}
	}
}
