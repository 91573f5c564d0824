package watcher

import (
	"fmt"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lectern/watcher/internal/durable"
)

// forgetfulShare does each rename and reports every third of them as failed, as a
// share does whose answer was lost and which was asked again.
type forgetfulShare struct {
	durable.Disk
	renames atomic.Int64
}

func (s *forgetfulShare) answer(err error) error {
	if err == nil && s.renames.Add(1)%3 == 0 {
		return syscall.EIO
	}
	return err
}

func (s *forgetfulShare) Rename(from, to string) error { return s.answer(s.Disk.Rename(from, to)) }

func (s *forgetfulShare) Take(dir, name, to string) error {
	return s.answer(s.Disk.Take(dir, name, to))
}

func TestShareThatForgetsToSayItIsDone(t *testing.T) {
	share := &forgetfulShare{}
	inBubble(t, testHands(), func(s *Settings) { s.fs = share }, func(b *bubble) {
		dropped := map[string]int{}
		for i := range 20 {
			name := fmt.Sprintf("Tides/%02d Loud.wav", i/2) // each twice: a second revision
			dropped[drop(b, b.ws, name, fmt.Sprint("recording ", i))]++
			b.after(time.Hour)
		}
		if err := invariant(b.ws, dropped, true); err != nil {
			b.Error(err)
		}
		if n := b.count(Finished); n != 20 {
			b.Errorf("%d chapters finished, want 20", n)
		}
		b.wantFile("setaside/Tides", false)
	})
	if share.renames.Load() < 100 {
		t.Errorf("only %d renames", share.renames.Load())
	}
}

// Conflict copies, as synchronizing programs make them, are asked about.
func TestConflictCopiesAreAskedAbout(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		dropped := map[string]int{}
		for i, name := range []string{"03 The Ferry.wav", "03 The Ferry (1).wav", "03 The Ferry - Copy.wav"} {
			dropped[drop(b, b.ws, "Tides/"+name, fmt.Sprint("recording ", i))] = 1
		}
		b.after(time.Hour)
		b.wantFile("finished/Tides/03 The Ferry.mp3", true)
		b.wantFile("setaside/Tides/03 The Ferry (1) - please read.txt", true)
		b.wantFile("setaside/Tides/03 The Ferry - Copy - please read.txt", true)
		if err := invariant(b.ws, dropped, true); err != nil {
			b.Error(err)
		}
	})
}
