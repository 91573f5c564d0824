// Package resample converts a mono stream of any whole rate from 8 to 192 kHz
// to 44.1 kHz.
//
// Each output sample is the input seen through a Kaiser-windowed sinc centered
// on the output's own instant, so nothing is delayed and the end is not lost.
// The filter's values for all the instants that occur are worked out once, one
// row a phase. A rate from 176.4 kHz up is halved first, which is cheap because
// that filter may fall slowly.
package resample

import "fmt"

// OutHz is the rate everything is converted to, MinHz and MaxHz the range of
// rates accepted.
const (
	OutHz = 44100
	MinHz = 8000
	MaxHz = 192000
)

// halveFromHz is where halving first begins to pay (our choice): four times
// OutHz, so that the halved stream still has twice the rate wanted.
const halveFromHz = 4 * OutHz

// blockFrames is how much input is worked on at a time (our choice).
const blockFrames = 4096

// Converter converts one stream. It is not for use by two goroutines.
type Converter struct {
	inHz int
	half *halver // nil below halveFromHz
	poly *polyphase

	read, made int64 // frames in and out so far
}

// New returns a converter from inHz to OutHz. Rates outside MinHz to MaxHz are
// for the caller to refuse; here they are a programming error, and panic.
func New(inHz int) *Converter {
	if inHz < MinHz || inHz > MaxHz {
		panic(fmt.Sprintf("resample: rate %d Hz is outside %d to %d", inHz, MinHz, MaxHz))
	}
	c := &Converter{inHz: inHz}
	switch {
	case inHz == OutHz:
	case inHz >= halveFromHz:
		c.half = newHalver(inHz)
		c.poly = newPolyphase(inHz, 2*OutHz)
	default:
		c.poly = newPolyphase(inHz, OutHz)
	}
	return c
}

// Write takes the next frames of the input and hands on, in blocks, every
// output sample they settle. At 44.1 kHz it hands on in itself. emit must
// neither keep nor change its block. An error of emit is returned as it is.
func (c *Converter) Write(in []float32, emit func([]float32) error) error {
	c.read += int64(len(in))
	if c.inHz == OutHz {
		c.made += int64(len(in))
		if len(in) == 0 {
			return nil
		}
		return emit(in)
	}
	for len(in) > 0 {
		n := min(len(in), blockFrames)
		if err := c.hand(c.convert(in[:n]), emit); err != nil {
			return err
		}
		in = in[n:]
	}
	return nil
}

// Close hands on what is still owed, taking the input to be silent after its
// end. All blocks together then hold FramesOut(frames written, inHz) samples.
func (c *Converter) Close(emit func([]float32) error) error {
	total := FramesOut(c.read, c.inHz)
	silence := make([]float32, blockFrames)
	for c.made < total {
		out := c.convert(silence)
		out = out[:min(int64(len(out)), total-c.made)]
		if err := c.hand(out, emit); err != nil {
			return err
		}
	}
	return nil
}

// FramesOut tells how many samples a stream of frames at inHz becomes:
// frames * 44100 / inHz, rounded half up.
func FramesOut(frames int64, inHz int) int64 {
	hz := int64(inHz)
	return (2*frames*OutHz + hz) / (2 * hz)
}

// convert returns the output that one block of at most blockFrames settles. The
// slice is reused by the next call.
func (c *Converter) convert(in []float32) []float32 {
	if c.half != nil {
		in = c.half.halve(in)
	}
	return c.poly.convert(in)
}

func (c *Converter) hand(out []float32, emit func([]float32) error) error {
	if len(out) == 0 {
		return nil
	}
	c.made += int64(len(out))
	return emit(out)
}
