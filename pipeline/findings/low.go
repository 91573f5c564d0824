package findings

import (
	"math"

	"lectern/pipeline/fourier"
	"lectern/pipeline/resample/sinc"
	"lectern/pipeline/speech"
)

// lowSpectra keeps the spectrum below 840 Hz in steps of 2.2 Hz, which tells
// the lines of 50 Hz mains from those of 60, for hum and rumble.
type lowSpectra struct {
	taps []float64
	hold []float64 // samples that the next slow sample still needs
	slow []float64 // at the slow rate, from the start of the next window on
	skip int       // slow samples until the next window starts

	fft    *fourier.Transform
	win    []float64
	in     []float64
	scale  float64
	every  int // hops from one kept window to the next
	hop    int // of the next window
	keep   [][lowBins]uint8
	keepAt []int // hop of each
}

const (
	lowBy      = 21 // the slow rate is 2100 Hz: 210 samples a hop
	lowRateHz  = speech.SampleRateHz / lowBy
	lowHop     = hopSamples / lowBy
	lowSamples = 1024 // 0.49 s
	lowBinHz   = float64(lowRateHz) / lowSamples
	lowBins    = 391 // up to 840 Hz
	lowFrames  = (lowSamples*lowBy + speech.FrameSamples - 1) / speech.FrameSamples
	// lowTaps reach 10 ms either way: the filter is 80 dB down at 1300 Hz,
	// from where sound would fold back under 800 Hz.
	lowHalf = 220
	// mostLow is how many spectra are kept. Of a longer stream every second, then
	// every fourth is kept: hum does not come and go.
	mostLow = 6000
)

func newLowSpectra() *lowSpectra {
	s := &lowSpectra{
		fft: fourier.New(lowSamples), win: hann(lowSamples),
		in:    make([]float64, lowSamples),
		every: 2,
	}
	s.scale = powerScale(s.win)
	low := sinc.NewLowPass(1050.0/speech.SampleRateHz, lowHalf, 80)
	s.taps = make([]float64, 2*lowHalf)
	low.Phase(s.taps, 0)
	// The stream is thought to be preceded by silence, so that slow sample k
	// stands for sample k*lowBy.
	s.hold = make([]float64, lowHalf-1, 1<<15)
	return s
}

func (s *lowSpectra) add(block []float32) {
	for len(block) > 0 {
		n := min(len(block), cap(s.hold)-len(s.hold))
		s.hold = s.hold[:len(s.hold)+n]
		added := s.hold[len(s.hold)-n:]
		for i, x := range block[:n] {
			added[i] = float64(x)
		}
		block = block[n:]
		at := 0
		for ; at+len(s.taps)+3*lowBy <= len(s.hold); at += 4 * lowBy {
			for _, y := range s.four(s.hold[at:]) {
				s.addSlow(y)
			}
		}
		for ; at+len(s.taps) <= len(s.hold); at += lowBy {
			var y float64
			for i, x := range s.hold[at : at+len(s.taps)] {
				y += s.taps[i] * x
			}
			s.addSlow(y)
		}
		s.hold = s.hold[:copy(s.hold, s.hold[at:])]
	}
}

// four returns the next four slow samples. Each is summed in the order of the taps, but
// the processor need not wait for one addition to begin the next.
func (s *lowSpectra) four(x []float64) [4]float64 {
	n := len(s.taps)
	x0, x1, x2, x3 := x[:n], x[lowBy:][:n], x[2*lowBy:][:n], x[3*lowBy:][:n]
	var a, b, c, d float64
	for i, tap := range s.taps {
		a += tap * x0[i]
		b += tap * x1[i]
		c += tap * x2[i]
		d += tap * x3[i]
	}
	return [4]float64{a, b, c, d}
}

func (s *lowSpectra) addSlow(y float64) {
	if s.skip > 0 {
		s.skip--
		return
	}
	if s.slow = append(s.slow, y); len(s.slow) < lowSamples {
		return
	}
	s.window()
	step := s.every * lowHop
	s.hop += s.every
	drop := min(step, len(s.slow))
	s.skip = step - drop
	s.slow = s.slow[:copy(s.slow, s.slow[drop:])]
}

func (s *lowSpectra) window() {
	for i, v := range s.slow {
		s.in[i] = v * s.win[i]
	}
	spectrum := s.fft.Forward(s.in)
	var bins [lowBins]uint8
	for i := range bins {
		bins[i] = toByte(decibels(fourier.Power(spectrum, i) * s.scale))
	}
	if len(s.keep) == mostLow {
		for i := range mostLow / 2 {
			s.keep[i], s.keepAt[i] = s.keep[2*i], s.keepAt[2*i]
		}
		s.keep, s.keepAt = s.keep[:mostLow/2], s.keepAt[:mostLow/2]
		s.every *= 2
	}
	s.keep, s.keepAt = append(s.keep, bins), append(s.keepAt, s.hop)
}

// A level in a byte: half decibels over -135 dBFS, 0 for less.
const byteFloorDB = -135.0

func toByte(db float64) uint8 {
	return uint8(math.Round(2 * min(max(db-byteFloorDB, 0), 127.5)))
}

func fromByte(b uint8) float64 { return byteFloorDB + float64(b)/2 }
