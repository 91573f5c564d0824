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
	// The same from how loud the two middle samples are and how large the steps between the
	// window's samples: no interpolated value exceeds levelGain times the larger of those
	// plus stepGain times the largest of these, and roundGain times the largest sample.
	levelGain, stepGain float32
}

// roundGain is more than the rounding of a sum of InterpolatorTaps products can make of the
// largest sample: their number times the half of a last bit times gainMax, which is under 4.
// roundLeast is more than it can make where the products are too small to be written in full.
const roundGain, roundLeast = 1e-5, 1e-40

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
		level, steps := levelAndSteps(taps)
		m.levelGain, m.stepGain = max(m.levelGain, float32(level*1.0001)), max(m.stepGain, float32(steps*1.0001))
	}
	return m
}

// levelAndSteps says how much a phase can make of a constant, and of steps of 1 between
// samples: by parts, the sum of h[i]*w[i] is the sum of h times one sample, plus each step
// away from it times all the taps that lie beyond. Of the two middle samples the better one is
// taken.
func levelAndSteps(taps []float64) (level, steps float64) {
	steps = math.Inf(1)
	for _, middle := range []int{InterpolatorTaps/2 - 1, InterpolatorTaps / 2} {
		all, before, after := 0.0, 0.0, 0.0
		for i := range middle {
			before += taps[i]
			all += math.Abs(before)
		}
		for i := InterpolatorTaps - 1; i > middle; i-- {
			after += taps[i]
			all += math.Abs(after)
		}
		level, steps = math.Abs(before+taps[middle]+after), min(steps, all)
	}
	return level, steps
}

// reach is more than the largest absolute value between the two middle samples of any window
// of w.
func (m *Interpolator) reach(w []float32) float32 {
	var step uint32 // bits, see magnitude
	before := w[0]
	for _, v := range w[1:] {
		step = max(step, math.Float32bits(magnitude(v-before)))
		before = v
	}
	const left = InterpolatorTaps/2 - 1
	middle := largest(w[left : len(w)-left])
	return m.levelGain*middle + m.stepGain*math.Float32frombits(step) + roundGain*largest(w) + roundLeast
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
