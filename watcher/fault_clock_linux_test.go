package watcher

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"go.uber.org/zap"
)

// jumped is the same moment on a computer whose clock was set meanwhile: the date
// moves by d, the monotonic reading, from which Sub and Before work, stays. Only the
// time package can make such a time, so its first word is changed, whose upper bits
// count the seconds (time.Time: 1 bit, 33 bits of seconds, 30 bits of nanoseconds).
func jumped(t testing.TB, now time.Time, d time.Duration) time.Time {
	t.Helper()
	out := now
	*(*uint64)(unsafe.Pointer(&out)) += uint64(int64(d/time.Second)) << 30
	if out.Sub(now) != 0 || out.Round(0).Sub(now.Round(0)) != d {
		t.Fatalf("the time package is another one: %v has become %v", now, out)
	}
	return out
}

// Row 38: the clock is set, by up to a day either way, between any two looks, and so
// are the dates of the file. Patience goes by the monotonic clock alone.
func TestFaultClockJumps(t *testing.T) {
	tries, early, stalled := inShort(5, 20), 0, 0
	random := rand.New(rand.NewPCG(7, 8))
	anyDay := func(now time.Time) time.Time {
		return jumped(t, now, time.Duration(random.IntN(2*86400)-86400)*time.Second)
	}
	for range tries {
		ws := memoryWorkspace(t)
		path := filepath.Join(ws.Inbox, "Tides", "03 The Ferry.wav")
		drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
		const quiet = 5 * time.Second
		d := newDaemon(ws, Settings{Quiet: quiet, FreeMarginBytes: 1, unlocked: true}.withDefaults(), testHands(), zap.NewNop())
		start := time.Now()
		look := func(after time.Duration) int {
			now := anyDay(start.Add(after))
			d.scanAll(now)
			d.gather(now)
			return len(d.queue)
		}
		early += look(0) + look(quiet-time.Millisecond)
		year := anyDay(start)
		check(t, os.Chtimes(path, year, year)) // a change like any other: the wait begins anew
		for after := quiet; after < 2*quiet; after += time.Second {
			early += look(after)
		}
		if look(2*quiet) != 1 {
			stalled++
			continue
		}

		// The lease of a job of another computer.
		j, err := d.claim(d.queue[0])
		check(t, err)
		check(t, writeLease(j.Dir, owner{Host: "elsewhere", Run: "theirs"}))
		for after := time.Duration(0); after < leaseLife; after += time.Minute {
			if d.mayAdopt(j.Dir, anyDay(start.Add(after))) {
				early++
			}
		}
		if !d.mayAdopt(j.Dir, anyDay(start.Add(leaseLife))) {
			stalled++
		}
	}
	row(t, "38", "clock and dates set by up to a day between looks (the clock is the test's)", tries, 0, early+stalled,
		"%d taken early, %d not taken in time", early, stalled)
}
