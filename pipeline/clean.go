package pipeline

import "math"

// rumbleFilter is a fourth-order Butterworth high-pass at 44.1 kHz: two
// second-order sections with the Q values of the fourth-order prototype,
// 1/(2 cos(pi/8)) and 1/(2 cos(3 pi/8)), each turned digital by the bilinear
// transform with the corner prewarped. It takes constant offset (DC) away
// as well. The zero value passes everything.
type rumbleFilter struct {
	on       bool
	sections [2]biquad
}

// newRumbleFilter returns the filter for a corner in Hz; 0 means none.
func newRumbleFilter(cornerHz float64) *rumbleFilter {
	f := &rumbleFilter{on: cornerHz > 0}
	for i, angle := range []float64{math.Pi / 8, 3 * math.Pi / 8} {
		f.sections[i] = highPass(cornerHz, 1/(2*math.Cos(angle)))
	}
	return f
}

// apply filters block in place.
func (f *rumbleFilter) apply(block []float32) {
	if !f.on {
		return
	}
	first, second := f.sections[0], f.sections[1]
	for i, x := range block {
		block[i] = second.next(first.next(x))
	}
	f.sections = [2]biquad{first, second}
}

// biquad is a second-order section in transposed direct form II.
type biquad struct {
	b0, b1, b2, a1, a2 float64
	z1, z2             float64
}

// highPass returns a second-order high-pass at 44.1 kHz.
func highPass(cornerHz, q float64) biquad {
	k := math.Tan(math.Pi * cornerHz / sampleRateHz)
	norm := 1 / (1 + k/q + k*k)
	return biquad{
		b0: norm, b1: -2 * norm, b2: norm,
		a1: 2 * (k*k - 1) * norm, a2: (1 - k/q + k*k) * norm,
	}
}

// next takes a sample and returns the one that comes out.
func (f *biquad) next(x float32) float32 {
	in := float64(x)
	out := f.b0*in + f.z1
	f.z1 = f.b1*in - f.a1*out + f.z2
	f.z2 = f.b2*in - f.a2*out
	return float32(out)
}
