package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

// bubble is a watcher on a clock that jumps: hours cost nothing. There are no
// notifications in it, only rescans.
type bubble struct {
	*testing.T
	ws     *Workspace
	events []Event
	lines  *observer.ObservedLogs
	start  time.Time
	cancel func()
	ended  chan error
}

// inBubble runs a watcher with the default patience, changed by set, and test
// beside it.
func inBubble(t *testing.T, hands Hands, set func(*Settings), test func(*bubble)) {
	t.Helper()
	ws := newWorkspace(t)
	lockDir := filepath.Join(t.TempDir(), "lock")
	synctest.Test(t, func(t *testing.T) {
		b := &bubble{T: t, ws: ws, start: time.Now()}
		s := Settings{PollOnly: true, NetworkQuiet: 5 * time.Second, FreeMarginBytes: 1, LockDir: lockDir}
		if set != nil {
			set(&s)
		}
		s.Notice = func(e Event) { b.events = append(b.events, e) }
		b.run(s, hands)
		test(b)
		b.stop()
	})
}

func (b *bubble) run(s Settings, hands Hands) {
	core, lines := observer.New(zap.InfoLevel)
	b.lines = lines
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel, b.ended = cancel, make(chan error, 1)
	go func() { b.ended <- Run(ctx, b.ws, s, hands, zap.New(core)) }()
}

func (b *bubble) stop() {
	b.Helper()
	b.cancel()
	if err := <-b.ended; err != nil {
		b.Errorf("the watcher ended with: %v", err)
	}
}

// after lets time pass, then everything come to rest.
func (b *bubble) after(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

func (b *bubble) count(k EventKind) (n int) {
	for _, e := range b.events {
		if e.Kind == k {
			n++
		}
	}
	return n
}

// wantLine checks that exactly n lines of log hold text.
func (b *bubble) wantLine(n int, text string) {
	b.Helper()
	got := 0
	for _, l := range b.lines.All() {
		if strings.Contains(l.Message, text) {
			got++
		}
	}
	if got != n {
		b.Errorf("%d lines say %q, want %d. The log:\n%s", got, text, n, messages(b.lines))
	}
}

func (b *bubble) wantFile(path string, there bool) {
	b.Helper()
	if exists(filepath.Join(b.ws.Root, filepath.FromSlash(path))) != there {
		b.Errorf("after %v, %s is there: %v, want %v", time.Since(b.start), path, !there, there)
	}
}

func TestHalfACopyWaitsAndSaysSoOnce(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/03 The Ferry.wav", arriving)
		b.after(10 * time.Minute)
		b.wantLine(1, "03 The Ferry.wav: waiting, 62 % received")
		b.wantLine(0, "stalled")
		b.after(30 * time.Minute)
		b.wantLine(1, "stalled at 62 %")
		b.wantFile("inbox/Tides/03 The Ferry.wav", true)
		drop(b, b.ws, "Tides/03 The Ferry.wav", "all there")
		b.after(time.Minute)
		b.wantFile("finished/Tides/03 The Ferry.mp3", true)
	})
}

func TestQuietTime(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		path := filepath.Join(b.ws.Inbox, "Growing.wav")
		f, err := os.Create(path)
		check(b, err)
		for range 20 { // a write every four seconds is never quiet for five
			_, err := f.WriteString("x")
			check(b, err)
			b.after(4 * time.Second)
		}
		b.wantFile("inbox/Growing.wav", true)
		b.after(time.Hour)
		b.wantLine(1, "still open in the program that writes it")
		b.wantFile("inbox/Growing.wav", true)
		check(b, f.Close())
		b.after(time.Minute)
		b.wantFile("finished/Growing.mp3", true)
	})
}

func TestEmptyFileIsSetAsideAfterAWhile(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/Empty.wav", "")
		b.after(115 * time.Second)
		b.wantFile("inbox/Tides/Empty.wav", true)
		b.after(40 * time.Second)
		b.wantFile("setaside/Tides/Empty.wav", true)
		b.wantFile("setaside/Tides/Empty - please read.txt", true)
		b.wantLine(1, "Empty.wav: set aside. The file is empty")
	})
}

func TestUnfinishedHeaderIsTakenAsItStands(t *testing.T) {
	var taken atomic.Bool
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		taken.Store(job.Raws[0].TakenUnfinished)
		return testMake(ctx, job)
	}
	inBubble(t, hands, nil, func(b *bubble) {
		drop(b, b.ws, "Open.wav", unfinished)
		b.after(110 * time.Second)
		b.wantFile("inbox/Open.wav", true)
		b.wantLine(1, "Open.wav: waiting, the recorder has not closed it")
		b.after(40 * time.Second)
		b.wantFile("finished/Open.mp3", true)
		if !taken.Load() {
			b.Error("Make was not told that the file was taken as it stood")
		}
	})
}

