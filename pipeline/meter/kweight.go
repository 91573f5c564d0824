package meter

import "math"

// biquad is a second-order filter, direct form II transposed, a0 = 1.
type biquad struct {
	b0, b1, b2, a1, a2 float64
	s1, s2             float64
}

// kWeight is the frequency weighting of ITU-R BS.1770: a shelf for the head,
// then a high-pass, one channel.
type kWeight struct{ shelf, highPass biquad }

// newKWeight returns the weighting for any sample rate: the analog filters that
// lie behind the two coefficient tables of BS.1770-5 annex 1, transformed
// bilinearly. Corner, gain and Q are those libebur128 and others found; at
// 48 kHz they give the tables to 1e-11.
func newKWeight(sampleRateHz int) kWeight {
	const cornerHz, gainDB, q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
	k := math.Tan(math.Pi * cornerHz / float64(sampleRateHz))
	high := math.Pow(10, gainDB/20)
	band := math.Pow(high, 0.4996667741545416)
	a0 := 1 + k/q + k*k
	var w kWeight
	w.shelf = biquad{
		b0: (high + band*k/q + k*k) / a0,
		b1: 2 * (k*k - high) / a0,
		b2: (high - band*k/q + k*k) / a0,
		a1: 2 * (k*k - 1) / a0,
		a2: (1 - k/q + k*k) / a0,
	}
	// The table for 48 kHz has the numerator (1, -2, 1), a gain of 0.04 dB far
	// above the corner. The same response is asked for at any other rate.
	a1, a2 := highPassPoles(48000)
	gain := 4 / (1 - a1 + a2)
	a1, a2 = highPassPoles(sampleRateHz)
	b := gain * (1 - a1 + a2) / 4
	w.highPass = biquad{b0: b, b1: -2 * b, b2: b, a1: a1, a2: a2}
	return w
}

func highPassPoles(sampleRateHz int) (a1, a2 float64) {
	const cornerHz, q = 38.13547087602444, 0.5003270373238773
	k := math.Tan(math.Pi * cornerHz / float64(sampleRateHz))
	a0 := 1 + k/q + k*k
	return 2 * (k*k - 1) / a0, (1 - k/q + k*k) / a0
}

// addEnergy weights x and returns energy plus the sum of the squares.
func (w *kWeight) addEnergy(energy float64, x []float32) float64 {
	shelf, high := w.shelf, w.highPass
	for _, v := range x {
		in := float64(v)
		mid := shelf.b0*in + shelf.s1
		shelf.s1 = shelf.b1*in - shelf.a1*mid + shelf.s2
		shelf.s2 = shelf.b2*in - shelf.a2*mid

		out := high.b0*mid + high.s1
		high.s1 = high.b1*mid - high.a1*out + high.s2
		high.s2 = high.b2*mid - high.a2*out

		energy += out * out
	}
	w.shelf, w.highPass = shelf, high
	return energy
}

// settle clears states that have died away. In digital silence they would
// shrink into numbers a processor handles a hundred times slower.
func (w *kWeight) settle() {
	const dead = 1e-30 // -600 dBFS, our choice
	for _, b := range []*biquad{&w.shelf, &w.highPass} {
		if math.Abs(b.s1) < dead && math.Abs(b.s2) < dead {
			b.s1, b.s2 = 0, 0
		}
	}
}
