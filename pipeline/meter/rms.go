package meter

// RMS measures the plain root mean square: 0 dBFS is a full-scale square wave,
// a full-scale sine is -3.01 (ITU-T G.100.1 calls it dBov).
type RMS struct {
	sum    float64
	frames int64
}

// NewRMS returns a meter that has heard nothing.
func NewRMS() *RMS { return &RMS{} }

// Add takes the next samples of one channel.
func (m *RMS) Add(x []float32) {
	sum := m.sum
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	m.sum = sum
	m.frames += int64(len(x))
}

// DBFS returns the level of all samples so far.
func (m *RMS) DBFS() DB {
	if m.frames == 0 {
		return Silent
	}
	return FromPower(m.sum / float64(m.frames))
}