func TestWhatIsNoTakeStaysAndIsReportedOnce(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		outside := filepath.Join(b.ws.Root, "outside.wav")
		check(b, os.WriteFile(outside, []byte("not yours"), 0o640))
		inbox := func(name string) string { return filepath.Join(b.ws.Inbox, name) }
		check(b, os.MkdirAll(inbox("Tides/raw/deeper"), 0o770))
		check(b, os.WriteFile(inbox("Tides/raw/deep.wav"), []byte("x"), 0o640))
		check(b, os.Symlink(outside, inbox("Tides/link.wav")))
		check(b, os.Symlink(b.ws.Root, inbox("Linked Book")))
		check(b, os.Symlink(inbox("Tides/loop.wav"), inbox("Tides/loop.wav")))
		for _, name := range []string{"song.mp3", "Tides/song.flac", "about.toml", "cover.jpg", "._x.wav", "x.wav.part", ".DS_Store"} {
			check(b, os.WriteFile(inbox(name), []byte("x"), 0o640))
		}
		b.after(time.Hour)
		b.wantLine(1, "raw: a folder inside a book folder is too deep")
		for _, name := range []string{"link.wav", "loop.wav", "Linked Book"} {
			b.wantLine(1, name+": refused, because it is a link")
		}
		b.wantLine(1, "song.mp3: not taken")
		b.wantLine(1, "song.flac: not taken")
		b.wantLine(1, "watching ")
		if n := b.lines.Len(); n != 7 {
			b.Errorf("%d lines, want 7:\n%s", n, messages(b.lines))
		}
		if len(b.events) > 0 {
			b.Errorf("events: %+v", b.events)
		}
	})
}

func TestQuestionsAboutNames(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01 take 1.wav", "one")
		drop(b, b.ws, "Tides/01 take 3.wav", "three")
		drop(b, b.ws, "Tides/02.wav", "plain")
		drop(b, b.ws, "Tides/02 take 1.wav", "and take 1")
		drop(b, b.ws, "Tides/03 - Copy.wav", "a copy")
		drop(b, b.ws, "Tides/04.wav", "not in question")
		b.after(10 * time.Minute)
		b.wantLine(1, "01: waiting, take 2 is missing")
		b.wantLine(1, "02: waiting, 02 take 1.wav and 02.wav are both there")
		b.wantFile("setaside/Tides/03 - Copy.wav", true)
		b.wantFile("finished/Tides/04.mp3", true)
		b.wantFile("finished/Tides/01.mp3", false)
		b.wantFile("finished/Tides/02.mp3", false)

		drop(b, b.ws, "Tides/01 take 2.wav", "two")
		check(b, os.Remove(filepath.Join(b.ws.Inbox, "Tides/02 take 1.wav")))
		b.after(time.Minute)
		if data, err := os.ReadFile(filepath.Join(b.ws.Finished, "Tides/01.mp3")); string(data) != "onetwothree" {
			b.Errorf("chapter 01 is %q, %v", data, err)
		}
		b.wantFile("finished/Tides/02.mp3", true)

		drop(b, b.ws, "Tides/01 take 4.wav", "four")
		b.after(time.Minute)
		if data, err := os.ReadFile(filepath.Join(b.ws.Finished, "Tides/01.mp3")); string(data) != "onetwothreefour" {
			b.Errorf("chapter 01 with a later take is %q, %v", data, err)
		}
	})
}

func TestSameBytesAgainMakeNothing(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		sum := drop(b, b.ws, "Tides/01.wav", "one")
		b.after(time.Minute)
		drop(b, b.ws, "Tides/01.wav", "one")
		b.after(time.Minute)
		b.wantLine(1, "the same recording is already finished (revision 1)")
		if n := b.count(Finished); n != 1 {
			b.Errorf("%d chapters made, want 1", n)
		}
		// Damaged in the archive, the copy is the good one: it is kept, and made.
		check(b, os.WriteFile(filepath.Join(b.ws.Archive, "Tides/01.r1.wav"), []byte("rot"), 0o640))
		drop(b, b.ws, "Tides/01.wav", "one")
		b.after(time.Minute)
		if data, err := os.ReadFile(filepath.Join(b.ws.Archive, "Tides/01.r2.wav")); sumOf(data) != sum {
			b.Errorf("the only good copy is %q, %v", data, err)
		}
	})
}

func TestSameBytesAreMadeAgainIfTheChapterWasTakenAway(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", "one")
		b.after(time.Minute)
		check(b, os.Remove(filepath.Join(b.ws.Finished, "Tides/01.mp3")))
		drop(b, b.ws, "Tides/01.wav", "one")
		b.after(time.Minute)
		b.wantFile("finished/Tides/01.mp3", true)
		b.wantFile("archive/Tides/01.r2.wav", true)
		b.wantFile("finished/Tides/superseded/01.r1.json", true)
	})
}

func TestPanicThreeTimesIsSetAsideAndOthersGoOn(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", panics)
		drop(b, b.ws, "Tides/02.wav", "fine")
		b.after(10 * time.Minute)
		b.wantLine(3, "01: could not be finished, trying again")
		b.wantFile("setaside/Tides/01.wav", true)
		b.wantFile("finished/Tides/02.mp3", true)
	})
}

