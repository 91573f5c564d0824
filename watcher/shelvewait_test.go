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

// A pickup that needs a shelved recording waits for its disk, and is made when that is there,
// or when the recordings are back.
func TestPickupWaitsForTheDisk(t *testing.T) {
	for _, way := range []string{"connected", "brought back"} {
		t.Run(way, func(t *testing.T) {
			s := newShelfTest(t)
			_, err := s.shelve(nil)
			check(t, err)
			again := s.away()
			sum := drop(t, s.ws, "Tides/01 Harbor pickup 1.wav", "!")
			for range 2 {
				if err := drive(s.ws, &dyingDisk{}); err == nil || !strings.Contains(err.Error(), `"blue disk"`) || !strings.Contains(err.Error(), s.disk) {
					t.Fatalf("it ended with %v", err)
				}
				if !exists(filepath.Join(s.ws.Inbox, "Tides", "01 Harbor pickup 1.wav")) {
					t.Fatal("the pickup is in the inbox no more")
				}
			}
			st, err := s.ws.Status(Settings{LockDir: t.TempDir()}, testHands())
			check(t, err)
			if len(st.Waiting) != 1 || !st.Waiting[0].NeedsYou || !st.NeedsYou() || !strings.Contains(st.Waiting[0].Says, `"blue disk"`) {
				t.Errorf("status: %+v", st.Waiting)
			}
			s.clean("while it waits", 4)
			again()
			if way == "brought back" {
				_, err := s.back(nil)
				check(t, err)
			}
			check(t, drive(s.ws, &dyingDisk{}))
			if made := contents(t, filepath.Join(s.ws.Finished, "Tides"), ".mp3")["01 Harbor.mp3"]; made != "harbor!" {
				t.Errorf("made %q", made)
			}
			a, err := s.ws.Audit(context.Background())
			check(t, err)
			if !a.Clean {
				t.Errorf("audit: %+v", a.Exceptions)
			}
			if data, err := os.ReadFile(filepath.Join(s.ws.Archive, "Tides", "01 Harbor pickup 1.r2.wav")); err != nil || sumOf(data) != sum {
				t.Errorf("the pickup is archived as %q, %v", data, err)
			}
			// Shelved again, all lie there; the pickup is the only one that was here.
			out, err := s.shelve(nil)
			if err != nil || way == "connected" && out.Recordings != 1 {
				t.Errorf("shelved %+v, %v", out, err)
			}
			s.raws["01 Harbor pickup 1.r2.wav"] = "!"
			if there := contents(t, filepath.Join(s.disk, "Tides"), ".wav"); len(there) != len(s.raws) {
				t.Errorf("the disk holds %q", there)
			}
			s.clean("shelved again", 5)
		})
	}
}

// The daemon says so once, and goes on by itself.
func TestPickupGoesOnByItself(t *testing.T) {
	disk := filepath.Join(t.TempDir(), "Shelf One")
	check(t, os.Mkdir(disk, 0o750))
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01 Harbor take 1.wav", "har")
		b.after(time.Minute)
		_, err := Shelve(context.Background(), b.ws, Settings{FreeMarginBytes: 1}, "Tides", Shelf{Dir: disk})
		check(b, err)
		check(b, os.Rename(disk, disk+" off"))
		drop(b, b.ws, "Tides/01 Harbor take 2.wav", "bor")
		b.after(time.Hour)
		b.wantLine(1, `was shelved on the disk`)
		b.wantFile("inbox/Tides/01 Harbor take 2.wav", true)
		check(b, os.Rename(disk+" off", disk))
		b.after(time.Minute)
		b.wantFile("inbox/Tides/01 Harbor take 2.wav", false)
		if made := contents(b, filepath.Join(b.ws.Finished, "Tides"), ".mp3")["01 Harbor.mp3"]; made != "harbor" {
			b.Errorf("made %q", made)
		}
	})
}

