package takes

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"unicode"

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
	s.Voice = voiceOn(sound, m.Without(spans))
	return s
}

// judged tells what a spliced reading is worth as it is laid out.
func judged(s *narrated.Session, sources []Source, got *Spliced) narrated.Verdict {
	return s.Judge(laidOut(sources, got))
}

// laidOut are the stretches of a spliced reading with the raws' own room that is heard
// beside them: by the rules by which the chain lays them out, half of a pause is of the raw
// on either side of it, as far as its room is clean.
func laidOut(sources []Source, got *Spliced) (kept []narrated.Kept) {
	const head, tail, most = 50, 200, 150 // frames, the chain's defaults
	var maps []*speech.Map
	for _, source := range sources {
		maps = append(maps, source.Voice.m)
	}
	usual := UsualPause(maps, got.Stretches, most)
	pause := func(i int) int {
		if got.Stretches[i].Pause == AsUsual {
			return usual
		}
		return got.Stretches[i].Pause
	}
	for i, x := range got.Stretches {
		m, marks := sources[x.Raw].Voice.m, sources[x.Raw].Marks
		before, behind := head, tail
		if i > 0 {
			before = pause(i) - pause(i)/2
		}
		if i+1 < len(got.Stretches) {
			behind = pause(i+1) / 2
		}
		start, end := Opening(m, marks, x.From), Ending(m, marks, x.To)
		x.From = start - RoomBefore(m, marks, start, max(0, before-(x.From-start)))
		x.To = end + RoomBehind(m, marks, end, max(0, behind-(end-x.To)))
		kept = append(kept, keptOf(x.Raw, x.Span))
	}
	return kept
}

// takeFigures are counts over take sets.
type takeFigures struct {
	words            share // lost
	sets             share // with words lost
	joins            share // right, of those where something was decided
	open             share // places where words are heard twice, since nothing was decided
	edges            share // in a word
	soft             share // edges in the softest part of one
	broken, twice    int
	byKind           map[string]*share // takes that came to lie as they should
	searched, marked share             // unrelated openings, taken; marks that are none
}

// addAll adds what was counted elsewhere.
func (f *takeFigures) addAll(g *takeFigures) {
	for _, x := range []struct{ to, from *share }{
		{&f.words, &g.words}, {&f.sets, &g.sets}, {&f.joins, &g.joins}, {&f.open, &g.open}, {&f.edges, &g.edges}, {&f.soft, &g.soft},
		{&f.searched, &g.searched}, {&f.marked, &g.marked},
	} {
		x.to.addAll(*x.from)
	}
	f.broken, f.twice = f.broken+g.broken, f.twice+g.twice
	for kind, s := range g.byKind {
		f.kind(kind).addAll(*s)
	}
}

// kind counts the takes of one kind.
func (f *takeFigures) kind(kind string) *share {
	if f.byKind == nil {
		f.byKind = map[string]*share{}
	}
	if f.byKind[kind] == nil {
		f.byKind[kind] = &share{}
	}
	return f.byKind[kind]
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
	got, err := Splice(sources, nil, 1)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	v := judged(s, sources, got)
	f.words.of, f.words.got = f.words.of+v.Words, f.words.got+v.WordsLost
	f.sets.add(v.WordsLost > 0)
	f.joins.of, f.joins.got = f.joins.of+v.Joins-v.JoinsOpen, f.joins.got+v.JoinsRight
	f.open.of, f.open.got = f.open.of+v.Joins, f.open.got+v.JoinsOpen
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	f.soft.of, f.soft.got = f.soft.of+v.Edges, f.soft.got+v.EdgesSoft
	f.broken, f.twice = f.broken+v.BrokenLeft, f.twice+v.Twice
	if len(kinds) == 2 { // what is wrong is of the one take
		f.kind(kinds[1]).add(v.WordsLost+v.Twice+v.BrokenLeft+v.EdgesInWord == 0)
	}
	if len(v.Says) > 0 {
		t.Logf("%s, %s: %s", name, strings.Join(kinds, ", "), strings.Join(v.Says, "; "))
		for _, j := range got.Joins {
			t.Logf("  %s at stretch %d, likeness %.1f", j.Kind, j.Stretch, j.Likeness)
		}
	}
	if len(kinds) == 2 && kinds[1] == narrated.Straight {
		f.unrelated(t, s, lineOf(0, sources[0].Voice), lineOf(1, sources[1].Voice))
	}
}