func TestGrownAfterTheClaimWaits(t *testing.T) {
	hands := testHands()
	grew := false
	hands.Complete = func(path string) Completeness {
		if !grew && strings.Contains(path, "working") {
			grew = true
			f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
			check(t, err)
			_, err = f.WriteString(" and the rest")
			check(t, errors.Join(err, f.Close()))
			return Completeness{State: Arriving, Percent: 50}
		}
		return testComplete(path)
	}
	inBubble(t, hands, nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", "half")
		b.after(time.Minute)
		if data, err := os.ReadFile(filepath.Join(b.ws.Finished, "Tides/01.mp3")); string(data) != "half and the rest" {
			b.Errorf("the chapter is %q, %v", data, err)
		}
		b.wantLine(1, "01: waiting, 50 % received")
	})
}

func TestChangedWhileMasteredIsMadeAgain(t *testing.T) {
	hands := testHands()
	calls := 0
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		made, err := testMake(ctx, job)
		if calls++; calls == 1 {
			check(t, os.WriteFile(job.Raws[0].Path, []byte("longer than before"), 0o640))
		}
		return made, err
	}
	inBubble(t, hands, nil, func(b *bubble) {
		drop(b, b.ws, "Tides/01.wav", "short")
		b.after(time.Minute)
		if data, err := os.ReadFile(filepath.Join(b.ws.Finished, "Tides/01.mp3")); string(data) != "longer than before" {
			b.Errorf("the chapter is %q, %v", data, err)
		}
		if err := invariant(b.ws, nil, true); err != nil {
			b.Error(err)
		}
	})
}

func TestCleanStopKeepsTheJobForTheNextStart(t *testing.T) {
	hands := testHands()
	stuck := true
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		if stuck {
			<-ctx.Done()
			return Made{}, ctx.Err()
		}
		return testMake(ctx, job)
	}
	inBubble(t, hands, nil, func(b *bubble) {
		sum := drop(b, b.ws, "Tides/01.wav", "x")
		b.after(time.Minute)
		stopped := time.Now()
		b.stop()
		if took := time.Since(stopped); took > 10*time.Second {
			b.Errorf("the stop took %v", took)
		}
		b.wantFile("inbox/Tides/01.wav", false)
		stuck = false
		b.run(Settings{PollOnly: true, NetworkQuiet: 5 * time.Second, FreeMarginBytes: 1, LockDir: b.TempDir()}, hands)
		b.after(time.Second)
		b.wantFile("finished/Tides/01.mp3", true)
		b.wantFile("archive/Tides/01.r1.wav", true)
		if err := invariant(b.ws, map[string]int{sum: 1}, true); err != nil {
			b.Error(err)
		}
	})
}

func TestStopDoesNotWaitForEver(t *testing.T) {
	ws := newWorkspace(t)
	synctest.Test(t, func(t *testing.T) {
		let := make(chan struct{})
		hands := testHands()
		hands.Make = func(context.Context, Job) (Made, error) { <-let; return Made{}, errors.New("late") }
		b := &bubble{T: t, ws: ws}
		b.run(Settings{PollOnly: true, NetworkQuiet: 5 * time.Second, FreeMarginBytes: 1, unlocked: true}, hands)
		drop(t, ws, "01.wav", "x")
		b.after(time.Minute)
		stopped := time.Now()
		b.cancel()
		if err := <-b.ended; !errors.Is(err, ErrSlowStop) {
			t.Errorf("the watcher ended with: %v", err)
		}
		if took := time.Since(stopped); took > 10*time.Second {
			t.Errorf("the stop took %v", took)
		}
		close(let)
	})
}

// A job of another computer is left alone as long as its lease is renewed, and
// taken over ten minutes after that ends.
func TestLeaseOfAnotherComputer(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		dir := filepath.Join(b.ws.Working, "0011223344556677-aa")
		check(b, os.MkdirAll(filepath.Join(dir, "new"), 0o750))
		check(b, os.Mkdir(filepath.Join(dir, "tries"), 0o750))
		check(b, os.WriteFile(filepath.Join(dir, "new", "1.wav"), []byte("x"), 0o640))
		info, err := os.Lstat(filepath.Join(dir, "new", "1.wav"))
		check(b, err)
		paper, err := json.Marshal(orig{Book: "Tides", Chapter: "01", Raws: []origRaw{
			{File: "1.wav", Name: "01.wav", Role: roleChapter, Look: lookAt(info)},
		}})
		check(b, err)
		check(b, os.WriteFile(filepath.Join(dir, "orig.json"), paper, 0o640))
		other := owner{Host: "elsewhere", Boot: "b", PID: 1, Run: "theirs"}
		for range 60 {
			other.Count++
			check(b, writeLease(dir, other))
			b.after(leaseBeat)
		}
		b.wantFile("finished/Tides/01.mp3", false)
		b.after(leaseLife - 2*time.Minute)
		b.wantFile("finished/Tides/01.mp3", false)
		b.after(3 * time.Minute)
		b.wantFile("finished/Tides/01.mp3", true)
		b.wantLine(1, "going on with 01")
		b.wantFile("working/0011223344556677-aa", false)
	})
}
