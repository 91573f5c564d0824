package takes

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// share is a count of something among all there were.
type share struct{ got, of int }

func (s *share) add(yes bool) {
	s.of++
	if yes {
		s.got++
	}
}

func (s *share) addAll(other share) { s.got, s.of = s.got+other.got, s.of+other.of }

// bounds are between which shares the true one lies, with 95 % confidence: Wilson's
// interval (1927); where none or all were counted, the exact one-sided bound, which is
// the rule of three for large counts.
func (s share) bounds() (low, high float64) {
	n, p := float64(s.of), float64(s.got)/float64(s.of)
	switch {
	case s.of == 0:
		return 0, 1
	case s.got == 0:
		return 0, 1 - math.Pow(0.05, 1/n)
	case s.got == s.of:
		return math.Pow(0.05, 1/n), 1
	}
	const z = 1.959964
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return middle - half, middle + half
}

func (s share) String() string {
	low, high := s.bounds()
	return fmt.Sprintf("%d of %d | %.2f to %.2f %%", s.got, s.of, 100*low, 100*high)
}

// atLeast and atMost hold a share against what is wanted of it, in percent.
func (s share) atLeast(t *testing.T, what string, percent float64) {
	t.Helper()
	if s.of == 0 || float64(s.got)*100 < percent*float64(s.of) {
		t.Errorf("%s: %v, want at least %g %%", what, s, percent)
	}
}

func (s share) atMost(t *testing.T, what string, percent float64) {
	t.Helper()
	if s.of == 0 || float64(s.got)*100 > percent*float64(s.of) {
		t.Errorf("%s: %v, want at most %g %%", what, s, percent)
	}
}

// table is what is printed in the end.
type table struct{ strings.Builder }

func newTable() *table {
	t := &table{}
	t.WriteString("\n| what | counted | 95 % bounds |\n| --- | --- | --- |\n")
	return t
}

func (t *table) row(what string, counted any) {
	if s := fmt.Sprint(counted); strings.Contains(s, "|") {
		fmt.Fprintf(t, "| %s | %s |\n", what, s)
	} else {
		fmt.Fprintf(t, "| %s | %s | |\n", what, s)
	}
}

func TestBounds(t *testing.T) {
	for _, c := range []struct {
		s         share
		low, high float64
	}{
		{share{0, 300}, 0, 0.00994},      // the rule of three: 3/300
		{share{300, 300}, 0.99006, 1},    // the same from above
		{share{5, 10}, 0.2366, 0.7634},   // Wilson, computed by hand
		{share{98, 100}, 0.9300, 0.9945}, // the same
	} {
		if low, high := c.s.bounds(); math.Abs(low-c.low) > 1e-3 || math.Abs(high-c.high) > 1e-3 {
			t.Errorf("%v: got %.4f to %.4f, want %.4f to %.4f", c.s, low, high, c.low, c.high)
		}
	}
}

// retakeFigures are counts over recordings by somebody who keeps rolling.
type retakeFigures struct {
	searched share // places searched, and wrong ones told
	// Readings that were read again: broken off in a word, behind a wrong word, read to
	// the end.
	found, inWord, wrongWord, toTheEnd share
	place                              share // right ones whose edges are in no word
}

// count listens to a session's one recording.
func (f *retakeFigures) count(t *testing.T, name string, s *narrated.Session) {
	t.Helper()
	r := s.Recordings[0]
	v := voiceOf(r.Samples)
	f.searched.of += len(v.m.Phrases)
	covered := map[int]bool{}
	for _, got := range v.Retakes(nil, 1) {
		all := speech.Span{From: 0, To: v.m.Features.Len()}
		judged := s.Judge([]narrated.Kept{
			keptOf(0, speech.Span{From: all.From, To: got.First.From}), keptOf(0, speech.Span{From: got.Again.From, To: all.To})})
		if judged.WordsLost > 0 {
			f.searched.got++
			told(t, name+", wrong", got)
			t.Logf("%s: %s", name, strings.Join(judged.Says, "; "))
			continue
		}
		f.place.add(judged.EdgesInWord == 0)
		const slack = 20 // frames
		for i, u := range r.Utterances {
			if got.First.From*speech.FrameSamples <= u.From+slack*speech.FrameSamples && (got.Again.From+slack)*speech.FrameSamples >= u.To {
				covered[i] = true
			}
		}
	}
	for i, u := range r.Utterances[:len(r.Utterances)-1] {
		if u.Sentence != r.Utterances[i+1].Sentence {
			continue
		}
		f.found.add(covered[i])
		switch {
		case !u.Broken:
			f.toTheEnd.add(covered[i])
		case u.To > u.Right:
			f.wrongWord.add(covered[i])
		default:
			f.inWord.add(covered[i])
		}
		if !covered[i] {
			t.Logf("%s: missed: %.2f to %.2f s, of it %.2f s wrong, broken off: %v, read again at %.2f s", name,
				seconds(u.From), seconds(u.To), seconds(u.To-u.Right), u.Broken, seconds(r.Utterances[i+1].From))
		}
	}
}

