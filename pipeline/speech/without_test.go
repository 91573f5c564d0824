package speech

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// TestWithoutLoudClaps wants loud claps close to words out of the phrases, the words
// whole, and everything else as it was: 0.13 s behind a word and 0.37 s before the next.
func TestWithoutLoudClaps(t *testing.T) {
	joined := 0
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			tape := made.NewTape(seed)
			tape.Pause(1)
			var claps []float64
			for range 3 {
				tape.Phrase(-28, 1.2, made.None, made.None)
				at := float64(len(tape.Samples))/made.RateHz + 0.13
				claps = append(claps, at, at+0.3)
				tape.Pause(0.8)
			}
			tape.Phrase(-28, 1.2, made.None, made.None)
			tape.Pause(1)
			tape.Room(-62)
			var spans []Span
			rng := rand.New(rand.NewPCG(seed, 61))
			for _, s := range claps {
				clap := made.Echoed(rng, made.Burst(rng, 800, 6000, 0.045), 12)
				made.ToLoudest(clap, 0.03) // -15 dBFS, 47 dB over the room
				tape.Over(s, clap)
				spans = append(spans, Span{int(s * FramesPerSecond), int(s*FramesPerSecond) + 17})
			}
			given := slices.Clone(spans)
			plain := drawn(tape.Float32(), 4096)
			if len(plain.Phrases) != len(tape.Phrases) {
				joined++
			}
			m := plain.Without(spans)
			wantPhrases(t, m, tape.Phrases, 40)
			if !slices.Equal(spans, given) {
				t.Error("the spans were changed")
			}
			if m.Features != plain.Features {
				t.Error("the features are others")
			}
			for _, s := range spans {
				if !slices.ContainsFunc(m.Sounds, func(o Span) bool { return o.From <= s.From && s.To <= o.To }) {
					t.Errorf("the clap %v is no sound", s)
				}
			}
		})
	}
	t.Logf("in %d of 4 readings the claps had joined words", joined)
	if joined == 0 {
		t.Error("no clap had joined words: the test says nothing")
	}
}

// TestWithoutNothing wants the map itself.
func TestWithoutNothing(t *testing.T) {
	tape := reading(1, -20)
	tape.Room(-62)
	m := drawn(tape.Float32(), 4096)
	if m.Without(nil) != m {
		t.Error("another map without any sound")
	}
}

// TestParted wants phrases cut back, split or dropped where sounds lie in them.
func TestParted(t *testing.T) {
	sounds := []Span{{10, 20}, {45, 55}, {70, 90}}
	got := parted([]Span{{0, 12}, {18, 30}, {40, 60}, {75, 80}, {95, 99}}, sounds)
	if want := []Span{{0, 10}, {20, 30}, {40, 45}, {55, 60}, {95, 99}}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
