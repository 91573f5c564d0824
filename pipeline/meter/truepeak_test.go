package meter

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestTruePeakIsNotBelowSamplePeak: annex 2's own filter has no phase that
// passes the samples, and reads 0.2 dB below them on fs/4.
func TestTruePeakIsNotBelowSamplePeak(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := noise(rapid.IntRange(1, 500).Draw(t, "frames"), 0.9, rapid.Uint32Range(1, 1<<31).Draw(t, "seed"))
		x[rapid.IntRange(0, len(x)-1).Draw(t, "at")] = 1
		rateHz := rapid.SampledFrom([]int{8000, 44100, 96000}).Draw(t, "rate_hz")
		if tp, sp := measuredTruePeak(rateHz, x), measuredPeak(x); tp < sp {
			t.Fatalf("true peak %.4f below sample peak %.4f", float64(tp), float64(sp))
		}
	})
}

// TestTruePeakOfTones holds the error over the band: no more than 0.02 dB high,
// and low by what annex 2's attachment 1 allows 8 points a sample, or 4, and by
// 0.04 dB of ripple and fade. Faded, as a tone that begins at once overshoots.
func TestTruePeakOfTones(t *testing.T) {
	for rateHz, times := range map[int]float64{44100: 8, 48000: 8, 96000: 4, 192000: 4} {
		for hz := 500; hz < min(42*rateHz/100, 20000); hz += 977 {
			low := 20*math.Log10(math.Cos(math.Pi*float64(hz)/float64(rateHz)/times)) - 0.04
			faded := tone(rateHz, hz, step{0.2, -6})
			fade(faded, rateHz)
			if got := float64(measuredTruePeak(rateHz, faded)) + 6; got < low || got > 0.02 {
				t.Errorf("%d Hz: %d Hz reads %+.3f dB, want %.3f to 0.02", rateHz, hz, got, low)
			}
		}
	}
}

// TestTruePeakPassesOverNothing holds that leaving out chunks which cannot reach
// the maximum changes no bit of the answer.
func TestTruePeakPassesOverNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		quick, thorough := NewTruePeak(44100), NewTruePeak(44100)
		thorough.gainMax, thorough.levelGain = float32(math.Inf(1)), float32(math.Inf(1))
		for range 20 {
			amplitude := rapid.Float64Range(0.01, 1).Draw(t, "amplitude")
			x := noise(300, amplitude, rapid.Uint32Range(1, 1<<31).Draw(t, "seed"))
			if rapid.Bool().Draw(t, "tone") {
				hz := rapid.Float64Range(20, 20000).Draw(t, "hz")
				for i := range x {
					x[i] = x[i]/20 + float32(math.Sin(2*math.Pi*hz*float64(i)/44100))*float32(amplitude)
				}
			}
			quick.Add(x)
			thorough.Add(x)
		}
		if quick.DBTP() != thorough.DBTP() {
			t.Fatalf("quick %v, thorough %v", float64(quick.DBTP()), float64(thorough.DBTP()))
		}
	})
}

// TestTruePeakAtTheBound feeds the one sound that makes the most of the middle
// phase, whose taps add up to the most, after a peak only a little lower: just
// what must not be passed over.
func TestTruePeakAtTheBound(t *testing.T) {
	m := NewTruePeak(44100)
	worst, most := make([]float32, InterpolatorTaps), 0.0
	for i, tap := range m.phases[len(m.phases)/2] {
		worst[i] = float32(math.Copysign(1, float64(tap)))
		most += math.Abs(float64(tap))
	}
	m.Add([]float32{float32(0.99 * most)})
	m.Add(make([]float32, 300))
	m.Add(worst)
	if got, want := float64(m.DBTP()), 20*math.Log10(most); math.Abs(got-want) > 1e-4 {
		t.Errorf("reads %.4f, want %.4f", got, want)
	}
}

