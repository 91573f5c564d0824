package meter

import (
	"fmt"
	"math"

	"lectern/pipeline/meter/published"
	"lectern/pipeline/resample/sinc"
)

// tech3341Integrated: EBU Tech 3341 (2023) table 1, cases 1 to 5, on two
// channels; and the same on one, 3.0103 dB louder, which must read the same.
func tech3341Integrated() []published.Case {
	var cases []published.Case
	for i, c := range []struct {
		want  float64
		steps []step
	}{
		{-23, []step{{20, -23}}},
		{-33, []step{{20, -33}}},
		{-23, []step{{10, -36}, {60, -23}, {10, -36}}},
		{-23, []step{{10, -72}, {10, -36}, {60, -23}, {10, -36}, {10, -72}}},
		{-23, []step{{20, -26}, {20.1, -20}, {20, -26}}},
	} {
		figures := []published.Figure{published.Even(integratedLUFS, c.want, 0.1)}
		if i < 2 {
			figures = append(figures, published.Even(momentaryLUFS, c.want, 0.1), published.Even(shortTermLUFS, c.want, 0.1))
		}
		for _, channels := range []int{2, 1} {
			signal, louderDB := fmt.Sprintf("case %d", i+1), 0.0
			if channels == 1 {
				signal, louderDB = signal+", one channel 3.01 dB louder", 20*math.Log10(math.Sqrt2)
			}
			cases = append(cases, published.Case{
				Source: tech3341, Signal: signal, Figures: figures,
				Measure: func(rateHz int) []float64 {
					m := measuredLoudness(rateHz, channels, tone(rateHz, 1000, raised(louderDB, c.steps)...))
					return values(m.IntegratedLUFS(), m.MaxMomentaryLUFS(), m.MaxShortTermLUFS())
				},
			})
		}
	}
	return cases
}

// tech3341ShortTerm: cases 9, 10, 11. The maximum of case 9 is the constant
// value asked for; that it is constant is TestConstantWindows.
func tech3341ShortTerm() []published.Case {
	read := func(m *Loudness) DB { return m.MaxShortTermLUFS() }
	return []published.Case{
		steady("case 9", shortTermLUFS, read, repeated(5, step{1.34, -20}, step{1.66, -30})),
		files("case 10, the worst of 20 files", shortTermLUFS, read, 0.15, 3),
		live("case 11, -38 to -19, the worst error of 20", shortTermLUFS, read, 0.15, 3),
	}
}

// tech3341Momentary: cases 12, 13, 14.
func tech3341Momentary() []published.Case {
	read := func(m *Loudness) DB { return m.MaxMomentaryLUFS() }
	return []published.Case{
		steady("case 12", momentaryLUFS, read, repeated(25, step{0.18, -20}, step{0.22, -30})),
		files("case 13, the worst of 20 files", momentaryLUFS, read, 0.02, 0.4),
		live("case 14, -38 to -19, the worst error of 20", momentaryLUFS, read, 0.02, 0.4),
	}
}

// steady is a sound whose windows all read the same.
func steady(signal, figure string, read func(*Loudness) DB, steps []step) published.Case {
	return published.Case{
		Source: tech3341, Signal: signal, Figures: []published.Figure{published.Even(figure, -23, 0.1)},
		Measure: func(rateHz int) []float64 {
			return values(read(measuredLoudness(rateHz, 2, tone(rateHz, 1000, steps...))))
		},
	}
}

// files is 20 files, each with one tone that begins a little later.
func files(signal, figure string, read func(*Loudness) DB, later, seconds float64) published.Case {
	return published.Case{
		Source: tech3341, Signal: signal, Figures: []published.Figure{published.Even(figure, -23, 0.1)},
		Measure: func(rateHz int) []float64 {
			worst := -23.0
			for i := range 20 {
				x := tone(rateHz, 1000, step{float64(i) * later, silence}, step{seconds, -23}, step{1, silence})
				worst = further(-23, worst, float64(read(measuredLoudness(rateHz, 2, x))))
			}
			return []float64{worst}
		},
	}
}

// live is one file in which the same length of tone comes 20 times, each 1 dB
// louder and later: the maximum so far is read after each.
func live(signal, figure string, read func(*Loudness) DB, later, seconds float64) published.Case {
	return published.Case{
		Source: tech3341, Signal: signal, Figures: []published.Figure{published.Even(figure, 0, 0.1)},
		Measure: func(rateHz int) []float64 {
			m, worst := NewLoudness(rateHz, 2), 0.0
			for i := range 20 {
				level, wait := float64(i-38), float64(i)*later
				x := tone(rateHz, 1000, step{wait, silence}, step{seconds, level}, step{seconds - wait, silence})
				m.Add([][]float32{x, x})
				worst = further(0, worst, float64(read(m))-level)
			}
			return []float64{worst}
		},
	}
}

