package narrated

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
)

// What a pickup's passage is.
const (
	Inside = "a word inside a sentence"        // one sentence is read again
	AtEdge = "the first or last word of one"   // from the sentence before to the one behind
	Absent = "a passage the chapter has not"   // must be refused
	Double = "a passage the chapter has twice" // must be refused
)

// Passage is what a pickup reads in one go: sentences From up to To of the script.
type Passage struct {
	Kind     string
	From, To int
}

// Pickups is a chapter of n sentences, 7 or more for each passage, recording 0, in which
// words are wrong, and a pickup, recording 1, that reads these passages right, one of
// each kind asked for, in their order. A passage the chapter has not got stands at the
// end of the script.
func (s *Studio) Pickups(ctx context.Context, rng *rand.Rand, n int, kinds ...string) (*Session, []Passage, error) {
	all := s.draw(rng, len(s.pool))
	script, spare := slices.Clone(all[:n]), all[n:]
	old := map[int]string{}
	var passages []Passage
	for i, kind := range kinds {
		// Each passage has its own part of the chapter, away from its edges.
		k := n*i/len(kinds) + 2 + rng.IntN(n/len(kinds)-4)
		for len(strings.Fields(script[k])) < 6 { // a sentence with a middle
			script[k], spare = spare[0], spare[1:]
		}
		p := Passage{kind, k, k + 1}
		switch kind {
		case Inside:
			w := len(strings.Fields(script[k]))
			old[k] = s.misread(rng, script[k], 2+rng.IntN(w-4))
		case AtEdge:
			w := 0
			if rng.IntN(2) == 0 {
				w = len(strings.Fields(script[k])) - 1
			}
			old[k] = s.misread(rng, script[k], w)
			p.From, p.To = k-1, k+2
		case Absent:
			script, spare = append(script, spare[0]), spare[1:]
			p.From, p.To = len(script)-1, len(script)
		case Double:
			script[(k+n/2)%n] = script[k]
		}
		passages = append(passages, p)
	}
	read := func(kind string, v Variation, sentences [][2]int, words map[int]string) (*Recording, error) {
		d := s.desk(ctx, rng, script, kind)
		for i, part := range sentences {
			if i > 0 {
				d.wait(between(rng, 1.5, 3))
			}
			for k := part[0]; k < part[1]; k++ {
				var err error
				if text, wrong := words[k]; wrong {
					err = d.read(k, v, text)
				} else {
					err = d.read(k, v)
				}
				if err != nil {
					return nil, err
				}
				if k < part[1]-1 {
					d.pause()
				}
			}
		}
		return d.done(), nil
	}
	chapter, err := read("chapter", plain, [][2]int{{0, n}}, old)
	if err != nil {
		return nil, nil, err
	}
	var parts [][2]int
	for _, p := range passages {
		parts = append(parts, [2]int{p.From, p.To})
	}
	pickup, err := read("pickup", s.vary(rng), parts, nil)
	if err != nil {
		return nil, nil, err
	}
	return &Session{script, []*Recording{chapter, pickup}}, passages, nil
}

// misread leaves out word w of a sentence or says another instead of it.
func (s *Studio) misread(rng *rand.Rand, sentence string, w int) string {
	list := strings.Fields(sentence)
	if rng.IntN(3) == 0 {
		return strings.Join(slices.Delete(list, w, w+1), " ")
	}
	other := wordOf(rng, s.pool[rng.IntN(len(s.pool))])
	for strings.Contains(list[w], other) {
		other = wordOf(rng, s.pool[rng.IntN(len(s.pool))])
	}
	list[w] = other
	return strings.Join(list, " ")
}