// TestNothingLiesBeyondReach holds the bound on sound of all kinds, and on the windows whose
// steps all add to the value, for each phase and about each of the middle samples.
func TestNothingLiesBeyondReach(t *testing.T) {
	for _, times := range []int{2, 4, 8} {
		m := NewInterpolator(times)
		if !(m.gainMax < 4) {
			t.Errorf("%d points a sample: gain %g, the rounding was thought of for less than 4", times, m.gainMax)
		}
		for p, h := range m.phases {
			for _, middle := range []int{InterpolatorTaps/2 - 1, InterpolatorTaps / 2} {
				for _, level := range []float32{0, 0.1, 1, 10} {
					for _, between := range []float32{0, 1} { // the step between the two in the middle
						w := steepest(h, middle, level, between)
						if got, most := m.Largest(&w), m.reach(w[:]); got > most {
							t.Errorf("%d points, phase %d: %g lies beyond %g", times, p, got, most)
						}
					}
				}
			}
		}
		rapid.Check(t, func(t *rapid.T) {
			n := rapid.IntRange(0, 40).Draw(t, "more")
			x := noise(InterpolatorTaps+n, rapid.Float64Range(0, 1).Draw(t, "noise"), rapid.Uint32Range(1, 1<<31).Draw(t, "seed"))
			turn, level := rapid.Float64Range(0, 3.1).Draw(t, "turn"), rapid.Float64Range(-2, 2).Draw(t, "level")
			tiny := rapid.SampledFrom([]float32{1, 1e-20, 1e-40}).Draw(t, "scale")
			for i := range x {
				x[i] = tiny * (x[i] + float32(math.Sin(turn*float64(i))+level))
			}
			x[rapid.IntRange(0, len(x)-1).Draw(t, "at")] += tiny * float32(rapid.Float64Range(-50, 50).Draw(t, "click"))
			most := m.reach(x)
			for i := range n + 1 {
				if got := m.Largest((*[InterpolatorTaps]float32)(x[i:])); got > most {
					t.Fatalf("%g lies beyond %g", got, most)
				}
			}
		})
	}
}

// steepest is the window of which a phase makes the most by steps of 1, away from a middle
// sample on either side: each goes the way of all the taps that lie beyond it.
func steepest(h [InterpolatorTaps]float32, middle int, level, between float32) (w [InterpolatorTaps]float32) {
	var beyond [InterpolatorTaps]float32
	for i := range middle {
		beyond[i] = beyond[max(0, i-1)] + h[i]
	}
	for i := InterpolatorTaps - 1; i > middle; i-- {
		beyond[i] = beyond[min(i+1, InterpolatorTaps-1)] + h[i]
	}
	step := func(i int) float32 {
		size := float32(1)
		if i == InterpolatorTaps-1-middle {
			size = between
		}
		return float32(math.Copysign(float64(size), float64(beyond[i])))
	}
	w[middle] = level
	for i := middle - 1; i >= 0; i-- {
		w[i] = w[i+1] + step(i)
	}
	for i := middle + 1; i < InterpolatorTaps; i++ {
		w[i] = w[i-1] + step(i)
	}
	return w
}

// TestTruePeakBeyondTheEnd: a sound cut off at full level overshoots after its
// last whole window, as in a converter.
func TestTruePeakBeyondTheEnd(t *testing.T) {
	x := make([]float32, 2000)
	for i := range x {
		x[i] = min(1, float32(i)/1000)
	}
	got, ended := measuredTruePeak(44100, x), measuredTruePeak(44100, append(x, make([]float32, 500)...))
	if got != ended || got < 0.3 {
		t.Errorf("cut off %.3f, with zeros after it %.3f; want the same, and above 0.3", float64(got), float64(ended))
	}
}

// TestTruePeakBetweenItsPoints wants tones in their worst phase read no lower than
// attachment 1 of annex 2 says for 8 points a sample below 96 kHz and 4 from there:
// 20 log10 cos(pi f / (n fs)), and 0.02 dB for the filter.
func TestTruePeakBetweenItsPoints(t *testing.T) {
	for _, c := range []struct {
		rateHz, points int
		part           float64 // frequency as a share of the sample rate
	}{{44100, 8, 0.4}, {48000, 8, 0.4}, {96000, 4, 0.4}, {96000, 4, 0.25}} {
		lowest := 0.0
		for k := range 64 {
			x := make([]float32, c.rateHz/10)
			for n := range x {
				x[n] = float32(math.Sin(2*math.Pi*(c.part*float64(n)+float64(k)/64/float64(c.points)*c.part) + 0.1))
			}
			middle := x[200 : len(x)-200]
			fadeEnds(middle)
			lowest = min(lowest, float64(measuredTruePeak(c.rateHz, middle)))
		}
		if least := 20*math.Log10(math.Cos(math.Pi*c.part/float64(c.points))) - 0.02; lowest < least {
			t.Errorf("%g of %d Hz reads down to %.3f dBTP, want no lower than %.3f", c.part, c.rateHz, lowest, least)
		}
	}
}

// fadeEnds takes the step from the ends of a tone.
func fadeEnds(x []float32) {
	const n = 400
	for i := range n {
		k := float32(i) / n
		x[i] *= k
		x[len(x)-1-i] *= k
	}
}
