package speech

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/window"

	"lectern/pipeline/fourier"
)

const (
	// SampleRateHz is the rate of every stream that is analyzed.
	SampleRateHz = 44100
	// FrameSamples is the length of one frame, 10 ms.
	FrameSamples = 441
	// FramesPerSecond is the number of frames in a second.
	FramesPerSecond = SampleRateHz / FrameSamples

	// windowSamples is the length of the spectrum's window, 23 ms: long enough
	// to tell 250 Hz from hum, short enough to place an onset within a frame.
	windowSamples = 1024
	// slowBy is how many samples are averaged into one for the search for a
	// pitch, which needs no more than 2.7 kHz.
	slowBy = 8
	// slowWindow is the window of that search, 35 ms: two periods at 60 Hz.
	slowWindow = 192
	slowFFT    = 512
)

// Bands are the lower edges of the bands of Features.Band in Hz; the last
// entry is the upper edge of the last band. Vowels stand in the first three,
// soft consonants in the last two; what lies below 250 Hz is left to hum (our
// choice).
var Bands = [...]float64{80, 250, 800, 2500, 5000, 10000}

const bandCount = len(Bands) - 1

// Features holds a few numbers for each frame of 10 ms.
type Features struct {
	// Power is the mean square of the frame's own samples, full scale 1. It is
	// exactly 0 only for digital silence.
	Power []float32
	// Peak is the largest absolute sample of the frame.
	Peak []float32
	// Band is the level of each band in hundredths of a dB below full scale.
	Band [bandCount][]int16
	// Voicing is how periodic the frame is, 0 to 100: from voiced on a vowel.
	Voicing []uint8
}

// voiced is the Voicing from which a frame counts as a vowel.
const voiced = 45

// Voiced tells whether frame i is a vowel, or sounds like one.
func (f *Features) Voiced(i int) bool { return f.Voicing[i] >= voiced }

// Len returns the number of frames.
func (f *Features) Len() int { return len(f.Power) }

// BandDB returns the level of band b in frame i in dB.
func (f *Features) BandDB(b, i int) float64 { return float64(f.Band[b][i]) / 100 }

// silentDB stands for digital silence in the bands.
const silentDB = -200.0

// Analyzer turns a mono stream at 44.1 kHz into Features. Blocks may have any
// length; the answer does not depend on it.
type Analyzer struct {
	f Features

	// hold keeps the samples that a window still needs; hold[0] is sample
	// number base. The stream is thought to be preceded and followed by silence.
	hold  []float32
	base  int
	total int
	frame int

	fft     *fourier.Transform
	win     []float64
	in      []float64
	edges   [bandCount + 1]int
	scale   float64
	slowFT  *fourier.Transform
	slowWin []float64
	slowIn  []float64
	slowOut []float64 // a packed spectrum
	winACF  []float64
}

// NewAnalyzer returns an Analyzer for one stream.
func NewAnalyzer() *Analyzer {
	a := &Analyzer{
		fft: fourier.New(windowSamples), win: ones(windowSamples), in: make([]float64, windowSamples),
		slowFT: fourier.New(slowFFT), slowWin: ones(slowWindow),
		slowIn: make([]float64, slowFFT), slowOut: make([]float64, slowFFT),
	}
	window.Hann(a.win)
	window.Hann(a.slowWin)
	var energy float64
	for _, w := range a.win {
		energy += w * w
	}
	// Twice, because the real transform shows only the positive frequencies;
	// divided so that a band's value is the mean square of what lies in it.
	a.scale = 2 / (energy * windowSamples)
	for i, hz := range Bands {
		a.edges[i] = int(math.Round(hz * windowSamples / SampleRateHz))
	}
	a.winACF = slices.Clone(a.autocorrelation(a.slowWin))
	// The window in front of the first frame reaches back before the stream.
	a.base = -lookBack
	a.hold = make([]float32, lookBack, 8*windowSamples)
	return a
}

// lookBack and lookAhead are how far the longest window reaches beyond its
// frame's own first sample.
const (
	lookBack  = (slowWindow*slowBy - FrameSamples) / 2
	lookAhead = slowWindow*slowBy - lookBack
)

func ones(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}

// Expect makes room for a stream of so many samples: slices that grow as it comes are held
// twice while they are moved.
func (a *Analyzer) Expect(samples int64) {
	frames := int(samples/FrameSamples) + 1
	a.f.Power, a.f.Peak = slices.Grow(a.f.Power, frames), slices.Grow(a.f.Peak, frames)
	for b := range a.f.Band {
		a.f.Band[b] = slices.Grow(a.f.Band[b], frames)
	}
	a.f.Voicing = slices.Grow(a.f.Voicing, frames)
}

