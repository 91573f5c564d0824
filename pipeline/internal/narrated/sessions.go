package narrated

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"lectern/pipeline/resample"
)

// draw returns n sentences of the studio's own, each once.
func (s *Studio) draw(rng *rand.Rand, n int) (script []string) {
	for _, i := range rng.Perm(len(s.pool))[:n] {
		script = append(script, s.pool[i])
	}
	return script
}

// Things a writer repeats on purpose. None of them is a slip.
var (
	refrains = []string{"And the ferry does not wait.", "So it stands in the ledger of small tides.", "Small tides, she said, want small ledgers."}
	cries    = []string{"Never. Never again.", "Gone. All gone.", "No. No, no, no.", "Wait. Wait for me.", "Row on. Row on, he cried."}
	lists    = []string{"One rope, two ropes, three ropes, and no boat.", "The salt was gone, the rope was gone, the lamp was gone.", "She asked the baker, she asked the pilot, she asked the watch."}
	tags     = []string{`"%s," said the ferryman.`, `"%s," said the keeper of the ledger.`}
)

// Tale tells n new sentences. Two of them begin or end alike as often as the patterns
// happen to meet.
func Tale(rng *rand.Rand, n int) (script []string) {
	teller := NewTeller(rng.Uint64())
	for range n {
		script = append(script, teller.Sentence())
	}
	return script
}

// Ballad tells n new sentences, and every fourth of them or so is what a writer repeats
// on purpose: a refrain, a cry, a list, two sentences that begin alike, the same tag
// behind what two people say.
func Ballad(rng *rand.Rand, n int) (script []string) {
	teller := NewTeller(rng.Uint64())
	refrain, tag := refrains[rng.IntN(len(refrains))], tags[rng.IntN(len(tags))]
	speak := func(i int) string { return fmt.Sprintf(tag, capital(words['S'][i%len(words['S'])])) }
	for len(script) < n {
		// Nothing whole stands twice in a row: that would be a slip to any ear.
		switch rng.IntN(60) {
		case 0, 1, 2, 3:
			script = append(script, refrain, teller.Sentence())
		case 4, 5, 6, 7:
			script = append(script, cries[rng.IntN(len(cries))], teller.Sentence())
		case 8, 9, 10, 11:
			script = append(script, lists[rng.IntN(len(lists))], teller.Sentence())
		case 12, 13, 14, 15:
			i := rng.IntN(len(words['S']))
			script = append(script, speak(i), speak(i+1+rng.IntN(len(words['S'])-1)))
		case 16: // rarer in books, and hardest to tell from a slip
			a, b := teller.Sentence(), strings.Fields(teller.Sentence())
			opening := strings.Fields(a)
			opening = opening[:len(opening)/2]
			script = append(script, a, strings.Join(append(opening, b[len(b)/2:]...), " "))
		default:
			script = append(script, teller.Sentence())
		}
	}
	return script[:n]
}

// Plain is a text, such as Tale or Ballad tells, read through without a slip. Now and
// then a mouse is double-clicked.
func (s *Studio) Plain(ctx context.Context, rng *rand.Rand, text Text, longS float64) (*Session, error) {
	return s.Rolling(ctx, rng, text, longS, 0, 0)
}

// Text tells n sentences.
type Text func(rng *rand.Rand, n int) []string

// endAlike tells whether two sentences end with the same three words, such as "said the
// ferryman": where the second is read again nobody can tell which tag is the first's.
func endAlike(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	return len(x) > 3 && len(y) > 3 && slices.Equal(x[len(x)-3:], y[len(y)-3:])
}

