package resample

import (
	"math"

	"lectern/pipeline/resample/sinc"
)

// halver halves the rate of a stream. It is a half-band filter, so every second
// tap but the middle one is zero, and the others are symmetric. It needs to stop
// only what would fold into the band below half of OutHz; the polyphase filter
// removes the rest.
type halver struct {
	side []float32 // taps at distance 1, 3, 5, ... from the middle one, which is 1/2
	in   []float32
	out  []float32
}

func newHalver(inHz int) *halver {
	transition := 0.5 - float64(OutHz)/float64(inHz) // from OutHz/2 to inHz/2 - OutHz/2
	reach := int(math.Ceil(sinc.Length(attenuationDB, transition) / 2))
	filter := sinc.NewLowPass(0.25, float64(reach), attenuationDB)
	h := &halver{}
	sum := 0.0
	for at := 1; at < reach; at += 2 {
		sum += 2 * filter.At(float64(at))
	}
	for at := 1; at < reach; at += 2 {
		h.side = append(h.side, float32(filter.At(float64(at))*0.5/sum)) // a constant stays one
	}
	h.in = make([]float32, h.reach()) // silence before the first sample
	return h
}

func (h *halver) reach() int { return 2*len(h.side) - 1 }

// halve takes the next block and returns all output that it settles: output j
// lies on input sample 2j. The slice is reused by the next call.
func (h *halver) halve(block []float32) []float32 {
	h.in = append(h.in, block...)
	h.out = h.out[:0]
	reach := h.reach()
	middle := reach
	for ; middle+reach < len(h.in); middle += 2 {
		window := h.in[middle-reach : middle+reach+1]
		y := 0.5 * window[reach]
		for i, tap := range h.side {
			y += tap * (window[reach-1-2*i] + window[reach+1+2*i])
		}
		h.out = append(h.out, y)
	}
	kept := copy(h.in, h.in[middle-reach:])
	h.in = h.in[:kept]
	return h.out
}
