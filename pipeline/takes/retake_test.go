package takes

import (
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"lectern/pipeline/speech"
)

// drawnVoice is a recording whose phrases are drawn numbers: nothing is like anything
// else in it unless it was copied.
func drawnVoice(rng *rand.Rand, phrases ...[][coefficients]int16) *Voice {
	v := &Voice{m: &speech.Map{Features: &speech.Features{}}}
	pause := func() { v.cepstra = append(v.cepstra, make([][coefficients]int16, 40)...) }
	pause()
	for _, p := range phrases {
		from := len(v.cepstra)
		v.cepstra = append(v.cepstra, p...)
		v.m.Phrases = append(v.m.Phrases, speech.Span{From: from, To: len(v.cepstra)})
		v.m.Runs = v.m.Phrases
		pause()
	}
	v.m.Features.Power = make([]float32, len(v.cepstra))
	v.standardize()
	return v
}

// phraseOf draws a smooth way through the cepstra, as a mouth moves.
func phraseOf(rng *rand.Rand, frames int) (p [][coefficients]int16) {
	var now, to [coefficients]float64
	for i := range frames {
		if i%9 == 0 {
			for k := range to {
				to[k] = 400 * rng.NormFloat64()
			}
		}
		var c [coefficients]int16
		for k := range now {
			now[k] += 0.3 * (to[k] - now[k])
			c[k] = int16(now[k])
		}
		p = append(p, c)
	}
	return p
}

// warped is a phrase said at another pace, its mouth not quite the same.
func warped(rng *rand.Rand, p [][coefficients]int16, pace float64) (out [][coefficients]int16) {
	for at := 0.0; at < float64(len(p)); at += pace * (0.8 + 0.4*rng.Float64()) {
		c := p[int(at)]
		for k := range c {
			c[k] += int16(60 * rng.NormFloat64())
		}
		out = append(out, c)
	}
	return out
}

// A phrase that is broken off and begun again is found, at any pace, and nothing else:
// not one that is too short to mean anything, and not one of which only a part is said
// again, for then something would be lost.
func TestRetakesOfDrawnPhrases(t *testing.T) {
	seeds := uint64(5)
	if os.Getenv("LECTERN_LONG") != "" {
		seeds = 100
	}
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 3))
		var phrases [][][coefficients]int16
		for range 30 {
			phrases = append(phrases, phraseOf(rng, 120+rng.IntN(200)))
		}
		whole := phraseOf(rng, 300)
		broken := whole[:100+rng.IntN(150)]
		slip := len(phrases)
		phrases = append(phrases, broken, warped(rng, whole, 0.88+0.24*rng.Float64()), phraseOf(rng, 200))
		short := phraseOf(rng, 60)
		phrases = append(phrases, short, append(slices.Clone(short), phraseOf(rng, 150)...))
		longer := phraseOf(rng, 300)
		phrases = append(phrases, longer, append(slices.Clone(longer[:150]), phraseOf(rng, 200)...))
		v := drawnVoice(rng, phrases...)
		got := v.Retakes(nil, 1)
		if len(got) != 1 || got[0].First != v.m.Phrases[slip] || got[0].Again.From != v.m.Phrases[slip+1].From {
			t.Errorf("seed %d: got %+v, want %v read again at %d", seed, got, v.m.Phrases[slip], v.m.Phrases[slip+1].From)
		}
	}
}

// TestMarkedBehindSounds wants a marked reading asked about, not cut, where more than
// breaths is heard in the pause before it: it may be words that the map does not know.
func TestMarkedBehindSounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	slip, other := phraseOf(rng, 150), phraseOf(rng, 150)
	phrases := [][][coefficients]int16{other, slip, slip}
	for range 12 {
		phrases = append(phrases, phraseOf(rng, 150))
	}
	for frames, want := range map[int]string{0: Marked, soundsMost: Marked, soundsMost + 1: Asked} {
		v := drawnVoice(rng, phrases...)
		// Wider, so that there is room for it.
		runs := v.m.Runs
		runs[0].To -= 100
		if frames > 0 {
			at := runs[1].From - 5 - frames
			v.m.Sounds = []speech.Span{{From: at, To: at + frames/2}, {From: at + frames/2, To: at + frames}}
		}
		mark := Mark{Sounds: speech.Span{From: runs[1].To + 5, To: runs[2].From - 5}}
		got := v.Retakes([]Mark{mark}, 1)
		if len(got) != 1 || got[0].First.From != runs[1].From || got[0].State != want {
			t.Errorf("%d frames of sound: %+v, want one that is %s", frames, got, want)
		}
	}
}
