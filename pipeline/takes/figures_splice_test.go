package takes

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// sourceOf listens to a recording as the chain does: marks first, then the words
// without them.
func sourceOf(role string, number int, r *narrated.Recording) Source {
	words, sound, marks := speech.NewAnalyzer(), NewAnalyzer(), NewMarkListener()
	for x := range slices.Chunk(r.Samples, 4410) {
		words.Add(x)
		sound.Add(x)
		marks.Add(x)
	}
	m := speech.Draw(words.Features())
	s := Source{Role: role, Number: number, SHA256: fmt.Sprint(role, number), Marks: marks.Marks(m), NearS: -1}
	var spans []speech.Span
	for _, mark := range s.Marks {
		spans = append(spans, mark.Sounds)
	}
	s.Voice = sound.Voice(m.Without(spans))
	return s
}

// judged tells what a spliced reading is worth.
func judged(s *narrated.Session, got *Spliced) narrated.Verdict {
	var kept []narrated.Kept
	for _, x := range got.Stretches {
		kept = append(kept, keptOf(x.Raw, x.Span))
	}
	return s.Judge(kept)
}

// takeFigures are counts over take sets.
type takeFigures struct {
	words            share // lost
	sets             share // with words lost
	joins            share // right, of those where something was decided
	open             share // places where words are heard twice, since nothing was decided
	edges            share // in a word
	broken, twice    int
	byKind           map[string]*share // takes that came to lie as they should
	searched, marked share             // unrelated openings, taken; marks that are none
}

// count splices a session of takes.
func (f *takeFigures) count(t *testing.T, name string, s *narrated.Session) {
	t.Helper()
	var sources []Source
	var kinds []string
	for i, r := range s.Recordings {
		sources = append(sources, sourceOf(Take, i+1, r))
		kinds = append(kinds, r.Kind)
		f.marked.of += len(r.Utterances)
		f.marked.got += len(sources[i].Marks)
	}
	got, err := Splice(sources, nil)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	v := judged(s, got)
	f.words.of, f.words.got = f.words.of+v.Words, f.words.got+v.WordsLost
	f.sets.add(v.WordsLost > 0)
	f.joins.of, f.joins.got = f.joins.of+v.Joins-v.JoinsOpen, f.joins.got+v.JoinsRight
	f.open.of, f.open.got = f.open.of+v.Joins, f.open.got+v.JoinsOpen
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	f.broken, f.twice = f.broken+v.BrokenLeft, f.twice+v.Twice
	if f.byKind == nil {
		f.byKind = map[string]*share{}
	}
	if len(kinds) == 2 { // what is wrong is of the one take
		if f.byKind[kinds[1]] == nil {
			f.byKind[kinds[1]] = &share{}
		}
		f.byKind[kinds[1]].add(v.WordsLost+v.Twice+v.BrokenLeft+v.EdgesInWord == 0)
	}
	if len(v.Says) > 0 {
		t.Logf("%s, %s: %s", name, strings.Join(kinds, ", "), strings.Join(v.Says, "; "))
		for _, j := range got.Joins {
			t.Logf("  %s at stretch %d, likeness %.1f", j.Kind, j.Stretch, j.Likeness)
		}
	}
	if len(kinds) == 2 && kinds[1] == narrated.Straight {
		f.unrelated(lineOf(0, sources[0].Voice), lineOf(1, sources[1].Voice))
	}
}

// unrelated searches every phrase of a take that goes straight on in the last minute
// before it, where nothing like it was said.
func (f *takeFigures) unrelated(earlier, later line) {
	from := len(earlier) - 1
	for from > 0 && earlier.seconds(from-1, len(earlier)) < backFrames/speech.FramesPerSecond {
		from--
	}
	at := 0
	for _, end := range phraseEnds(later) {
		f.searched.add(join(earlier[from:], later[at:]).kind != Apart)
		at = end
	}
}

// TestTakeFigures counts what becomes of takes of one chapter. LECTERN_LONG=1 for the
// figures in README.md: 500 take sets.
func TestTakeFigures(t *testing.T) {
	m := newMaterial(t)
	sets, straights := 125, 30
	var f takeFigures
	if !m.long {
		sets, straights = 0, 0
		for i, kind := range []string{narrated.GoesBack, narrated.Insert, narrated.Straight} {
			made, err := m.voices[0].Takes(t.Context(), pcg(uint64(i), 1), 7, kind)
			f.count(t, m.voices[0].Name, session(t, made, err))
		}
	}
	for i, s := range m.voices {
		for k := range sets {
			made, err := s.TakeSet(t.Context(), pcg(uint64(i), 1000+uint64(k)))
			f.count(t, fmt.Sprintf("%s, set %d", s.Name, k), session(t, made, err))
		}
		for k := range straights {
			made, err := s.Takes(t.Context(), pcg(uint64(i), 2000+uint64(k)), 30, narrated.Straight)
			f.count(t, fmt.Sprintf("%s, straight on %d", s.Name, k), session(t, made, err))
		}
	}
	out := newTable()
	out.row("words lost, of words said", f.words)
	out.row("take sets with words lost", f.sets)
	out.row("joins right, of those decided", f.joins)
	out.row("places left open, all of both kept", f.open)
	out.row("edges in a word", f.edges)
	out.row("sentences heard twice", f.twice)
	out.row("readings broken off and left in", f.broken)
	for _, kind := range slices.Sorted(maps.Keys(f.byKind)) {
		out.row("sets of two without fault: the second "+kind, *f.byKind[kind])
	}
	out.row("unrelated openings taken, of those searched in the last minute", f.searched)
	out.row("marks heard where there are none, of sentences", f.marked)
	t.Log(out)
	f.words.atMost(t, "words lost", 0)
	f.searched.atMost(t, "unrelated openings taken", 0)
	f.marked.atMost(t, "marks heard where there are none", 0)
	joins, edges := 80.0, 5.0
	if m.long {
		joins, edges = 98, 0.5
		if f.sets.of < 500 || f.searched.of < 1500 {
			t.Errorf("%d take sets and %d unrelated openings, want 500 and 1500", f.sets.of, f.searched.of)
		}
	}
	f.joins.atLeast(t, "joins right", joins)
	f.edges.atMost(t, "edges in a word", edges)
}

