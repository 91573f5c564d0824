package meter

import (
	"math"

	"lectern/pipeline/resample/sinc"
)

const (
	// InterpolatorTaps is twice the reach of the filter in ITU-R BS.1770-5 annex 2,
	// so that a tone is read right up to 0.42 of the sample rate (our choice).
	InterpolatorTaps = 24
	// interpolatorAttenuationDB leaves a ripple of 0.01 dB (our choice).
	interpolatorAttenuationDB = 60
)

// Interpolator finds values between samples, as the true-peak meter and the limiter
// see them.
type Interpolator struct {
	phases [][InterpolatorTaps]float32
	// gainMax is the most a phase can make of a window: no interpolated value
	// exceeds it times the largest sample in its window.
	gainMax float32
}

// NewInterpolator returns one that looks at times-1 points between two samples.
func NewInterpolator(times int) Interpolator {
	var m Interpolator
	filter := sinc.NewLowPass(0.5, InterpolatorTaps/2, interpolatorAttenuationDB)
	taps := make([]float64, InterpolatorTaps)
	for phase := 1; phase < times; phase++ { // phase 0 is the samples themselves
		filter.Phase(taps, float64(phase)/float64(times))
		var row [InterpolatorTaps]float32
		gain := 0.0
		for i, tap := range taps {
			row[i] = float32(tap)
			gain += math.Abs(tap)
		}
		m.phases = append(m.phases, row)
		m.gainMax = max(m.gainMax, float32(gain*1.0001)) // room for rounding
	}
	return m
}

// GainMax is the most that the largest value between the two middle samples of a
// window can be times the largest sample in it.
func (m *Interpolator) GainMax() float32 { return m.gainMax }

// Largest returns the largest absolute value between the two middle samples of w.
func (m *Interpolator) Largest(w *[InterpolatorTaps]float32) float32 {
	top := float32(0)
	for p := range m.phases {
		h := &m.phases[p]
		var a, b, c, d float32
		for i := 0; i < InterpolatorTaps; i += 4 {
			a += w[i] * h[i]
			b += w[i+1] * h[i+1]
			c += w[i+2] * h[i+2]
			d += w[i+3] * h[i+3]
		}
		if y := magnitude((a + b) + (c + d)); y > top {
			top = y
		}
	}
	return top
}
