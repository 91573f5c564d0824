package watcher

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// lateMost is how long after the end of its quiet time a take may be claimed.
const lateMost = 2 * time.Second

// TestClaimedSoonAfterTheQuietTimeWithoutNotifications drops takes at odd moments between
// two rescans.
func TestClaimedSoonAfterTheQuietTimeWithoutNotifications(t *testing.T) {
	const quiet = 5 * time.Second
	inBubble(t, testHands(), nil, func(b *bubble) {
		b.after(time.Minute)
		for i := range 10 {
			name := fmt.Sprintf("Tides/%02d.wav", i)
			b.after(time.Duration(i) * 1370 * time.Millisecond)
			drop(b, b.ws, name, fmt.Sprint("all there ", i))
			b.after(quiet - time.Millisecond)
			b.wantFile("inbox/"+name, true)
			b.after(lateMost + time.Millisecond)
			b.wantFile("inbox/"+name, false)
			b.after(time.Minute)
		}
	})
}

// TestClaimedSoonAfterItIsClosed holds a take open long after it has last changed.
func TestClaimedSoonAfterItIsClosed(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		for i := range 5 {
			name := fmt.Sprintf("Take %d.wav", i+1)
			f, err := os.Create(filepath.Join(b.ws.Inbox, name))
			check(b, err)
			_, err = fmt.Fprint(f, "all there ", i)
			check(b, err)
			b.after(time.Minute + time.Duration(i)*1370*time.Millisecond)
			b.wantFile("inbox/"+name, true)
			check(b, f.Close())
			b.after(lateMost)
			b.wantFile("inbox/"+name, false)
		}
	})
}

func TestNextPoll(t *testing.T) {
	now := time.Now()
	for name, c := range map[string]struct {
		d    *daemon
		want time.Duration // after the last one; -1 for none
	}{
		"no notifications at all":    {&daemon{pollTook: time.Millisecond}, time.Second},
		"too many folders":           {&daemon{hints: &hints{}, polling: true}, time.Second},
		"a share":                    {&daemon{hints: &hints{}, remote: true}, time.Second},
		"a slow share":               {&daemon{hints: &hints{}, remote: true, pollTook: 40 * time.Millisecond}, 4 * time.Second},
		"a very slow share":          {&daemon{pollTook: time.Second}, 15 * time.Second},
		"all changes are told":       {&daemon{hints: &hints{}, pollTook: time.Millisecond}, -1},
		"an inbox that is not there": {&daemon{scanPause: time.Second}, -1},
	} {
		d := c.d
		d.set.Rescan, d.polledAt = 15*time.Second, now
		if c.want < 0 {
			if next := d.nextPoll(); !next.IsZero() {
				t.Errorf("%s: looked through after %v, want only at the rescan", name, next.Sub(now))
			}
		} else if got := d.nextPoll().Sub(now); got != c.want {
			t.Errorf("%s: looked through after %v, want %v", name, got, c.want)
		}
	}
}
