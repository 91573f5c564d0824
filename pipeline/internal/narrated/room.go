package narrated

import (
	"math"
	"math/rand/v2"
)

// Room makes n samples of room noise of the given plain RMS: each octave is 1 dB
// softer than the one below (our choice; real rooms of home narrators fall by more
// or by less).
func Room(seed uint64, rateHz, n int, levelDBFS float64) []float32 {
	rng := rand.New(rand.NewPCG(seed, 31))
	x := make([]float64, n)
	// Low-passes an octave apart, each with the power of one octave.
	power := 1.0
	for hz := 50.0; hz < 0.45*float64(rateHz); hz *= 2 {
		k := 1 - math.Exp(-2*math.Pi*hz/float64(rateHz))
		scale := math.Sqrt(power * (2 - k) / k) // the filter leaves k/(2-k) of white noise
		var y float64
		for i := range x {
			y += k * (rng.NormFloat64() - y)
			x[i] += scale * y
		}
		power *= math.Pow(10, -0.1)
	}
	cut, low := 1-math.Exp(-2*math.Pi*25/float64(rateHz)), 0.0
	for i, v := range x {
		low += cut * (v - low)
		x[i] = v - low
	}
	return toRMS(x, levelDBFS)
}

// Looped makes n samples of room from pieces of real noise in random order,
// forwards and backwards, cross-faded over 60 ms so that no seam is heard. Every
// piece must be longer than 0.2 s.
func Looped(seed uint64, rateHz, n int, pieces [][]float32, levelDBFS float64) []float32 {
	rng := rand.New(rand.NewPCG(seed, 37))
	fade := int(0.06 * float64(rateHz))
	x := make([]float64, n+fade)
	for at := 0; at < n; {
		p := pieces[rng.IntN(len(pieces))]
		length := len(p)/2 + rng.IntN(len(p)/2+1)
		length = max(length, 3*fade)
		from := rng.IntN(len(p) - length + 1)
		back := rng.IntN(2) == 1
		for i := 0; i < length && at+i < len(x); i++ {
			v := p[from+i]
			if back {
				v = p[from+length-1-i]
			}
			// Equal power, since the two pieces are unlike each other.
			edge := min(1, (float64(i)+0.5)/float64(fade), (float64(length-i)-0.5)/float64(fade))
			x[at+i] += float64(v) * math.Sin(math.Pi/2*edge)
		}
		at += length - fade
	}
	return toRMS(x[:n], levelDBFS)
}

func toRMS(x []float64, dbfs float64) []float32 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	k := math.Pow(10, dbfs/20) / math.Sqrt(sum/float64(len(x)))
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v * k)
	}
	return out
}
