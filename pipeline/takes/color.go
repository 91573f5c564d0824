package takes

import "math"

// OctaveHz are the octaves in which two readings of the same words are compared.
var OctaveHz = [...]float64{125, 250, 500, 1000, 2000, 4000}

// leastColorFrames is how many frames of the same words it takes to compare their color:
// half a second. Our choice.
const leastColorFrames = 50

// color is how much stronger each octave is in the second of two readings of the same
// words, in dB, taken against the mean of all; nil if there are too few of them. Level and
// words drop out, so a second of speech is enough. first and second are the places of the
// frames that say the same.
func color(first, second []framePlace) []float64 {
	var mean float64
	for _, f := range first {
		mean += float64(f.power()) / float64(len(first))
	}
	var diff [coefficients]float64
	n := 0
	for i, f := range first {
		s := second[i]
		if float64(f.power()) < mean/10 { // the room is heard in it
			continue
		}
		a, b := &f.voice.cepstra[f.at], &s.voice.cepstra[s.at]
		for k := range diff {
			diff[k] += (float64(b[k]) - float64(a[k])) / stepsPerUnit
		}
		n++
	}
	if n < leastColorFrames {
		return nil
	}
	// Back from the cepstra to the logarithm of the bands, smoothed by those left out.
	var bands [melBands]float64
	for b := range bands {
		for k := range diff {
			weight := math.Sqrt(2.0 / melBands)
			if k == 0 {
				weight /= 2
			}
			bands[b] += weight * diff[k] / float64(n) * math.Cos(math.Pi*float64(k)*(float64(b)+0.5)/melBands)
		}
	}
	out := make([]float64, len(OctaveHz))
	var sum float64
	for i, hz := range OctaveHz {
		low, high := melBand(hz/math.Sqrt2), melBand(hz*math.Sqrt2)
		count := 0.0
		for b := max(0, low); b <= min(high, melBands-1); b++ {
			out[i] += bands[b] * 10 / math.Ln10
			count++
		}
		out[i] /= max(count, 1)
		sum += out[i] / float64(len(OctaveHz))
	}
	for i := range out {
		out[i] -= sum
	}
	return out
}

// melBand is the band whose middle is nearest to a frequency.
func melBand(hz float64) int {
	return int(math.Round((mel(hz)-mel(lowestHz))/(mel(highestHz)-mel(lowestHz))*(melBands+1))) - 1
}

// framePlace is a frame of a raw.
type framePlace struct {
	voice *Voice
	at    int
}

func (f framePlace) power() float32 { return f.voice.m.Features.Power[f.at] }

// where returns where the frames of words from run i on are, at most n of them.
func (l line) where(i, n int) []framePlace {
	out := make([]framePlace, 0, min(n, l.length(i)))
	for ; i < len(l); i++ {
		for k := l[i].From; k < l[i].To; k++ {
			if len(out) >= n {
				return out
			}
			out = append(out, framePlace{l[i].voice, k})
		}
	}
	return out
}

// color compares the words an alignment has in common.
func (a *alignment) color(earlier line, run int, later line) []float64 {
	e, l := earlier.where(run, len(a.to)), later.where(0, math.MaxInt)
	var first, second []framePlace
	for i, to := range a.to {
		if to >= 0 {
			first, second = append(first, e[i]), append(second, l[to])
		}
	}
	return color(first, second)
}
