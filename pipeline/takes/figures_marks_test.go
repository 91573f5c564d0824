package takes

import (
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

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
	got, err := Splice([]Source{source}, nil, 1)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	v := judged(s, []Source{source}, got)
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
			made, err := s.Rolling(t.Context(), pcg(uint64(i), 3000+uint64(k)), narrated.Ballad, longS, 0.3, 0.6)
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
