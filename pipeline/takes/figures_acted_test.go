package takes

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// actedFigures are counts over what is read again in one manner.
type actedFigures struct {
	told               retakeFigures // where nothing is marked
	cut, unasked       share         // first readings cut, with a mark and without
	right, open, wrong share         // second takes
	words              share         // lost at a join or a cut
	trimmed            share         // lost where head and tail are trimmed
	unheard            share         // readings that nobody reads again, and that are not heard
	edges              share         // in a word
}

// count splices a session and counts what must never happen.
func (f *actedFigures) count(t *testing.T, name string, s *narrated.Session) (narrated.Verdict, *Spliced) {
	t.Helper()
	var sources []Source
	for i, r := range s.Recordings {
		sources = append(sources, sourceOf(Take, i+1, r))
	}
	got, err := Splice(sources, nil, 1)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	kept := laidOut(sources, got)
	v := s.Judge(kept)
	kept[0].From, kept[len(kept)-1].To = 0, len(s.Recordings[kept[len(kept)-1].Recording].Samples)
	whole := s.Judge(kept)
	f.words.of, f.words.got = f.words.of+v.Words, f.words.got+whole.WordsLost
	f.trimmed.of, f.trimmed.got = f.trimmed.of+v.Words, f.trimmed.got+v.WordsLost-whole.WordsLost
	f.edges.of, f.edges.got = f.edges.of+v.Edges, f.edges.got+v.EdgesInWord
	readLast := map[int]bool{}
	for raw, r := range slices.Backward(s.Recordings) {
		for _, u := range slices.Backward(r.Utterances) {
			if readLast[u.Sentence] {
				continue
			}
			readLast[u.Sentence] = true
			f.unheard.add(!isHeard(got, raw, u))
			if !isHeard(got, raw, u) {
				t.Logf("%s: raw %d at %.2f s: nobody reads it again, and it is not heard", name, raw, seconds(u.From))
			}
		}
	}
	if v.WordsLost > 0 || v.EdgesInWord > 0 {
		t.Logf("%s: %s", name, strings.Join(v.Says, "; "))
	}
	return v, got
}

// isHeard tells whether the middle of an utterance is in a finished reading.
func isHeard(got *Spliced, raw int, u narrated.Utterance) bool {
	middle := (u.From + u.To) / 2 / speech.FrameSamples
	return slices.ContainsFunc(got.Stretches, func(x Stretch) bool { return x.Raw == raw && x.From <= middle && middle < x.To })
}

// marked counts one raw in which some first readings are marked: no others may be cut.
func (f *actedFigures) marked(t *testing.T, name string, s *narrated.Session) {
	t.Helper()
	_, got := f.count(t, name, s)
	r := s.Recordings[0]
	for i, u := range r.Utterances[:len(r.Utterances)-1] {
		next := r.Utterances[i+1]
		switch {
		case slices.ContainsFunc(r.Marks, func(m narrated.Mark) bool { return m.From >= u.To && m.To <= next.From }):
			f.cut.add(!isHeard(got, 0, u))
		case next.Sentence == u.Sentence:
			f.unasked.add(!isHeard(got, 0, u))
		}
	}
}

// takes counts two takes.
func (f *actedFigures) takes(t *testing.T, name string, s *narrated.Session) {
	t.Helper()
	v, got := f.count(t, name, s)
	right, open := v.Joins == 1 && v.JoinsRight == 1, v.Joins == 1 && v.JoinsOpen == 1 && v.WordsLost == 0
	f.right.add(right)
	f.open.add(open)
	f.wrong.add(!right && !open)
	if !right && !open {
		t.Logf("%s: %s", name, strings.Join(v.Says, "; "))
		for _, j := range got.Joins {
			t.Logf("  %s at stretch %d, likeness %.1f", j.Kind, j.Stretch, j.Likeness)
		}
	}
}

// countAll counts one actor in one manner. The words are the same for all manners.
func (f *actedFigures) countAll(t *testing.T, c cast, a *actor, as manner, seed uint64) {
	name := a.name + ", " + as.name
	for k := range uint64(c.sessions) {
		rng := pcg(seed, 6000+k)
		steps := []func(){
			func() { f.told.count(t, name, a.rolling(t, rng, as, c.sentences, 0)) },
			func() { f.marked(t, name, a.rolling(t, rng, as, c.sentences, 0.7)) },
		}
		for range c.takes {
			steps = append(steps, func() { f.takes(t, name, a.takes(t, rng, as)) })
		}
		for _, step := range steps {
			if outOfTime(t) {
				return
			}
			step()
		}
	}
}

// addAll adds what was counted elsewhere.
func (f *actedFigures) addAll(g *actedFigures) {
	for _, x := range []struct{ to, from *share }{
		{&f.told.found, &g.told.found}, {&f.told.searched, &g.told.searched}, {&f.cut, &g.cut}, {&f.unasked, &g.unasked},
		{&f.right, &g.right}, {&f.open, &g.open}, {&f.wrong, &g.wrong}, {&f.words, &g.words}, {&f.trimmed, &g.trimmed}, {&f.unheard, &g.unheard}, {&f.edges, &g.edges},
	} {
		x.to.addAll(*x.from)
	}
}

