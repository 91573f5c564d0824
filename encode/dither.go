package encode

import (
	"errors"
	"math"
	"math/rand/v2"
)

// errNotANumber is our own fault, never the narrator's: some step before
// divided by nothing.
var errNotANumber = errors.New("sample is not a number")

// A quantizer turns samples into the encoder's 16-bit input with TPDF dither:
// the sum of two independent uniform values of ±1/2 step, which makes the mean
// and the power of the error independent of the signal. Digital silence is
// dithered as well (steps 0 three times in four, ±1 otherwise), so that the
// noise does not switch on and off with the signal.
//
// The random numbers are ChaCha8: its output is specified, so the same seed
// gives the same numbers on every machine, and with the rounding it costs about
// 10 ns a sample, 1/30 of what the encoder does. They are drawn one after the other, on
// the goroutine that reads the samples, as the generator cannot begin in the middle.
type quantizer struct {
	random  *rand.ChaCha8
	clamped int64 // samples beyond full scale, cut to it
}

func newQuantizer(seed [32]byte) *quantizer {
	return &quantizer{random: rand.NewChaCha8(seed)}
}

// quantize fills dst from src, full scale 1.0, both of the same length.
func (q *quantizer) quantize(dst []int16, src []float32) error {
	for i, x := range src {
		if x-x != 0 { // infinite as well
			return errNotANumber
		}
		if x > 1 || x < -1 {
			q.clamped++
			x = max(-1, min(1, x))
		}
		r := q.random.Uint64()
		// Two uniform values of 32 bits, each minus its mean.
		tpdf := float64(int64(r>>32)+int64(uint32(r))-(1<<32-1)) / (1 << 32)
		dst[i] = int16(math.Floor(float64(x)*inputScale + tpdf + 0.5))
	}
	return nil
}
