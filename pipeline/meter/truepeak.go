package meter

// truePeakChunk samples are looked at together, and where they are loud truePeakRun (our
// choice).
const truePeakChunk, truePeakRun = 64, 8

// TruePeak measures the largest value the sound takes on, between the samples
// too: ITU-R BS.1770-5 annex 2, by interpolation and a maximum. It interpolates
// 8 times below 96 kHz and 4 times from there (annex 2 asks for 4 and 2), with a
// longer filter than the annex's example, whose phases lie up to 0.24 dB off.
// It never reads below the sample peak.
//
// A tone may still read low by 20 log10 cos(pi f / (n fs)), annex 2, attachment
// 1: 0.1 dB at 18 kHz in a 44.1 kHz file.
type TruePeak struct {
	// Chunks that cannot reach the maximum so far, by gainMax, are passed over, and of the
	// others runs that cannot by reach, with no change to the answer.
	Interpolator

	// window holds the samples before the chunk that its first values need,
	// then the chunk, filled so far.
	window [InterpolatorTaps - 1 + truePeakChunk]float32
	filled int
	max    float32
}

// NewTruePeak returns a meter for one channel at sampleRateHz.
func NewTruePeak(sampleRateHz int) *TruePeak {
	times := 8
	if sampleRateHz >= 96000 {
		times = 4
	}
	return &TruePeak{Interpolator: NewInterpolator(times)}
}

// Add takes the next samples.
func (m *TruePeak) Add(x []float32) {
	m.max = max(m.max, largest(x))
	for len(x) > 0 {
		n := copy(m.window[InterpolatorTaps-1+m.filled:], x)
		m.filled += n
		x = x[n:]
		if m.filled == truePeakChunk {
			m.measureChunk()
		}
	}
}

func (m *TruePeak) measureChunk() {
	if m.gainMax*largest(m.window[:]) > m.max {
		for i := 0; i < truePeakChunk; i += truePeakRun {
			m.measureRun(m.window[i:][:InterpolatorTaps-1+truePeakRun])
		}
	}
	copy(m.window[:], m.window[truePeakChunk:])
	m.filled = 0
}

// measureRun looks between the samples in the middle of w.
func (m *TruePeak) measureRun(w []float32) {
	if m.reach(w) <= m.max {
		return
	}
	for i := range truePeakRun {
		m.max = max(m.max, m.Largest((*[InterpolatorTaps]float32)(w[i:])))
	}
}

// DBTP returns the true peak so far, taking the sound to be silent after its
// last sample.
func (m *TruePeak) DBTP() DB {
	ended := *m
	var silence [InterpolatorTaps - 1 + truePeakChunk]float32
	ended.Add(silence[:])
	return FromAmplitude(float64(ended.max))
}