// Another disk in its place, with a file of the same name and length: nothing is made of it,
// and the pickup is not set aside for it.
func TestPickupAndTheWrongDisk(t *testing.T) {
	s := newShelfTest(t)
	_, err := s.shelve(nil)
	check(t, err)
	raw := filepath.Join(s.disk, "Tides", "01 Harbor take 2.r1.wav")
	check(t, os.Chmod(raw, 0o640))
	check(t, os.WriteFile(raw, []byte("BAD"), 0o640))
	drop(t, s.ws, "Tides/01 Harbor pickup 1.wav", "!")
	if err := drive(s.ws, &dyingDisk{}); err == nil || !strings.Contains(err.Error(), "is not the recording that was shelved") {
		t.Errorf("it ended with %v", err)
	}
	a, err := s.ws.Audit(context.Background())
	check(t, err)
	if !slices.Contains(told(a.Exceptions), "changed_raw archive/Tides/01 Harbor take 2.r1.wav") {
		t.Errorf("audit: %q", told(a.Exceptions))
	}
	check(t, os.Remove(raw))
	a, err = s.ws.Audit(context.Background())
	check(t, err)
	if !slices.Contains(told(a.Exceptions), "missing_raw archive/Tides/01 Harbor take 2.r1.wav") {
		t.Errorf("audit: %q", told(a.Exceptions))
	}
	check(t, os.WriteFile(raw, []byte("bor"), 0o640))
	check(t, drive(s.ws, &dyingDisk{}))
	if made := contents(t, filepath.Join(s.ws.Finished, "Tides"), ".mp3")["01 Harbor.mp3"]; made != "harbor!" {
		t.Errorf("made %q", made)
	}
}

// The disk is taken off after the claim: the pickup goes back to the inbox.
func TestDiskTakenOffAfterTheClaim(t *testing.T) {
	s := newShelfTest(t)
	_, err := s.shelve(nil)
	check(t, err)
	drop(t, s.ws, "Tides/01 Harbor pickup 1.wav", "!")
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		again := s.away()
		defer func() { hands.Make = testMake; again() }()
		return testMake(ctx, job)
	}
	if err := driveWith(s.ws, &dyingDisk{}, hands); !isDiskTrouble(err) {
		t.Fatalf("it ended with %v", err)
	}
	again := s.away()
	if err := drive(s.ws, &dyingDisk{}); err == nil || !strings.Contains(err.Error(), "blue disk") {
		t.Fatalf("it ended with %v", err)
	}
	if !exists(filepath.Join(s.ws.Inbox, "Tides", "01 Harbor pickup 1.wav")) {
		t.Error("the pickup is not in the inbox")
	}
	again()
	check(t, drive(s.ws, &dyingDisk{}))
	if made := contents(t, filepath.Join(s.ws.Finished, "Tides"), ".mp3")["01 Harbor.mp3"]; made != "harbor!" {
		t.Errorf("made %q", made)
	}
}

// connected connects the disk until the returned function is called.
func (s *shelfTest) connected() (off func()) {
	s.Helper()
	check(s, os.Rename(s.disk+" in a drawer", s.disk))
	return func() { s.away() }
}

func TestAsksAndTheDisk(t *testing.T) {
	s := newShelfTest(t)
	_, err := s.shelve(nil)
	check(t, err)
	ask := func(chapter string, ask Ask) error {
		hands := testHands()
		hands.Make = func(ctx context.Context, job Job) (Made, error) {
			if job.Ask.Kind == Rename { // which needs no sound; these hands take it from the raws
				defer s.connected()()
			}
			return testMake(ctx, job)
		}
		_, err := Do(context.Background(), s.ws, Settings{FreeMarginBytes: 1}, hands, zap.NewNop(), Filed{Book: "Tides", Chapter: chapter, In: "Tides", Ending: endingMP3}, ask)
		return err
	}
	needing := map[string]Ask{
		"01 Harbor": {Kind: Remake}, "03 Loud": {Kind: BringBack, Revision: 1},
		"Sample": {Kind: CutSample, Of: "03 Loud", FromS: 1, ToS: 3},
	}
	again := s.away()
	for chapter, a := range needing {
		var refused *RefusedError
		if err := ask(chapter, a); !errors.As(err, &refused) || !refused.Away || !strings.Contains(refused.Says, `"blue disk"`) || !strings.Contains(refused.Says, s.disk) {
			t.Errorf("%s: %v", a.Kind, err)
		}
	}
	check(t, ask("01 Harbor", Ask{Kind: Rename, NewName: "01 Harbour"})) // needs no sound
	again()
	needing["01 Harbour"] = needing["01 Harbor"]
	delete(needing, "01 Harbor")
	for chapter, a := range needing {
		if err := ask(chapter, a); err != nil {
			t.Errorf("%s, connected: %v", a.Kind, err)
		}
	}
	if got := contents(t, filepath.Join(s.ws.Finished, "Tides"), ".mp3"); got["Sample.mp3"] == "" || got["03 Loud.mp3"] != "loud" || got["01 Harbour.mp3"] != "harbor" {
		t.Errorf("finished holds %q", got)
	}
	if a, err := s.ws.Audit(context.Background()); err != nil || !a.Clean {
		t.Errorf("audit: %+v, %v", a.Exceptions, err)
	}
}

