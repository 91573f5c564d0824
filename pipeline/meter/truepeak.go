package meter

import (
	"math"

	"lectern/pipeline/resample/sinc"
)

const (
	// truePeakTaps is twice the reach of annex 2's own filter, so that a tone
	// is read right up to 0.42 of the sample rate (our choice).
	truePeakTaps = 24
	// truePeakAttenuationDB leaves a ripple of 0.01 dB (our choice).
	truePeakAttenuationDB = 60
	// truePeakChunk samples are looked at together (our choice).
	truePeakChunk = 64
)

// TruePeak measures the largest value the sound takes on, between the samples
// too: ITU-R BS.1770-5 annex 2, by interpolation and a maximum. It interpolates
// 8 times below 96 kHz and 4 times from there (annex 2 asks for 4 and 2), with a
// longer filter than the annex's example, whose phases lie up to 0.24 dB off.
// It never reads below the sample peak.
//
// A tone may still read low by 20 log10 cos(pi f / (n fs)), annex 2, attachment
// 1: 0.1 dB at 18 kHz in a 44.1 kHz file.
type TruePeak struct {
	phases [][truePeakTaps]float32
	// gainMax is the most a phase can make of a window: no interpolated value
	// exceeds it times the largest sample in its window. Chunks that cannot
	// reach the maximum so far are passed over, with no change to the answer.
	gainMax float32

	// window holds the samples before the chunk that its first values need,
	// then the chunk, filled so far.
	window [truePeakTaps - 1 + truePeakChunk]float32
	filled int
	max    float32
}

// NewTruePeak returns a meter for one channel at sampleRateHz.
func NewTruePeak(sampleRateHz int) *TruePeak {
	times := 8
	if sampleRateHz >= 96000 {
		times = 4
	}
	m := &TruePeak{}
	filter := sinc.NewLowPass(0.5, truePeakTaps/2, truePeakAttenuationDB)
	taps := make([]float64, truePeakTaps)
	for phase := 1; phase < times; phase++ { // phase 0 is the samples themselves
		filter.Phase(taps, float64(phase)/float64(times))
		var row [truePeakTaps]float32
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

// Add takes the next samples.
func (m *TruePeak) Add(x []float32) {
	m.max = max(m.max, largest(x))
	for len(x) > 0 {
		n := copy(m.window[truePeakTaps-1+m.filled:], x)
		m.filled += n
		x = x[n:]
		if m.filled == truePeakChunk {
			m.measureChunk()
		}
	}
}

func (m *TruePeak) measureChunk() {
	if m.gainMax*largest(m.window[:]) > m.max {
		for i := range truePeakChunk {
			m.measureWindow((*[truePeakTaps]float32)(m.window[i:]))
		}
	}
	copy(m.window[:], m.window[truePeakChunk:])
	m.filled = 0
}

// measureWindow interpolates between the two middle samples of w.
func (m *TruePeak) measureWindow(w *[truePeakTaps]float32) {
	for p := range m.phases {
		h := &m.phases[p]
		var a, b, c, d float32
		for i := 0; i < truePeakTaps; i += 4 {
			a += w[i] * h[i]
			b += w[i+1] * h[i+1]
			c += w[i+2] * h[i+2]
			d += w[i+3] * h[i+3]
		}
		if y := magnitude((a + b) + (c + d)); y > m.max {
			m.max = y
		}
	}
}

// DBTP returns the true peak so far, taking the sound to be silent after its
// last sample.
func (m *TruePeak) DBTP() DB {
	ended := *m
	var silence [truePeakTaps - 1 + truePeakChunk]float32
	ended.Add(silence[:])
	return FromAmplitude(float64(ended.max))
}