// Add analyzes the next samples of the stream.
func (a *Analyzer) Add(block []float32) {
	a.hold = append(a.hold, block...)
	a.total += len(block)
	for a.frame*FrameSamples+lookAhead <= a.base+len(a.hold) {
		a.next()
	}
	a.forget()
}

// Features ends the stream and returns what was found. A last piece shorter
// than half a frame is left out.
func (a *Analyzer) Features() *Features {
	frames := (a.total + FrameSamples/2) / FrameSamples
	short := frames*FrameSamples + lookAhead - (a.base + len(a.hold))
	a.hold = append(a.hold, make([]float32, max(0, short))...)
	for a.frame < frames {
		a.next()
	}
	return &a.f
}

// forget drops the samples that no later window needs.
func (a *Analyzer) forget() {
	keep := a.frame*FrameSamples - lookBack - a.base
	if keep > 4*windowSamples {
		a.base += keep
		a.hold = a.hold[:copy(a.hold, a.hold[keep:])]
	}
}

// next analyzes one frame.
func (a *Analyzer) next() {
	start := a.frame*FrameSamples - a.base
	own := a.hold[start : start+FrameSamples]
	var sum float64
	var peak uint32 // bits, which sort as the numbers do where there is no sign, without a branch
	for _, x := range own {
		sum += float64(x) * float64(x)
		peak = max(peak, math.Float32bits(x)&^(1<<31))
	}
	a.f.Power = append(a.f.Power, float32(sum/FrameSamples))
	a.f.Peak = append(a.f.Peak, math.Float32frombits(peak))
	a.bands(a.hold[start-(windowSamples-FrameSamples)/2:][:windowSamples])
	a.f.Voicing = append(a.f.Voicing, a.voicing(a.hold[start-lookBack:][:slowWindow*slowBy]))
	a.frame++
}

func (a *Analyzer) bands(x []float32) {
	in, win := a.in[:len(x)], a.win[:len(x)]
	for i, v := range x {
		in[i] = float64(v) * win[i]
	}
	spectrum := a.fft.Forward(in)
	for b := range bandCount {
		sum := fourier.PowerSum(spectrum, a.edges[b], a.edges[b+1])
		db := silentDB
		if sum > 0 {
			db = max(silentDB, 10*math.Log10(sum*a.scale))
		}
		a.f.Band[b] = append(a.f.Band[b], int16(math.Round(db*100)))
	}
}

// voicing returns how periodic x is at 60 to 450 Hz: the largest value of the
// autocorrelation there, the window's own taken out, times 100.
func (a *Analyzer) voicing(x []float32) uint8 {
	var mean float64
	slow, win := a.slowIn[:slowWindow], a.slowWin[:slowWindow]
	for i := range slow {
		v := (*[slowBy]float32)(x[i*slowBy:])
		sum := v[0] + v[1] + v[2] + v[3] + v[4] + v[5] + v[6] + v[7]
		slow[i] = float64(sum)
		mean += float64(sum)
	}
	mean /= slowWindow
	for i, w := range win {
		slow[i] = (slow[i] - mean) * w
	}
	acf := a.autocorrelation(slow)
	if acf[0] <= 0 {
		return 0
	}
	const rate = SampleRateHz / slowBy
	best := 0.0
	for lag := rate / 450; lag <= rate/60; lag++ {
		// A peak, not the slope down from lag 0.
		if acf[lag] < acf[lag-1] || acf[lag] < acf[lag+1] {
			continue
		}
		best = max(best, acf[lag]/acf[0]*a.winACF[0]/a.winACF[lag])
	}
	return uint8(100 * min(best, 1))
}

// autocorrelation returns that of x (at most slowWindow values), unscaled, in a slice that
// holds until the next call.
func (a *Analyzer) autocorrelation(x []float64) []float64 {
	copy(a.slowIn, x)
	clear(a.slowIn[len(x):])
	spectrum := a.slowFT.Forward(a.slowIn)
	a.slowOut[0] = fourier.Power(spectrum, 0)
	for i := 1; i < slowFFT-1; i += 2 {
		re, im := spectrum[i], spectrum[i+1]
		a.slowOut[i] = re*re + im*im // and no imaginary part
	}
	a.slowOut[slowFFT-1] = fourier.Power(spectrum, slowFFT/2)
	return a.slowFT.Back(a.slowOut)
}