// Rolling is a text read by somebody who keeps rolling: a share of the sentences is
// broken off, or read to its end, one to three times before it is right, and a share of
// these is marked with two claps before each reading that follows. A studio of clips has
// no other text than these.
func (s *Studio) Rolling(ctx context.Context, rng *rand.Rand, text Text, longS, slips, marked float64) (*Session, error) {
	script := s.pool
	if s.clips == nil {
		script = text(rng, int(longS)) // more than are read
	}
	d := s.desk(ctx, rng, script, "rolling")
	own := plain
	k := 0
	for ; k < len(script) && float64(len(d.rec.Samples)) < longS*resample.OutHz; k++ {
		if rng.Float64() < slips && (k == 0 || !endAlike(script[k-1], script[k])) {
			claps := rng.Float64() < marked
			v := own
			for range 1 + rng.IntN(3) {
				var err error
				if rng.IntN(5) == 0 {
					err = d.read(k, v)
				} else {
					err = d.slip(k, v)
				}
				if err != nil {
					return nil, err
				}
				switch {
				case claps:
					d.clap()
				case rng.IntN(6) == 0:
					d.click()
				default:
					d.pause()
				}
				v = s.vary(rng)
			}
			if err := d.read(k, v); err != nil {
				return nil, err
			}
		} else if err := d.read(k, own); err != nil {
			return nil, err
		}
		if rng.IntN(6) == 0 {
			d.click()
		} else {
			d.pause()
		}
	}
	return &Session{script[:k], []*Recording{d.done()}}, nil
}

// The kinds of takes a set may have behind its first.
const (
	GoesBack = "goes back" // from 1 to 4 sentences before the end, and on
	Fresh    = "fresh"     // all of it again
	Insert   = "insert"    // some sentences from the middle
	Middle   = "middle"    // most of the middle, its last sentence perhaps broken off
	Straight = "straight"  // on, without a word in common
)

// TakeSet is a script of 8 to 20 sentences read in 2 to 4 takes of drawn kinds.
func (s *Studio) TakeSet(ctx context.Context, rng *rand.Rand) (*Session, error) {
	var kinds []string
	for range 1 + rng.IntN(3) {
		switch n := rng.IntN(20); {
		case n < 11:
			kinds = append(kinds, GoesBack)
		case n < 13:
			kinds = append(kinds, Fresh)
		case n < 16:
			kinds = append(kinds, Insert)
		case n < 18:
			kinds = append(kinds, Middle)
		default:
			kinds = append(kinds, Straight)
		}
	}
	return s.Takes(ctx, rng, 8+rng.IntN(13), kinds...)
}

// Takes is a script of n sentences read in a take more than there are kinds. From take
// to take the voice's setting, level, tilt and room differ.
func (s *Studio) Takes(ctx context.Context, rng *rand.Rand, n int, kinds ...string) (*Session, error) {
	out := &Session{Script: s.draw(rng, n)}
	// How far each take that goes on reads: the last of them reads to the end.
	on := 1
	for _, k := range kinds {
		if k == GoesBack || k == Straight {
			on++
		}
	}
	reach := func(part int) int { return n * part / on }
	part, end, broken := 1, reach(1), on > 1 && rng.IntN(2) == 0 && kinds[0] == GoesBack
	take := func(kind string, from, to int, broken bool) error {
		d := s.desk(ctx, rng, out.Script, kind)
		v := s.vary(rng)
		for k := from; k < to; k++ {
			var err error
			if broken && k == to-1 {
				err = d.slip(k, v)
			} else {
				err = d.read(k, v)
			}
			if err != nil {
				return err
			}
			if k < to-1 {
				d.pause()
			}
		}
		out.Recordings = append(out.Recordings, d.done())
		return nil
	}
	if err := take("first", 0, end, broken); err != nil {
		return nil, err
	}
	for i, kind := range kinds {
		from, to := 0, end
		broken = false
		switch kind {
		case GoesBack:
			part++
			from, to = max(0, end-1-rng.IntN(4)), reach(part)
			broken = i+1 < len(kinds) && kinds[i+1] == GoesBack && rng.IntN(2) == 0
			end = to
		case Straight:
			part++
			from, to = end, reach(part)
			end = to
		case Insert:
			from = 1 + rng.IntN(max(1, end-2))
			to = min(end-1, from+1+rng.IntN(3))
		case Middle:
			from, to = 1+rng.IntN(max(1, end/4)), end-1-rng.IntN(max(1, end/4))
			broken = rng.IntN(2) == 0
		}
		if from >= to { // too short a script for that
			from, to = max(0, end-1), end
		}
		if err := take(kind, from, to, broken); err != nil {
			return nil, err
		}
	}
	return out, nil
}
