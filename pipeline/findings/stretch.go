package findings

import "math"

// stretchSamples is how many samples are looked at together (our choice): so few that most
// stretches of a reading hold nothing a finder looks for.
const stretchSamples = 32

// stretch is a few samples of one channel and what they have in common. By it a finder
// passes over those that cannot hold what it looks for.
type stretch struct {
	x []float32
	// peak is the largest absolute sample, the one before the stretch included.
	peak float32
	// step is the smallest difference of two neighbors that differ, 1 at the most; the
	// first has the sample before the stretch for its neighbor.
	step float32
	// still is how close two samples in a row come to the one before them: the further of
	// the two is taken, and of all pairs the closest.
	still float32
}

// stretcher parts a channel into stretches. It knows the last two samples.
type stretcher struct{ last, last2 float32 }

// each hands on the next samples, whatever their number, in stretches.
func (s *stretcher) each(x []float32, look func(stretch)) {
	for len(x) > 0 {
		n := min(len(x), stretchSamples)
		look(s.next(x[:n]))
		x = x[n:]
	}
}

// next measures the next samples, one at least, as a stretch. All is compared by the bits
// of the numbers, which sort as the numbers do where there is no sign, without a branch.
func (s *stretcher) next(x []float32) stretch {
	last, last2 := s.last, s.last2
	before := magnitudeBits(last - last2)
	peak, still := magnitudeBits(last), uint32(math.MaxUint32)
	step := math.Float32bits(1) - 1 // one less, so that no difference at all is the largest
	for _, v := range x {
		near, far := magnitudeBits(v-last), magnitudeBits(v-last2)
		peak = max(peak, magnitudeBits(v))
		step = min(step, near-1)
		still = min(still, max(before, far))
		before, last, last2 = near, v, last
	}
	s.last, s.last2 = last, last2
	return stretch{x, math.Float32frombits(peak), math.Float32frombits(step + 1), math.Float32frombits(still)}
}

// magnitudeBits are the bits of v without its sign.
func magnitudeBits(v float32) uint32 { return math.Float32bits(v) &^ (1 << 31) }

// abs clears the sign without a branch: in sound, signs cannot be foreseen.
func abs(v float32) float32 { return math.Float32frombits(magnitudeBits(v)) }

// largest is the largest absolute sample of x.
func largest(x []float32) float32 {
	top := uint32(0)
	for _, v := range x {
		top = max(top, magnitudeBits(v))
	}
	return math.Float32frombits(top)
}
