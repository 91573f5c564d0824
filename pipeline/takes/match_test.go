package takes

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"lectern/pipeline/speech"
)

// TestWordsFromAnyPlace holds words and reach against looking at every frame.
func TestWordsFromAnyPlace(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	v := drawnVoice(rng, phraseOf(rng, 30), phraseOf(rng, 1), phraseOf(rng, 45))
	end := v.m.Features.Len()
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.IntRange(0, end).Draw(t, "from")
		to := rapid.IntRange(0, end).Draw(t, "to")
		n := rapid.SampledFrom([]int{1, 7, 40, math.MaxInt}).Draw(t, "n")
		var want []frame
		reached := end
		said := 0
		for i := from; i < end; i++ {
			if !slices.ContainsFunc(v.m.Phrases, func(p speech.Span) bool { return p.From <= i && i < p.To }) {
				continue
			}
			if i < to && len(want) < n {
				want = append(want, v.frame(i))
			}
			if said++; said == n {
				reached = i + 1
			}
		}
		if got := v.words(from, to, n); !slices.Equal(got, want) {
			t.Errorf("from %d to %d, at most %d: %d frames, want %d", from, to, n, len(got), len(want))
		}
		if got := v.reach(from, n); got != reached {
			t.Errorf("from %d, %d words reach to %d, want %d", from, n, got, reached)
		}
	})
}
