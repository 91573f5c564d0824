package watcher

import (
	"testing"
	"time"
)

func TestSettle(t *testing.T) {
	const quiet = 5 * time.Second
	small, large := look{Size: 100, ModifiedNS: 1}, look{Size: 200, ModifiedNS: 1}
	touched := look{Size: 100, ModifiedNS: 1, ChangedNS: 9}
	type at struct {
		s    float64
		look look
	}
	for _, c := range []struct {
		name    string
		looks   []at
		settled bool
	}{
		{"three looks over the quiet time", []at{{0, small}, {2, small}, {5, small}}, true},
		{"two looks only, however far apart", []at{{0, small}, {60, small}}, false},
		{"many looks, too soon", []at{{0, small}, {1, small}, {2, small}, {4.9, small}}, false},
		{"grew in between", []at{{0, small}, {2, small}, {4, large}, {6, large}, {8, large}}, false},
		{"grew, then long quiet", []at{{0, small}, {2, large}, {4, large}, {7, large}}, true},
		{"only its rights changed: it is looked at afresh", []at{{0, small}, {3, small}, {6, touched}}, false},
		{"shrank and grew back", []at{{0, large}, {2, small}, {4, large}, {6, large}}, false},
	} {
		start := time.Now()
		var w watched
		now := start
		for _, a := range c.looks {
			now = start.Add(time.Duration(a.s * float64(time.Second)))
			w = w.seen(a.look, now)
		}
		if got := w.settled(now, quiet); got != c.settled {
			t.Errorf("%s: settled %v, want %v", c.name, got, c.settled)
		}
	}
}

func TestNextLookGivesEnoughLooksByTheEndOfTheQuietTime(t *testing.T) {
	const quiet = 5 * time.Second
	start := time.Now()
	var w watched
	now := start
	for range 10 {
		w = w.seen(look{Size: 1}, now)
		if w.settled(now, quiet) {
			break
		}
		next := w.nextLook(now, quiet)
		if !next.After(now) {
			t.Fatalf("the next look, after %v, is not later", now.Sub(start))
		}
		now = next
	}
	if took := now.Sub(start); took != quiet {
		t.Errorf("an unchanged file settled after %v, want %v", took, quiet)
	}
}