// unrelated searches every phrase of a take that goes straight on in the last minute
// before it, where nothing like it was said: a sentence that has four words in a row from
// one of that minute is left out.
func (f *takeFigures) unrelated(t *testing.T, s *narrated.Session, earlier, later line) {
	t.Helper()
	from := len(earlier) - 1
	for from > 0 && earlier.seconds(from-1, len(earlier)) < backFrames/speech.FramesPerSecond {
		from--
	}
	before := s.Script[at(s.Recordings[0], earlier[from].From) : at(s.Recordings[0], earlier[len(earlier)-1].From)+1]
	start := 0
	for _, end := range phraseEnds(later) {
		text := s.Script[at(s.Recordings[1], later[start].From)]
		if !slices.ContainsFunc(before, func(b string) bool { return shareWords(b, text, 4) }) {
			j := join(earlier[from:], later[start:])
			f.searched.add(j.kind != Apart)
			if j.kind != Apart {
				t.Logf("unrelated, but %s, likeness %.1f, from %.2f s on: %s / %s", j.kind, j.likeness,
					float64(earlier[from+j.from].From)/speech.FramesPerSecond, s.Script[at(s.Recordings[0], earlier[from+j.from].From)], text)
			}
		}
		start = end
	}
}

// shareWords tells whether two sentences have n words in a row in common, capitals and
// punctuation aside.
func shareWords(a, b string, n int) bool {
	x, y := plainWords(a), plainWords(b)
	for i := 0; i+n <= len(x); i++ {
		for k := 0; k+n <= len(y); k++ {
			if slices.Equal(x[i:i+n], y[k:k+n]) {
				return true
			}
		}
	}
	return false
}

func plainWords(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && r != '\'' })
}

// TestTakeFigures counts what becomes of takes of one chapter. LECTERN_LONG=1 for the
// figures in README.md: 500 take sets.
func TestTakeFigures(t *testing.T) {
	m := newMaterial(t)
	sets, straights := 125, 25
	var f takeFigures
	if !m.long {
		sets, straights = 0, 0
		for i, kind := range []string{narrated.GoesBack, narrated.Insert, narrated.Straight} {
			made, err := m.voices[0].Takes(t.Context(), pcg(uint64(i), 1), 7, kind)
			f.count(t, m.voices[0].Name, session(t, made, err))
		}
	}
	byVoice := make([]takeFigures, len(m.voices))
	t.Run("voices", func(t *testing.T) {
		for i, s := range m.voices {
			t.Run(s.Name, func(t *testing.T) {
				t.Parallel()
				for k := 0; k < sets && !outOfTime(t); k++ {
					made, err := s.TakeSet(t.Context(), pcg(uint64(i), 1000+uint64(k)))
					byVoice[i].count(t, fmt.Sprintf("set %d", k), session(t, made, err))
					if k < straights {
						made, err := s.Takes(t.Context(), pcg(uint64(i), 2000+uint64(k)), 30, narrated.Straight)
						byVoice[i].count(t, fmt.Sprintf("straight on %d", k), session(t, made, err))
					}
				}
			})
		}
	})
	for i := range byVoice {
		f.addAll(&byVoice[i])
	}
	out := newTable()
	out.row("words lost, of words said", f.words)
	out.row("take sets with words lost", f.sets)
	out.row("joins right, of those decided", f.joins)
	out.row("places left open, all of both kept", f.open)
	out.row("edges in a word", f.edges)
	out.row("edges in the softest part of one", f.soft)
	out.row("sentences heard twice", f.twice)
	out.row("readings broken off and left in", f.broken)
	for _, kind := range slices.Sorted(maps.Keys(f.byKind)) {
		out.row("sets of two without fault: the second "+kind, *f.byKind[kind])
	}
	out.row("unrelated openings taken, of those searched in the last minute", f.searched)
	out.row("marks heard where there are none, of sentences", f.marked)
	t.Log(out)
	f.words.atMost(t, "words lost", 0)
	f.marked.atMost(t, "marks heard where there are none", 0)
	joins, edges, taken := 80.0, 5.0, 0.0 // the last of few
	if m.long {
		joins, edges, taken = 98, 0, 0.2
		if f.sets.of < 500 || f.searched.of < 500 {
			t.Errorf("%d take sets and %d unrelated openings, want 500 of each", f.sets.of, f.searched.of)
		}
	}
	f.joins.atLeast(t, "joins right", joins)
	f.searched.atMost(t, "unrelated openings taken", taken)
	f.edges.atMost(t, "edges in a word", edges)
}
