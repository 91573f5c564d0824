package meter

import (
	"math"
	"slices"
)

const (
	rangeGateLU     = -20 // Tech 3342 section 3.1: keeps the noise floor out
	rangeLowPct     = 10
	rangeHighPct    = 95
	rangeTailTenths = 15 // a file is followed by 1.5 s of silence, Tech 3342
)

// LoudnessRangeLU is how far apart soft and loud passages lie, EBU Tech 3342
// (2023): the 10th and 95th percentiles of the short-term loudness, gated. It is
// Silent (no figure) for less than 1.5 s of sound, or if all of it is silent.
// The figure is not to be trusted for less than a minute of sound.
func (m *Loudness) LoudnessRangeLU() DB {
	return rangeOf(m.rangeWindows())
}

// rangeOf is the range of the windows that count, sorted.
func rangeOf(sorted []float64) DB {
	if len(sorted) == 0 {
		return Silent
	}
	return lufs(nearestRank(sorted, rangeHighPct)) - lufs(nearestRank(sorted, rangeLowPct))
}

// rangeWindows lists the mean squares of the 3 s windows that count, sorted.
func (m *Loudness) rangeWindows() []float64 {
	tenths := slices.Concat(m.tenths, make([]float64, rangeTailTenths))
	return gatedForRange(m.windows(tenths, shortTermTenths))
}

// gatedForRange keeps the windows that count, and sorts them.
func gatedForRange(windows []float64) []float64 {
	kept := atLeast(windows, powerOf(absoluteGateLUFS))
	kept = atLeast(kept, mean(kept)*DB(rangeGateLU).Power())
	slices.Sort(kept)
	return kept
}

// nearestRank is sorted[round((n-1)*p/100 + 1)], counted from 1: Tech 3342
// section 5.
func nearestRank(sorted []float64, pct float64) float64 {
	return sorted[int(math.Round(float64(len(sorted)-1)*pct/100))]
}

// atLeast keeps the values not below the gate, in place.
func atLeast(values []float64, gate float64) []float64 {
	return slices.DeleteFunc(values, func(v float64) bool { return v < gate })
}
