package meter

import "math"

// Peak measures the largest absolute sample.
type Peak struct{ max float32 }

// NewPeak returns a meter that has heard nothing.
func NewPeak() *Peak { return &Peak{} }

// Add takes the next samples of one channel.
func (m *Peak) Add(x []float32) { m.max = max(m.max, largest(x)) }

// DBFS returns the largest sample so far; above 0 where a float file exceeds
// full scale.
func (m *Peak) DBFS() DB { return FromAmplitude(float64(m.max)) }

// largest is the largest absolute value in x, 0 if x is empty.
func largest(x []float32) float32 {
	top := uint32(0) // bits, see magnitude
	for _, v := range x {
		top = max(top, math.Float32bits(magnitude(v)))
	}
	return math.Float32frombits(top)
}

// magnitude clears the sign without a branch: in sound, signs cannot be foreseen. Without it
// the bits of numbers sort as the numbers do.
func magnitude(v float32) float32 {
	return math.Float32frombits(math.Float32bits(v) &^ (1 << 31))
}
