package takes

import (
	"math/rand/v2"
	"testing"
)

// A chapter read again has words in common with the first reading, also where it begins
// otherwise; another chapter has none.
func TestHaveWordsInCommon(t *testing.T) {
	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 11))
		draw := func(n int) (out [][][coefficients]int16) {
			for range n {
				out = append(out, phraseOf(rng, 120+rng.IntN(200)))
			}
			return out
		}
		chapter := draw(30)
		again := draw(2) // a new beginning
		for _, p := range chapter[1:] {
			again = append(again, warped(rng, p, 0.88+0.24*rng.Float64()))
		}
		first, second, other := drawnVoice(rng, chapter...), drawnVoice(rng, again...), drawnVoice(rng, draw(30)...)
		if !HaveWordsInCommon(second, first) || !HaveWordsInCommon(second, drawnVoice(rng, chapter[:12]...)) {
			t.Errorf("seed %d: nothing is found in common with the same chapter", seed)
		}
		if HaveWordsInCommon(other, first) {
			t.Errorf("seed %d: something is found in common with another chapter", seed)
		}
	}
}
