package takes

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
)

// pickupFigures are counts over pickups; a pickup has one to three passages.
type pickupFigures struct {
	right, wrong, refused share // of those that have a place
	taken                 share // of those that have none
	edges                 share // in a word
	reasons               map[string]int
}

func (f *pickupFigures) count(t *testing.T, name string, s *narrated.Session, passages []narrated.Passage, near bool) {
	t.Helper()
	sources := []Source{sourceOf(Chapter, 0, s.Recordings[0]), sourceOf(Pickup, 1, s.Recordings[1])}
	if near {
		for _, u := range s.Recordings[0].Utterances {
			if u.Sentence == passages[0].From {
				sources[1].NearS = seconds(u.From - s.Recordings[0].Utterances[0].From)
			}
		}
	}
	got, err := Splice(sources, nil)
	if misplaced := new(PlaceError); err != nil && !errors.As(err, &misplaced) {
		t.Fatalf("%s: %v", name, err)
	}
	refuse := slices.ContainsFunc(passages, func(p narrated.Passage) bool { return p.Kind == narrated.Absent || p.Kind == narrated.Double })
	if refuse {
		f.taken.add(err == nil)
		if err == nil {
			t.Logf("%s, %v: taken", name, passages)
		}
		return
	}
	f.refused.add(err != nil)
	if err != nil {
		f.right.add(false)
		f.wrong.add(false)
		if f.reasons == nil {
			f.reasons = map[string]int{}
		}
		f.reasons[err.(*PlaceError).Reason]++
		t.Logf("%s, %v: refused: %v", name, passages, err)
		return
	}
	v := judged(s, sources, got)
	right := v.WordsLost+v.OldLeft+v.Twice == 0
	f.right.add(right)
	f.wrong.add(!right)
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	if len(v.Says) > 0 {
		t.Logf("%s, %v: %s", name, passages, strings.Join(v.Says, "; "))
	}
}

// TestPickupFigures counts where pickups are put. LECTERN_LONG=1 for the figures in
// README.md: more than 200 pickups.
func TestPickupFigures(t *testing.T) {
	m := newMaterial(t)
	pickups, sentences := 3, 9 // one of each: inside, at an edge, absent
	if m.long {
		pickups, sentences = 70, 30
	}
	var f pickupFigures
	for k := range pickups {
		for i, s := range m.voices {
			if outOfTime(t) {
				break
			}
			rng := pcg(uint64(i), 4000+uint64(k))
			var kinds []string
			switch k % 7 {
			case 0, 3:
				kinds = []string{narrated.Inside}
			case 1, 4:
				kinds = []string{narrated.AtEdge}
			case 2:
				kinds = []string{[]string{narrated.Absent, narrated.Double}[k/7%2]}
			case 5:
				kinds = []string{narrated.Inside, narrated.AtEdge}
			case 6:
				kinds = []string{narrated.AtEdge, narrated.Inside, []string{narrated.Inside, narrated.Absent}[k/7%2]}
			}
			made, passages, err := s.Pickups(t.Context(), rng, sentences, kinds...)
			f.count(t, fmt.Sprintf("%s, pickup %d", s.Name, k), session(t, made, err), passages, k%7 == 3)
		}
	}
	out := newTable()
	out.row("pickups in their right place", f.right)
	out.row("pickups in a wrong place", f.wrong)
	out.row(fmt.Sprintf("pickups refused, %v", f.reasons), f.refused)
	out.row("pickups taken that have no place, or two", f.taken)
	out.row("edges in a word", f.edges)
	t.Log(out)
	f.wrong.atMost(t, "pickups in a wrong place", 0)
	f.taken.atMost(t, "pickups taken that have no place, or two", 0)
	right := 50.0
	if m.long {
		right = 95
		if f.right.of+f.taken.of < 200 {
			t.Errorf("%d pickups, want 200", f.right.of+f.taken.of)
		}
	}
	f.right.atLeast(t, "pickups in their right place", right)
}
