package meter

import (
	"math"
	"math/rand/v2"

	"lectern/pipeline/internal/made"
)

// sound is what is measured by us and by others: one slice a channel.
type sound struct {
	rateHz int
	ch     [][]float32
}

func (s sound) frames() int { return len(s.ch[0]) }

// randomSound is a mixture of tones, noise of several colors, bursts, impulses
// and speech-like sound, with silences; 4 to 20 s, at 44.1, 48 or 96 kHz, on one or
// two channels, peaking between -60 and 0 dBFS. The same seed gives the same.
func randomSound(seed uint64) sound {
	rng := rand.New(rand.NewPCG(seed, 1770))
	s := sound{rateHz: []int{44100, 48000, 96000}[rng.IntN(3)]}
	n := int((4 + 16*rng.Float64()) * float64(s.rateHz))
	s.ch = [][]float32{mixture(rng, s.rateHz, n)}
	if rng.IntN(2) == 0 {
		s.ch = append(s.ch, second(rng, s.rateHz, s.ch[0]))
	}
	peak := float32(0)
	for _, x := range s.ch {
		peak = max(peak, largest(x))
	}
	gain := float32(math.Pow(10, -60*rng.Float64()/20)) / peak
	for _, x := range s.ch {
		for i := range x {
			x[i] = max(-1, min(1, x[i]*gain))
		}
	}
	return s
}

// second is another channel: the same, its mirror, softer, silent, or another sound.
func second(rng *rand.Rand, rateHz int, first []float32) []float32 {
	switch kind := rng.IntN(5); kind {
	case 4:
		return mixture(rng, rateHz, len(first))
	default:
		x, gain := make([]float32, len(first)), []float32{1, -1, 0.3, 0}[kind]
		for i, v := range first {
			x[i] = gain * v
		}
		return x
	}
}

// mixture adds up one to four sounds of different level, sets parts softer and
// cuts holes.
func mixture(rng *rand.Rand, rateHz, n int) []float32 {
	sum := make([]float64, n)
	for range 1 + rng.IntN(4) {
		part := []func(*rand.Rand, int, int) []float64{sineOf, noiseOf, burstsOf, impulsesOf, speechOf}[rng.IntN(5)](rng, rateHz, n)
		gain := math.Pow(10, -30*rng.Float64()/20)
		for i := range sum {
			sum[i] += gain * part[i]
		}
	}
	for range rng.IntN(4) {
		softer := math.Pow(10, -40*rng.Float64()/20)
		if rng.IntN(2) == 0 {
			softer = 0
		}
		from := rng.IntN(n)
		for i := from; i < min(n, from+rng.IntN(3*rateHz)); i++ {
			sum[i] *= softer
		}
	}
	x := make([]float32, n)
	for i, v := range sum {
		x[i] = float32(v)
	}
	x[rng.IntN(n)] += 1e-6 // so that nothing is all silence
	return x
}

// logUniform is between low and high, every octave as likely.
func logUniform(rng *rand.Rand, low, high float64) float64 {
	return low * math.Pow(high/low, rng.Float64())
}

func sineOf(rng *rand.Rand, rateHz, n int) []float64 {
	x, step := make([]float64, n), logUniform(rng, 20, 20000)/float64(rateHz)
	phase := rng.Float64()
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * (phase + step*float64(i)))
	}
	return x
}

// noiseOf is Gaussian: white, or low-passed or high-passed once or twice.
func noiseOf(rng *rand.Rand, rateHz, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.25 * rng.NormFloat64()
	}
	for range rng.IntN(3) {
		k, y, high := 1-math.Exp(-2*math.Pi*logUniform(rng, 40, 15000)/float64(rateHz)), 0.0, rng.IntN(3) == 0
		for i, v := range x {
			y += k * (v - y)
			if x[i] = y; high {
				x[i] = v - y
			}
		}
	}
	return x
}

// burstsOf cuts a tone or noise into pieces of 5 ms to 2 s that begin and end at once.
func burstsOf(rng *rand.Rand, rateHz, n int) []float64 {
	x := noiseOf(rng, rateHz, n)
	if rng.IntN(2) == 0 {
		x = sineOf(rng, rateHz, n)
	}
	for at := 0; at < n; {
		at += int(logUniform(rng, 0.005, 2) * float64(rateHz))
		for end := at + int(logUniform(rng, 0.005, 2)*float64(rateHz)); at < min(n, end); at++ {
			x[at] = 0
		}
	}
	return x
}

func impulsesOf(rng *rand.Rand, rateHz, n int) []float64 {
	x := make([]float64, n)
	for range 1 + rng.IntN(20*n/rateHz) {
		x[rng.IntN(n)] = 2*rng.Float64() - 1
	}
	return x
}

// speechOf is speech-like sound in a room; at other rates than its own it is
// higher and faster.
func speechOf(rng *rand.Rand, _, n int) []float64 {
	tape := made.NewTape(rng.Uint64())
	for len(tape.Samples) < n {
		tape.Phrase(-26+12*rng.Float64(), 0.5+2*rng.Float64(), made.Consonant(rng.IntN(5)), made.Consonant(rng.IntN(5)))
		tape.Pause(0.2 + rng.Float64())
	}
	tape.Room(-75 + 25*rng.Float64())
	return tape.Samples[:n]
}
