package watcher

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// sharersOf makes a Share with so many places and a clock of its own, and workspaces in it.
func sharersOf(slots, workspaces int) (*Share, *time.Time, []*sharer) {
	now := time.Unix(1_000_000, 0)
	s := &Share{slots: slots, now: func() time.Time { return now }}
	var all []*sharer
	for range workspaces {
		all = append(all, s.join())
	}
	return s, &now, all
}

func isWoken(m *sharer) bool {
	select {
	case <-m.woken():
		return true
	default:
		return false
	}
}

func TestShareIsFair(t *testing.T) {
	const chapters = 30
	_, _, all := sharersOf(2, 3)
	type held struct {
		by  int
		key string
	}
	var inWork []held
	done := make([]int, len(all))
	var order []string
	// The first workspace has all its chapters at once; the others come a little later.
	left := []int{chapters, 0, 0}
	for step := 0; step < 3*chapters+10; step++ {
		if step == 4 {
			left[1], left[2] = 5, 5
		}
		for i, m := range all {
			for left[i] > 0 {
				key := fmt.Sprint(i, left[i])
				if !m.take(key) {
					break
				}
				left[i]--
				inWork = append(inWork, held{i, key})
			}
			if left[i] == 0 {
				m.rest()
			}
		}
		if len(inWork) > 2 {
			t.Fatalf("%d chapters in work, want 2 at most", len(inWork))
		}
		if len(inWork) > 0 {
			all[inWork[0].by].put(inWork[0].key)
			done[inWork[0].by]++
			order = append(order, fmt.Sprint(inWork[0].by))
			inWork = inWork[1:]
		}
	}
	if !slices.Equal(done, []int{chapters, 5, 5}) {
		t.Fatalf("made: %d, want all", done)
	}
	// Once all three want, each of them is served in every four chapters.
	for at := 6; at < 6+12; at += 4 {
		for _, who := range []string{"1", "2"} {
			if !slices.Contains(order[at:at+4], who) {
				t.Fatalf("workspace %s waits too long: %s", who, strings.Join(order, ""))
			}
		}
	}
}

func TestShareCallsWhoeverIsNext(t *testing.T) {
	_, _, all := sharersOf(1, 3)
	a, b, c := all[0], all[1], all[2]
	if !a.take("a1") || b.take("b1") || c.take("c1") || a.take("a2") {
		t.Fatal("one place was given out more than once, or not at all")
	}
	a.put("a1")
	if !isWoken(b) || isWoken(c) || isWoken(a) {
		t.Error("the one that has waited longest was not woken alone")
	}
	b.rest() // it has nothing to do any more
	if !isWoken(c) {
		t.Error("its turn was not passed on")
	}
	c.leave()
	if !isWoken(a) || !a.take("a2") {
		t.Error("whoever leaves keeps the others waiting")
	}
}

func TestShareOutlivesOneThatHangs(t *testing.T) {
	s, now, all := sharersOf(1, 2)
	hung, other := all[0], all[1]
	other.take("o1")
	hung.take("h1")
	other.take("o2")
	other.put("o1")
	if !isWoken(hung) || other.take("o2") {
		t.Fatal("the turn did not go to the one that waited")
	}
	*now = now.Add(turnLasts + time.Second)
	if !other.take("o2") {
		t.Error("a turn that is not taken is not passed on")
	}
	other.put("o2")
	if !hung.take("h1") {
		t.Fatal("one that came too late is not served")
	}
	if *now = now.Add(slotIdle - time.Second); other.take("o3") {
		t.Error("a place is given away too soon")
	}
	hung.move("h1")
	if *now = now.Add(slotIdle - time.Second); other.take("o3") {
		t.Error("a place is given away although its chapter moves")
	}
	if *now = now.Add(time.Second); !other.take("o3") {
		t.Error("a chapter that does not move keeps its place for ever")
	}
	s.slots = 3
	if !other.take("o4") || s.free() != 1 {
		t.Errorf("%d places are free, want 1", s.free())
	}
}
