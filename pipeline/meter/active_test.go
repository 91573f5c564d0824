package meter

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestActiveSpeechIsTheRecipe compares with P.56 method B written down literally,
// every threshold counted at every sample.
func TestActiveSpeechIsTheRecipe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const rateHz = 8000
		var x []float32
		for range rapid.IntRange(1, 8).Draw(t, "bursts") {
			x = append(x, noise(rapid.IntRange(100, 8000).Draw(t, "burst"), rapid.Float64Range(0, 1).Draw(t, "amplitude"), 7)...)
			x = append(x, make([]float32, rapid.IntRange(0, 8000).Draw(t, "pause"))...)
		}
		m := measuredSpeech(rateHz, x)

		g := math.Exp(-1 / (rateHz * 0.03))
		hangover := int64(rateHz * 0.2)
		var p, q float64
		var active, hang [15]int64
		for j := range hang {
			hang[j] = hangover
		}
		for _, v := range x {
			p = g*p + (1-g)*math.Abs(float64(v))
			q = g*q + (1-g)*p
			for j := range active {
				switch {
				case q >= math.Pow(2, float64(j-15)):
					active[j]++
					hang[j] = 0
				case hang[j] < hangover:
					active[j]++
					hang[j]++
				}
			}
		}
		for j := range active {
			if got := m.activeFrames(j); got != active[j] {
				t.Fatalf("threshold %d: active for %d frames, want %d", j, got, active[j])
			}
		}
	})
}

// TestActiveSpeechInterpolates walks, in steps of 0.001 dB, from each threshold to
// the next with the active level going evenly from one to the other, to where it
// stands 15.9 dB above (P.56 method B). Noise in 40 steps of 1 dB, so that neighbors
// differ much.
func TestActiveSpeechInterpolates(t *testing.T) {
	const rateHz = 8000
	for seed := range 8 {
		var x []float32
		for i := range 40 {
			x = append(x, noise(rateHz/2, math.Pow(10, -float64(i+seed)/20), uint32(i+1))...)
		}
		m := measuredSpeech(rateHz, x)
		want := math.NaN()
		for j := 0; j < 14 && math.IsNaN(want); j++ {
			a, b := levelOver(x, m.activeFrames(j)), levelOver(x, m.activeFrames(j+1))
			from := 20 * math.Log10(math.Pow(2, float64(j-15)))
			for up := 0.0; up < 6.0206; up += 0.001 {
				if level := a + (b-a)*up/6.0206; level-(from+up) <= 15.9 {
					want = level
					break
				}
			}
		}
		if got := float64(m.Level()); !(math.Abs(got-want) < 0.002) {
			t.Errorf("%d dB lower: %.4f dBov, want %.4f", seed, got, want)
		}
	}
}

// levelOver is the level of all of x as if it lasted so many frames only.
func levelOver(x []float32, frames int64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return 10 * math.Log10(sum/float64(frames))
}
