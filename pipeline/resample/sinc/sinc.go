// Package sinc designs low-pass filters by windowing a sinc. The conversion to
// 44.1 kHz and the true-peak meter both interpolate with them.
package sinc

import "math"

// LowPass is the continuous impulse response of a Kaiser-windowed sinc, in
// units of input samples. It is zero beyond Half samples on either side.
type LowPass struct {
	Half   float64
	cutoff float64 // cycles a sample, at the -6 dB point
	beta   float64
	top    float64 // the window's value before it is scaled to 1
}

// NewLowPass returns the filter that is down by half at cutoff (cycles a
// sample), reaches half samples to each side, and holds ripple and leakage to
// -attenuationDB.
func NewLowPass(cutoff, half, attenuationDB float64) LowPass {
	b := beta(attenuationDB)
	return LowPass{Half: half, cutoff: cutoff, beta: b, top: besselI0(b)}
}

// At returns the response t samples from the center. Its integral is 1.
func (f LowPass) At(t float64) float64 {
	r := t / f.Half
	if r < -1 || r > 1 {
		return 0
	}
	window := besselI0(f.beta*math.Sqrt(1-r*r)) / f.top
	x := 2 * f.cutoff * t
	if x == 0 {
		return 2 * f.cutoff * window
	}
	return 2 * f.cutoff * math.Sin(math.Pi*x) / (math.Pi * x) * window
}

// Phase fills taps with the response sampled once an input sample, for a point
// that lies at (0 to 1) of the way from the middle-left to the middle-right tap.
// The taps sum to exactly 1, so that a constant stays a constant whatever the
// phase. len(taps) is even.
func (f LowPass) Phase(taps []float64, at float64) {
	sum := 0.0
	for i := range taps {
		taps[i] = f.At(float64(i-len(taps)/2+1) - at)
		sum += taps[i]
	}
	for i := range taps {
		taps[i] /= sum
	}
}

// Length returns how many samples long a filter must be to fall by
// attenuationDB within transition (cycles a sample). Kaiser's estimate, 1974.
func Length(attenuationDB, transition float64) float64 {
	return (attenuationDB - 7.95) / (14.36 * transition)
}

// beta is Kaiser's window parameter, 1974, for more than 50 dB.
func beta(attenuationDB float64) float64 {
	return 0.1102 * (attenuationDB - 8.7)
}

// besselI0 is the modified Bessel function of order zero, by its power series.
func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term *= (x / (2 * k)) * (x / (2 * k))
		sum += term
	}
	return sum
}