func told(t *testing.T, where string, r Retake) {
	t.Helper()
	const s = speech.FramesPerSecond
	t.Logf("%s: %.2f to %.2f s, again at %.2f s, likeness %.1f", where,
		float64(r.First.From)/s, float64(r.First.To)/s, float64(r.Again.From)/s, r.Likeness)
}

// at is the sentence that is read in a frame.
func at(r *narrated.Recording, frame int) int {
	i := slices.IndexFunc(r.Utterances, func(u narrated.Utterance) bool { return u.To > frame*speech.FrameSamples })
	return r.Utterances[max(i, 0)].Sentence
}

// beginAlike tells whether two sentences begin with the same three words.
func beginAlike(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	return len(x) > 2 && len(y) > 2 && slices.Equal(x[:3], y[:3])
}

// toldOf counts what is told of narration without a slip.
type toldOf struct {
	searched share // openings, and those of which something is told
	minutes  float64
	alike    share // told where two sentences in a row begin alike
}

func (f *toldOf) count(t *testing.T, name string, made *narrated.Session) {
	t.Helper()
	r := made.Recordings[0]
	v := voiceOf(r.Samples)
	f.searched.of += len(v.m.Phrases)
	f.minutes += seconds(len(r.Samples)) / 60
	for n := range made.Script[1:] {
		if beginAlike(made.Script[n], made.Script[n+1]) {
			f.alike.of++
		}
	}
	for _, got := range v.Retakes(nil, 1) {
		f.searched.got++
		told(t, name+", nothing read again", got)
		first, again := made.Script[at(r, got.First.From)], made.Script[at(r, got.Again.From)]
		t.Logf("%s / %s", first, again)
		if beginAlike(first, again) {
			f.alike.got++
		}
	}
}

// TestFigures counts what is told of plain narration and what is found of sentences
// that were read again. LECTERN_LONG=1 for the figures in README.md: three hours of
// narration in four voices.
func TestFigures(t *testing.T) {
	m := newMaterial(t)
	plainS, rollingS, sessions := 100.0, 100.0, 1
	if m.long {
		plainS, rollingS, sessions = 900, 600, 3
	}
	var plain, repeating toldOf
	var slips, among, read, truly retakeFigures
	for i, s := range m.voices {
		for k := range sessions {
			made, err := s.Plain(t.Context(), pcg(uint64(i), uint64(k)), narrated.Tale, plainS)
			plain.count(t, s.Name, session(t, made, err))
			made, err = s.Rolling(t.Context(), pcg(uint64(i), 100+uint64(k)), narrated.Tale, rollingS, 0.2, 0)
			slips.count(t, s.Name, session(t, made, err))
		}
		made, err := s.Plain(t.Context(), pcg(uint64(i), 300), narrated.Ballad, plainS)
		repeating.count(t, s.Name, session(t, made, err))
		made, err = s.Rolling(t.Context(), pcg(uint64(i), 400), narrated.Ballad, rollingS, 0.2, 0)
		among.count(t, s.Name, session(t, made, err))
	}
	for _, part := range []struct {
		studios []*narrated.Studio
		f       *retakeFigures
	}{{m.readers(t), &read}, {m.again(t), &truly}} {
		for i, s := range part.studios {
			for k := range 3 * sessions {
				made, err := s.Rolling(t.Context(), pcg(uint64(i), 200+uint64(k)), nil, 300, 0.4, 0)
				part.f.count(t, s.Name, session(t, made, err))
			}
		}
	}
	out := newTable()
	for _, part := range []struct {
		what string
		f    toldOf
	}{{"plain narration", plain}, {"a text that repeats itself on purpose", repeating}} {
		out.row(fmt.Sprintf("told in %.1f minutes of %s, of openings searched", part.f.minutes, part.what), part.f.searched)
		out.row("of them where two sentences in a row begin with the same three words", part.f.alike)
	}
	for _, part := range []struct {
		what string
		f    retakeFigures
	}{{"voices", slips}, {"a text that repeats itself", among}, {"real narration", read}, {"real readings of the same words", truly}} {
		if part.f.found.of == 0 {
			continue
		}
		out.row(part.what+": readings found that were read again", part.f.found)
		out.row("of them broken off in a word", part.f.inWord)
		out.row("of them broken off behind a wrong word", part.f.wrongWord)
		out.row("of them read to the end", part.f.toTheEnd)
		out.row(part.what+": wrong ones told, of openings searched", part.f.searched)
		out.row(part.what+": right ones with no edge in a word", part.f.place)
	}
	t.Log(out)
	// The floors of the short form are those of a small sample.
	if float64(plain.searched.got) > 1+plain.minutes/30 {
		t.Errorf("%d told in %.1f minutes of plain narration, want one in 30 minutes", plain.searched.got, plain.minutes)
	}
	if m.long && plain.searched.of < 1500 {
		t.Errorf("%d openings searched in plain narration, want 1500", plain.searched.of)
	}
	found, wrong, place := 85.0, 2.0, 90.0
	if m.long {
		found, wrong, place = 95, 0.2, 98
	}
	all := slips.found
	if !m.long { // each alone is too few
		all.addAll(among.found)
	}
	all.atLeast(t, "readings found that were read again", found)
	slips.searched.atMost(t, "wrong ones told", wrong)
	slips.place.atLeast(t, "edges in no word", place)
}