// markFigures are counts over readings with marks.
type markFigures struct {
	found    share // marks
	invented share // of utterances
	cut      share // marked readings that were cut
	wrongCut share // other readings that were
	words    share // lost
	edges    share // in a word
}

func (f *markFigures) count(t *testing.T, name string, s *narrated.Session) {
	t.Helper()
	r := s.Recordings[0]
	source := sourceOf(Take, 1, r)
	f.invented.of += len(r.Utterances)
	heard := make([]bool, len(r.Marks))
	for _, got := range source.Marks {
		const slack = speech.FrameSamples * 5
		i := slices.IndexFunc(r.Marks, func(m narrated.Mark) bool {
			return got.Sounds.From*speech.FrameSamples < m.To+slack && got.Sounds.To*speech.FrameSamples > m.From-slack
		})
		if i < 0 {
			f.invented.got++
			t.Logf("%s: a mark invented at %.2f s", name, float64(got.Sounds.From)/speech.FramesPerSecond)
			continue
		}
		heard[i] = true
	}
	for i, m := range r.Marks {
		f.found.add(heard[i])
		if !heard[i] {
			t.Logf("%s: missed a mark at %.2f s, %.1f dB over the room", name, seconds(m.From), m.OverRoomDB)
		}
	}
	got, err := Splice([]Source{source}, nil)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	v := judged(s, got)
	f.words.of, f.words.got = f.words.of+v.Words, f.words.got+v.WordsLost
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	if v.WordsLost > 0 || v.EdgesInWord > 0 {
		t.Logf("%s: %s", name, strings.Join(v.Says, "; "))
	}
	for i, u := range r.Utterances {
		kept := slices.ContainsFunc(got.Stretches, func(x Stretch) bool {
			middle := (u.From + u.To) / 2 / speech.FrameSamples
			return x.From <= middle && middle < x.To
		})
		again := i+1 < len(r.Utterances) && r.Utterances[i+1].Sentence == u.Sentence
		if again && slices.ContainsFunc(r.Marks, func(m narrated.Mark) bool { return m.From >= u.To && m.To <= r.Utterances[i+1].From }) {
			f.cut.add(!kept)
			if kept {
				t.Logf("%s: marked and not cut: %.2f to %.2f s, of it %.2f s wrong, read again at %.2f s", name,
					seconds(u.From), seconds(u.To), seconds(u.To-u.Right), seconds(r.Utterances[i+1].From))
			}
		} else {
			f.wrongCut.add(!kept)
		}
	}
}

// TestMarkFigures counts marks heard and what they cut, and listens for marks where
// there are none.
func TestMarkFigures(t *testing.T) {
	m := newMaterial(t)
	longS, sessions := 50.0, 1
	if m.long {
		longS, sessions = 600, 2
	}
	var f markFigures
	for i, s := range m.voices {
		for k := range sessions {
			made, err := s.Rolling(t.Context(), pcg(uint64(i), 3000+uint64(k)), longS, 0.3, 0.6)
			f.count(t, s.Name, session(t, made, err))
		}
	}
	for name, x := range m.noises {
		got := sourceOf(Take, 1, &narrated.Recording{Samples: x}).Marks
		f.invented.of++
		f.invented.got += len(got)
		t.Logf("%s, %.0f s without claps: %d marks", name, seconds(len(x)), len(got))
	}
	out := newTable()
	out.row("marks found", f.found)
	out.row("marks invented, of sentences and noise recordings", f.invented)
	out.row("marked readings cut", f.cut)
	out.row("readings cut without a mark", f.wrongCut)
	out.row("words lost, of words said", f.words)
	out.row("edges in a word", f.edges)
	t.Log(out)
	f.words.atMost(t, "words lost", 0)
	f.wrongCut.atMost(t, "readings cut without a mark", 0)
	f.invented.atMost(t, "marks invented", 0)
	f.found.atLeast(t, "marks found", 100)
	cut := 70.0
	if m.long {
		cut = 98
	}
	f.cut.atLeast(t, "marked readings cut", cut)
}

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
	v := judged(s, got)
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
	for i, s := range m.voices {
		for k := range pickups {
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