// The same recording once more, while the one it repeats is shelved.
func TestSameBytesAgainWhileShelved(t *testing.T) {
	s := newShelfTest(t)
	_, err := s.shelve(nil)
	check(t, err)
	drop(t, s.ws, "Tides/03 Loud.wav", "louder")
	check(t, drive(s.ws, &dyingDisk{}))
	s.isShelved("nothing was made, and the copy was dropped")
	if names, err := namesIn(filepath.Join(s.ws.Inbox, "Tides")); err != nil || len(names) > 0 {
		t.Errorf("the inbox holds %q, %v", names, err)
	}
	defer s.away()()
	drop(t, s.ws, "Tides/03 Loud.wav", "louder") // what cannot be compared is kept
	check(t, drive(s.ws, &dyingDisk{}))
	if _, err := os.Lstat(filepath.Join(s.ws.Archive, "Tides", "03 Loud.r3.wav")); err != nil {
		t.Error(err)
	}
}

// While recordings move nothing of the book is begun, and a daemon drops what a dead process
// has left of that.
func TestNothingBeginsWhileABookIsShelved(t *testing.T) {
	s := newShelfTest(t)
	other := newDaemon(s.ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	j, err := other.hold("Tides", true)
	check(t, err)
	drop(t, s.ws, "TIDES/05 Rope.wav", "rope")
	drop(t, s.ws, "Ebb/01 Flat.wav", "flat")
	d := newDaemon(s.ws, Settings{Quiet: time.Second, NetworkQuiet: time.Second, FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	now := time.Now()
	for range 3 * looksMin {
		d.scanAll(now)
		now = now.Add(time.Second)
	}
	d.gather(now)
	for _, b := range d.queue {
		_, err := d.claim(b)
		if lost := errors.Is(err, errLost); lost != (b.Book == "TIDES") {
			t.Errorf("claim of %s/%s: %v", b.Book, b.Chapter, err)
		}
	}
	_, err = Do(context.Background(), s.ws, Settings{FreeMarginBytes: 1}, testHands(), zap.NewNop(), Filed{Book: "Tides", Chapter: "03 Loud", In: "Tides", Ending: endingMP3}, Ask{Kind: Withdraw})
	var refused *RefusedError
	if !errors.As(err, &refused) || !refused.Busy {
		t.Errorf("withdraw: %v", err)
	}
	if st, err := s.ws.Status(Settings{LockDir: t.TempDir()}, testHands()); err != nil || len(st.Making) != 1 {
		t.Errorf("status: %+v, %v", st.Making, err)
	}
	released := other.me
	released.Released = true
	check(t, writeLease(j.Dir, released))
	check(t, drive(s.ws, &dyingDisk{})) // which goes on with Ebb, drops the hold and makes Rope
	if names, err := namesIn(s.ws.Working); err != nil || len(names) > 0 {
		t.Errorf("working holds %q, %v", names, err)
	}
	if got := contents(t, filepath.Join(s.ws.Finished, "Tides"), ".mp3"); got["05 Rope.mp3"] != "rope" {
		t.Errorf("finished holds %q", got)
	}
}

// A disk that has another place now is found with --from.
func TestDiskInAnotherPlace(t *testing.T) {
	s := newShelfTest(t)
	_, err := s.shelve(nil)
	check(t, err)
	check(t, os.Rename(s.disk, s.disk+" 1"))
	s.disk += " 1"
	_, err = s.back(nil)
	var refused *RefusedError
	if !errors.As(err, &refused) || !strings.Contains(refused.Says, "--from") {
		t.Errorf("it ended with %v", err)
	}
	_, err = Unshelve(context.Background(), s.ws, Settings{FreeMarginBytes: 1}, "Tides", Shelf{Dir: s.disk})
	check(t, err)
	s.isBack("from elsewhere")
}