// cast are those who act in certain manners: where their voices are from, and how much is
// counted of each, in two sessions of one raw, one of them with marks, and of two takes.
type cast struct {
	from                       string
	actors                     []*actor
	manners                    []manner
	sessions, sentences, takes int
}

// casts are all there are. No recording at hand is acted, so all manners are made: by the
// synthesizers, or out of recordings.
func (m *material) casts(t *testing.T) []cast {
	var voices []*actor
	for _, s := range m.voices {
		i := slices.IndexFunc(narrated.Voices(), func(v narrated.Voice) bool { return v.Name == s.Name })
		voices = append(voices, ofVoice(t, narrated.Voices()[i], s.Rooms))
	}
	var few []manner // of a recording only some can be made
	for i, as := range manners {
		if i == 0 || as.whispered || as.name == "hurried" || as.name == "slow and low" || as.mouth > 0 {
			few = append(few, as)
		}
	}
	rooms := [][][]float32{{narrated.WithoutRumble(narrated.Room(14, speech.SampleRateHz, 15*speech.SampleRateHz, -40))}}
	kerstin := oneByOne(m.clips(t, "narration/kerstin_*_raw.wav"))
	readers := []*actor{ofClips("LJ001", rooms, oneByOne(m.clips(t, "narration/LJ001-*.flac"))...), ofClips("kerstin", rooms, kerstin...)}
	truly := ofClips("kerstin, read again", rooms, append([][]narrated.Clip{
		m.clips(t, "repeats/kerstin_drei_neue_linien_*.wav"),
		m.clips(t, "repeats/kerstin_justine_und_juliette_*.wav"),
		m.clips(t, "repeats/kerstin_nach_seinem_tod_*.wav"),
	}, kerstin...)...)
	return []cast{
		{"four voices", voices, manners, 1, 7, 2},
		{"one voice", []*actor{ofWhisperer(t, m.voices[0].Rooms)}, []manner{{name: "whispered by the synthesizer's own means", pace: 0.9, levelDB: -12}}, 3, 7, 2},
		{"two real readers", readers, few, 1, 5, 1},
		{"a real reader who truly reads again", []*actor{truly}, few, 3, 6, 1},
	}
}

// TestActedFigures counts what becomes of sentences that are read again in another manner.
// They are outside the other figures: what is asserted is only that nothing is lost.
// LECTERN_LONG=1 for the figures in README.md.
func TestActedFigures(t *testing.T) {
	if os.Getenv("LECTERN_LONG") == "" {
		t.Skip("acted re-readings are counted where LECTERN_LONG is set")
	}
	m := newMaterial(t)
	if m.root == "" {
		t.Skip("acted re-readings are counted with the recordings LECTERN_RECORDINGS names, and ffmpeg")
	}
	casts := m.casts(t)
	counted := make([][]actedFigures, len(casts)) // of each cast and manner
	var mu sync.Mutex
	t.Run("actors", func(t *testing.T) {
		for n, c := range casts {
			counted[n] = make([]actedFigures, len(c.manners))
			for i, a := range c.actors {
				t.Run(a.name, func(t *testing.T) {
					t.Parallel()
					for k, as := range c.manners {
						var f actedFigures
						f.countAll(t, c, a, as, uint64(i))
						mu.Lock()
						counted[n][k].addAll(&f)
						mu.Unlock()
					}
				})
			}
		}
	})
	out, all := &strings.Builder{}, actedFigures{}
	out.WriteString("\n| read again | found in one raw | wrong ones told | cut behind a mark | takes joined right | left open | wrong |\n| --- | --- | --- | --- | --- | --- | --- |\n")
	for n, c := range casts {
		for k, as := range c.manners {
			f := &counted[n][k]
			fmt.Fprintf(out, "| %s: %s | %s | %s | %s | %s | %s | %s |\n", c.from, as.name,
				plain(f.told.found), plain(f.told.searched), plain(f.cut), plain(f.right), plain(f.open), plain(f.wrong))
			all.addAll(f)
		}
	}
	t.Log(out)
	totals := newTable()
	totals.row("words lost at a join or a cut, of words said", all.words)
	totals.row("words lost where head and tail are trimmed", all.trimmed)
	totals.row("readings that nobody reads again, and that are not heard", all.unheard)
	totals.row("first readings cut without a mark", all.unasked)
	totals.row("edges in a word", all.edges)
	t.Log(totals)
	all.words.atMost(t, "words lost at a join or a cut", 0)
	all.unheard.atMost(t, "readings that nobody reads again, and that are not heard", 0)
	all.unasked.atMost(t, "first readings cut without a mark", 0)
}

// plain is a count without its bounds.
func plain(s share) string { return fmt.Sprintf("%d of %d", s.got, s.of) }