// further is whichever of a and b lies further from want.
func further(want, a, b float64) float64 {
	if !(math.Abs(b-want) <= math.Abs(a-want)) { // no number is furthest
		return b
	}
	return a
}

// loudnessRanges: EBU Tech 3342 (2023) table 1, cases 1 to 4, which allow 1 LU.
// The figure behind each holds our windows, gates and ranks: tones have exactly
// the range of their levels.
func loudnessRanges() []published.Case {
	var cases []published.Case
	for i, c := range []struct {
		want  float64
		steps []step
	}{
		{10, []step{{20, -20}, {20, -30}}},
		{5, []step{{20, -20}, {20, -15}}},
		{20, []step{{20, -40}, {20, -20}}},
		{15, []step{{20, -50}, {20, -35}, {20, -20}, {20, -35}, {20, -50}}},
	} {
		cases = append(cases, published.Case{
			Source: tech3342, Signal: fmt.Sprintf("case %d", i+1),
			Figures: []published.Figure{published.Even(rangeLU, c.want, 1), published.Even(rangeLU+", exact", c.want, 0.01)},
			Measure: func(rateHz int) []float64 {
				lra := float64(measuredLoudness(rateHz, 2, tone(rateHz, 1000, c.steps...)).LoudnessRangeLU())
				return []float64{lra, lra}
			},
		})
	}
	return cases
}

// truePeaks: EBU Tech 3341 (2023) table 1, cases 15 to 23.
func truePeaks() []published.Case {
	peak := func(signal string, want float64, made func(rateHz int) []float32) published.Case {
		return published.Case{
			Source: tech3341, Signal: signal,
			Figures: []published.Figure{{Name: truePeakDBTP, Want: want, Under: 0.4, Over: 0.2}},
			Measure: func(rateHz int) []float64 { return values(measuredTruePeak(rateHz, made(rateHz))) },
		}
	}
	var cases []published.Case
	for i, c := range []struct {
		part              float64 // of the sample rate
		amplitude, degree float64
		want              float64
	}{
		{4, 0.50, 0, -6}, {4, 0.50, 45, -6}, {6, 0.50, 60, -6}, {8, 0.50, 67.5, -6}, {4, 1.41, 45, 3},
	} {
		cases = append(cases, peak(fmt.Sprintf("case %d", 15+i), c.want, func(rateHz int) []float32 {
			x := make([]float32, rateHz)
			for n := range x {
				x[n] = float32(c.amplitude * math.Sin(2*math.Pi*float64(n)/c.part+c.degree*math.Pi/180))
			}
			fade(x, rateHz)
			return x
		}))
	}
	for offset := range 4 {
		cases = append(cases, peak(fmt.Sprintf("case %d", 20+offset), 0, func(rateHz int) []float32 {
			return insertedPeriod(rateHz, offset)
		}))
	}
	return cases
}

// fade is 10 ms at each end, as the cases ask.
func fade(x []float32, rateHz int) {
	n := rateHz / 100
	for i := range n {
		gain := float32(i) / float32(n)
		x[i] *= gain
		x[len(x)-1-i] *= gain
	}
}

// insertedPeriod is cases 20 to 23: made at four times the rate, a sixth of the
// rate at 0.50 with one period of a fourth of the rate at 1.00 put in, low-passed,
// every fourth sample kept.
func insertedPeriod(rateHz, offset int) []float32 {
	var high []float32
	sine := func(periods, samples int, amplitude float64) {
		for n := range periods * samples {
			high = append(high, float32(amplitude*math.Sin(2*math.Pi*float64(n)/float64(samples))))
		}
	}
	sine(4000, 4*6, 0.5)
	sine(1, 4*4, 1)
	sine(4000, 4*6, 0.5)
	fade(high, 4*rateHz)

	const half = 128
	filter := sinc.NewLowPass(0.4583/4, half, 80) // 22 kHz at 48 kHz
	var taps [2*half + 1]float64
	for i := range taps {
		taps[i] = filter.At(float64(i - half))
	}
	var x []float32
	for n := half + offset; n+half < len(high); n += 4 {
		y := 0.0
		for i, tap := range taps {
			y += tap * float64(high[n-half+i])
		}
		x = append(x, float32(y))
	}
	return x
}
