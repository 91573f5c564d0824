package pipeline

import (
	"math"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// TestChannelChoice gives two channels that are alike, dead, inverted or unlike,
// each with an offset of its own, and wants the right one and its offset.
func TestChannelChoice(t *testing.T) {
	tape := made.NewTape(3)
	for range 4 {
		tape.Phrase(-20, 1, made.None, made.None)
		tape.Pause(0.5)
	}
	tape.Room(-70)
	voice := tape.Float32()
	changed := func(gain, noise, offset float32) []float32 {
		out := white(len(voice), float64(noise), 5)
		for i := range out {
			out[i] += gain*voice[i] + offset
		}
		return out
	}
	for _, c := range []struct {
		name        string
		left, right []float32
		want        channelChoice
		kind        string
		offset      float64
	}{
		{"equal", changed(1, 0, 0.01), changed(1, 0, 0.03), average, "", 0.02},
		{"right 10 dB softer", changed(1, 0, 0), changed(0.32, 0.0001, 0), average, "", 0},
		{"right dead", changed(1, 0, 0.01), make([]float32, len(voice)), onlyLeft, "dead_channel", 0.01},
		{"right only an offset", changed(1, 0, 0.01), changed(0, 0, 0.2), onlyLeft, "dead_channel", 0.01},
		{"left 40 dB under", changed(0, 0.0002, 0), changed(1, 0, -0.02), onlyRight, "dead_channel", -0.02},
		{"inverted, left cleaner", changed(1, 0, 0.01), changed(-1, 0.003, 0), cancelLeft, "swapped_polarity", 0.01},
		{"inverted, right cleaner", changed(-1, 0.003, 0), changed(1, 0, 0.03), cancelRight, "swapped_polarity", 0.03},
		{"left hum, right voice", sine(len(voice), 100, 0.1), changed(1, 0, 0), unlikeRight, "unlike_channels", 0},
		{"left voice, right noise", changed(1, 0, 0.01), white(len(voice), 0.05, 6), unlikeLeft, "unlike_channels", 0.01},
	} {
		t.Run(c.name, func(t *testing.T) {
			choose := newChannelChooser(2, sampleRateHz)
			for at := 0; at < len(voice); at += 1000 {
				end := min(len(voice), at+1000)
				choose.add([][]float32{c.left[at:end], c.right[at:end]})
			}
			got, offset := choose.choice()
			if got != c.want {
				t.Errorf("choice %d, want %d", got, c.want)
			}
			// The voice and the noise have a mean of their own, far under 0.001.
			if math.Abs(offset-c.offset) > 0.001 {
				t.Errorf("offset %.4f, want %.4f", offset, c.offset)
			}
			if got.kind() != c.kind || (got.says() == "") != (c.kind == "") {
				t.Errorf("tells %q: %q, want %q", got.kind(), got.says(), c.kind)
			}
		})
	}
}

func TestMix(t *testing.T) {
	ch := [][]float32{{0.5, 0.25}, {0.25, -0.25}}
	for c, want := range map[channelChoice][]float32{
		average: {0.25, -0.125}, onlyLeft: {0.375, 0.125}, onlyRight: {0.125, -0.375},
		cancelLeft: {0.375, 0.125}, cancelRight: {0.125, -0.375}, unlikeLeft: {0.375, 0.125}, unlikeRight: {0.125, -0.375},
	} {
		got := make([]float32, 2)
		c.mix(got, ch, 0.125)
		if !slices.Equal(got, want) {
			t.Errorf("choice %d: %v, want %v", c, got, want)
		}
	}
	got := make([]float32, 2)
	average.mix(got, ch[:1], 0.125)
	if want := []float32{0.375, 0.125}; !slices.Equal(got, want) {
		t.Errorf("one channel: %v, want %v", got, want)
	}
}

// TestMonoOffset wants the offset of a mono raw.
func TestMonoOffset(t *testing.T) {
	choose := newChannelChooser(1, 44100)
	choose.add([][]float32{{0.3, 0.1}})
	choose.add([][]float32{{0.2}})
	if c, offset := choose.choice(); c != average || math.Abs(offset-0.2) > 1e-6 {
		t.Errorf("choice %d, offset %g, want 0 and 0.2", c, offset)
	}
}
