package pipeline

import (
	"slices"

	"lectern/pipeline/speech"
)

// The two figures of the room. Both look at the plain power of the frames of
// 10 ms that lie in pauses, on the raw, in the plan and on the finished file alike.

const (
	// noiseBlock is 0.4 s, the block of ITU-R BS.1770.
	noiseBlock = 40
	// longPause is the shortest pause whose room tone counts, 0.5 s (design figure).
	longPause = 50
)

// noiseFloorPower is the 10 % quantile (nearest rank) of the mean square over
// blocks of 0.4 s that lie wholly in pauses; digital silence is left out, and so
// are the 50 ms beside the words. 0 if there is no such block.
func noiseFloorPower(power []float32, pauses []speech.Span) float64 {
	var blocks []float64
	for _, p := range pauses {
		for at := p.From + edgeFrames; at+noiseBlock <= p.To-edgeFrames; at += noiseBlock {
			if b := heardPower(power[at : at+noiseBlock]); b > 0 {
				blocks = append(blocks, b)
			}
		}
	}
	if len(blocks) == 0 {
		return 0
	}
	slices.Sort(blocks)
	return blocks[(len(blocks)-1)/10]
}

// roomTonePower is the mean square over all pauses of at least 0.5 s, 50 ms left
// out on each side. leftOut marks frames that are not the reader's room: laid-in
// tone, and the breaths and clicks of the map, which are no room either and which
// no quieter room would take away. Digital silence is left out too. 0 if the
// reading has no such pause; one of which less than 0.4 s is left does not count.
func roomTonePower(power []float32, pauses []speech.Span, leftOut []bool) float64 {
	var sum float64
	var n int
	for _, p := range pauses {
		if p.Len() < longPause {
			continue
		}
		var pauseSum float64
		var heard int
		for i := p.From + edgeFrames; i < p.To-edgeFrames; i++ {
			if power[i] > 0 && !leftOut[i] {
				pauseSum += float64(power[i])
				heard++
			}
		}
		if heard >= noiseBlock {
			sum += pauseSum
			n += heard
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// notRoom marks the sounds among n frames, and laid-in tone (nil if there is none).
func notRoom(n int, sounds []speech.Span, laidIn []bool) []bool {
	out := make([]bool, n)
	copy(out, laidIn)
	for _, s := range sounds {
		for i := s.From; i < s.To; i++ {
			out[i] = true
		}
	}
	return out
}

// heardPower is the mean of the frames that are not digital silence, 0 if all are.
func heardPower(power []float32) float64 {
	var sum float64
	var n int
	for _, p := range power {
		if p > 0 {
			sum += float64(p)
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}
