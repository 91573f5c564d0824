package takes

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
)

// pickupFigures are counts over pickups; a pickup has one to three passages. A passage
// that reads what the chapter says elsewhere too, but for a word or two, is alike: since
// a pickup is there to change a word or two, nobody can tell where it belongs from its
// words alone, and to ask is right. Those pickups are counted apart.
type pickupFigures struct {
	right, wrong, refused                share // of those that have a place
	alikeRight, alikeWrong, alikeRefused share
	taken, alikeTaken                    share // of those that have none
	edges                                share // in a word
	soft                                 share // edges in the softest part of one
	reasons                              map[string]int
}

// alikeShare is how much of the words of a passage, in their order, must be said
// elsewhere for it to be alike. Our choice: of ten words all but three.
const alikeShare = 0.7

// isAlike tells whether a passage could as well be another place of the chapter. A place
// may begin at any word.
func isAlike(s *narrated.Session, p narrated.Passage) bool {
	var before, behind []string
	in := s.Recordings[0].Utterances
	for _, u := range in {
		switch words := plainWords(s.Script[u.Sentence]); {
		case u.Sentence < p.From:
			before = append(before, words...)
		case u.Sentence >= p.To:
			behind = append(behind, words...)
		}
	}
	var want []string
	for k := p.From; k < p.To; k++ {
		want = append(want, plainWords(s.Script[k])...)
	}
	most := int(math.Ceil(alikeShare * float64(len(want))))
	return commonWords(want, before) >= most || commonWords(want, behind) >= most
}

// commonWords is how many words of want are said in their order in a stretch of text of
// its length, three words longer at most, wherever it begins.
func commonWords(want, text []string) (most int) {
	for from := range text {
		part := text[from:min(len(text), from+len(want)+3)]
		row := make([]int, len(part)+1)
		for _, w := range want {
			last := 0 // row[j-1] of the word before
			for j, other := range part {
				was := row[j+1]
				if w == other {
					row[j+1] = last + 1
				} else {
					row[j+1] = max(row[j+1], row[j])
				}
				last = was
			}
		}
		most = max(most, row[len(part)])
	}
	return most
}

// TestCommonWords makes sure that the pickups counted apart are those meant.
func TestCommonWords(t *testing.T) {
	text := plainWords("He had copied the lamp so often that it no longer troubled him. If the doctor had counted the letters, the ferry would have turned in the blue hour.")
	for want, n := range map[string]int{
		"He had copied the lamp so often that it no longer troubled him.":   13,
		"He had sold the brass key so often that it no longer troubled him": 11,
		"The ferry grew wide and bright in the blue hour.":                  6,
		"Nobody sold the oars after the bell had rung":                      2,
		"": 0,
	} {
		if got := commonWords(plainWords(want), text); got != n {
			t.Errorf("%q: %d words in common, want %d", want, got, n)
		}
	}
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
	got, err := Splice(sources, nil, 1)
	if misplaced := new(PlaceError); err != nil && !errors.As(err, &misplaced) {
		t.Fatalf("%s: %v", name, err)
	}
	refuse := slices.ContainsFunc(passages, func(p narrated.Passage) bool { return p.Kind == narrated.Absent || p.Kind == narrated.Double })
	alike := slices.ContainsFunc(passages, func(p narrated.Passage) bool { return p.Kind != narrated.Double && isAlike(s, p) })
	if refuse {
		taken := &f.taken
		if alike {
			taken = &f.alikeTaken
		}
		taken.add(err == nil)
		if err == nil {
			t.Logf("%s, %v: taken", name, passages)
		}
		return
	}
	right, wrong, refused := &f.right, &f.wrong, &f.refused
	if alike {
		right, wrong, refused = &f.alikeRight, &f.alikeWrong, &f.alikeRefused
	}
	refused.add(err != nil)
	if err != nil {
		right.add(false)
		wrong.add(false)
		if f.reasons == nil {
			f.reasons = map[string]int{}
		}
		f.reasons[err.(*PlaceError).Reason]++
		t.Logf("%s, %v: refused: %v", name, passages, err)
		return
	}
	v := judged(s, sources, got)
	isRight := v.WordsLost+v.OldLeft+v.Twice == 0
	right.add(isRight)
	wrong.add(!isRight)
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	f.soft.of, f.soft.got = f.soft.of+v.Edges, f.soft.got+v.EdgesSoft
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
	out.row("pickups like another place: right", f.alikeRight)
	out.row("the same, wrong", f.alikeWrong)
	out.row("the same, asked about", f.alikeRefused)
	out.row("the same, that have no place: taken", f.alikeTaken)
	out.row("edges in a word", f.edges)
	out.row("edges in the softest part of one", f.soft)
	t.Log(out)
	f.wrong.atMost(t, "pickups in a wrong place", 0)
	if f.alikeWrong.got > 0 { // there may be none at all
		t.Errorf("pickups like another place in a wrong one: %v, want none", f.alikeWrong)
	}
	f.taken.atMost(t, "pickups taken that have no place, or two", 0)
	right := 50.0
	if m.long {
		right = 95
		if n := f.right.of + f.taken.of; n < 200 {
			t.Errorf("%d pickups, want 200", n)
		}
	}
	f.right.atLeast(t, "pickups in their right place", right)
}
