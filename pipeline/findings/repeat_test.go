package findings

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// repeatsHeard listens for nothing but repeats.
func repeatsHeard(rateHz int, x []float32) []Repeat {
	s := NewSamples(rateHz, 1)
	s.repeats.add([][]float32{x})
	return s.Conclude().Repeats
}

// TestRepeats plants blocks that are heard again, in sound not softer than 20 dB
// under the recording's level. Anyone hears a stutter of 100 ms and more, and a buzz
// where a shorter block comes several times: of those 19 in 20 must be found. A single
// short repetition may pass for two pulses of a synthetic voice: 8 in 10. Blocks under
// 24 samples, 1.4 ms at 16 kHz, are not looked for.
func TestRepeats(t *testing.T) {
	tally := newTally("repeat")
	for _, s := range cleanSounds() {
		for _, ms := range []float64{1.4, 3, 10, 20, 100, 333, 999} {
			length := int(ms / 1000 * float64(s.rateHz))
			for _, times := range []int{1, 2, 5} {
				var x []float32
				var planted []int
				last := 0
				for _, at := range placesAt(s, 6, length, -20, 99) {
					x = append(x, s.x[last:at+length]...)
					planted = append(planted, len(x))
					for range times {
						x = append(x, s.x[at:at+length]...)
					}
					last = at + length
				}
				x = append(x, s.x[last:]...)
				got := repeatsHeard(s.rateHz, x)
				n := 0
				for _, at := range planted {
					for _, r := range got {
						if math.Abs(r.AtS-float64(at)/float64(s.rateHz)) < 0.001 &&
							math.Abs(r.LengthS*float64(s.rateHz)-float64(length)) < 0.5 && r.Times == times {
							n++
							break
						}
					}
				}
				tally.note(fmt.Sprintf("%g ms heard %d times more", ms, times), n, len(planted))
			}
		}
	}
	t.Log(tally)
	for _, ms := range []float64{3, 10, 20, 100, 333, 999} {
		for _, times := range []int{1, 2, 5} {
			share := 0.95
			if ms < 25 && times <= voiceTimes {
				share = 0.8
			}
			tally.least(t, fmt.Sprintf("%g ms heard %d times more", ms, times), share)
		}
	}
}

// TestNoRepeats wants nothing told of what repeats by nature: tones, also faded in,
// after noise and of whole periods, silence, a constant, and quiet noise in 8 bits.
func TestNoRepeats(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	tone := func(hz float64) []float32 {
		x := make([]float32, 2*48000)
		for i := range x {
			fade := min(1, float64(i)/4800)
			x[i] = float32(0.3 * fade * math.Sin(2*math.Pi*hz*float64(i)/48000))
		}
		return rounded(x, 0)
	}
	noise := func(rms, steps float64) []float32 {
		x := make([]float32, 48000)
		for i := range x {
			x[i] = float32(math.Round(rms*rng.NormFloat64()*steps) / steps)
		}
		return x
	}
	for name, x := range map[string][]float32{
		"100 Hz": tone(100), "250 Hz": tone(250), "1 kHz": tone(1000), "997 Hz": tone(997), "375 Hz": tone(375),
		"noise, then a tone": slices.Concat(noise(0.05, 32768), tone(250)[9600:]),
		"a tone, cut in":     slices.Concat(make([]float32, 1000), tone(300)[9600:]),
		"silence":            make([]float32, 96000),
		"constant":           changed(make([]float32, 96000), func(float64) float64 { return 0.1 }),
		"8 bits, under":      noise(0.001, 128), "8 bits, one step": noise(0.004, 128), "8 bits, soft": noise(0.01, 128),
	} {
		if got := repeatsHeard(48000, x); len(got) > 0 {
			t.Errorf("%s: %d repeats, the first %+v", name, len(got), got[0])
		}
	}
	for _, s := range cleanSounds() {
		eight := changed(s.x, func(v float64) float64 { return math.RoundToEven(127*v) / 128 })
		if got := repeatsHeard(s.rateHz, eight); len(got) > 0 {
			t.Errorf("%s in 8 bits: %d repeats, the first %+v", s.name, len(got), got[0])
		}
	}
}

// TestRepeatOfBothChannels wants a block found that both channels repeat, also with
// swapped polarity, and none that one repeats alone: a device repeats both.
func TestRepeatOfBothChannels(t *testing.T) {
	left, right := spoken(5), spoken(6)
	n := min(len(left), len(right))
	left, right = left[:n], right[:n]
	stuck := func(x []float32) []float32 {
		x = slices.Clone(x)
		copy(x[3*made.RateHz:], x[3*made.RateHz-4000:3*made.RateHz])
		return x
	}
	swapped := func(x []float32) []float32 { return changed(x, func(v float64) float64 { return -v }) }
	for _, c := range []struct {
		name        string
		left, right []float32
		want        int
	}{
		{"both", stuck(left), stuck(right), 1},
		{"one", stuck(left), right, 0},
		{"swapped polarity", stuck(left), swapped(stuck(left)), 1},
	} {
		if got := samplesHeard(made.RateHz, 777, c.left, c.right).Repeats; len(got) != c.want {
			t.Errorf("%s: %d repeats, want %d", c.name, len(got), c.want)
		}
	}
}

// TestLongRepeatsGoOn wants a loop that was heard before, a little louder, told of no
// more than a tone, however long it is: nothing got stuck there.
func TestLongRepeatsGoOn(t *testing.T) {
	const rateHz = 48000
	for _, lengthS := range []float64{0.3, 0.6, 0.72, 0.9, 0.999} {
		rng := rand.New(rand.NewPCG(7, 7))
		loop := make([]float32, int(lengthS*rateHz))
		for i := range loop {
			loop[i] = float32(0.1 * rng.NormFloat64())
		}
		louder := slices.Clone(loop)
		for i := range louder {
			louder[i] *= 1.01
		}
		stuck := slices.Concat(make([]float32, rateHz), loop, loop)
		if got := repeatsHeard(rateHz, stuck); len(got) != 1 {
			t.Errorf("a loop of %g s behind silence is told %d times, want once", lengthS, len(got))
		}
		if got := repeatsHeard(rateHz, slices.Concat(louder, louder[:100], louder, loop, loop)); len(got) > 0 {
			t.Errorf("a loop of %g s that goes on is told: %+v", lengthS, got)
		}
	}
}
