package takes

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"gonum.org/v1/gonum/dsp/window"

	"lectern/pipeline/fourier"
	"lectern/pipeline/speech"
)

// The spectra of an Analyzer. They lie on the frame grid of the speech map.
const (
	// slowBy is how many samples are averaged into one: nothing above 7.5 kHz counts.
	slowBy        = 2
	slowRateHz    = speech.SampleRateHz / slowBy
	slowWindow    = 512 // 23 ms
	windowSamples = slowBy * slowWindow
	melBands      = 24
	lowestHz      = 100 // below lies rumble
	highestHz     = 7500
	// coefficients is how many mel-cepstra describe a frame; with their slopes it
	// has dims numbers.
	coefficients = 13
	dims         = 2 * coefficients
	// slopeShare is the weight of a slope beside a coefficient. Our choice.
	slopeShare = 0.7
	// floorPower keeps the logarithm of digital silence finite.
	floorPower = 1e-12
	// stepsPerUnit is how finely a cepstrum is kept: an hour of them takes 9.4 MB. The
	// largest, of digital silence, is about -140.
	stepsPerUnit = 200
)

// frame describes 10 ms of a voice: mel-cepstra and their slopes, each with a mean of
// 0 and a deviation of 1 over the speech of the recording, so that level, microphone
// and tilt of the spectrum drop out.
type frame [dims]float32

// Analyzer turns a mono stream at 44.1 kHz into cepstra. Blocks may have any length;
// the answer does not depend on it.
type Analyzer struct {
	cepstra [][coefficients]int16 // one a frame, in steps of 1/stepsPerUnit
	frames  int                   // how many there are, here or in the file
	file    io.ReadWriteSeeker    // where they are kept meanwhile, nil if here
	toFile  *bufio.Writer
	err     error     // the first one of the file
	hold    []float32 // samples that a window still needs
	total   int
	fft     *fourier.Transform
	win     []float64
	in      []float64
	bank    [melBands]band
	cosines [coefficients][melBands]float64
}

// band is one triangle of the mel scale over the bins of a spectrum.
type band struct {
	from    int
	weights []float64
}

// NewAnalyzer returns an Analyzer for one stream.
func NewAnalyzer() *Analyzer {
	a := &Analyzer{
		fft: fourier.New(slowWindow), win: make([]float64, slowWindow), in: make([]float64, slowWindow),
	}
	for i := range a.win {
		a.win[i] = 1
	}
	window.Hann(a.win)
	a.bank = melBank()
	for k := range a.cosines {
		for b := range melBands {
			a.cosines[k][b] = math.Sqrt(2.0/melBands) * math.Cos(math.Pi*float64(k)*(float64(b)+0.5)/melBands)
		}
	}
	// The window of a frame has its middle in the frame's: the stream is thought to be
	// preceded by silence.
	a.hold = make([]float32, (windowSamples-speech.FrameSamples)/2, 8*windowSamples)
	return a
}

// mel is the pitch of a frequency as it is heard (O'Shaughnessy's formula of 1987, from
// memory).
func mel(hz float64) float64 { return 2595 * math.Log10(1+hz/700) }

// melBank returns triangles that are equally wide on the mel scale.
func melBank() (bank [melBands]band) {
	edge := func(i int) float64 {
		m := mel(lowestHz) + (mel(highestHz)-mel(lowestHz))*float64(i)/(melBands+1)
		return 700 * (math.Pow(10, m/2595) - 1) * slowWindow / slowRateHz
	}
	for b := range bank {
		low, top, high := edge(b), edge(b+1), edge(b+2)
		bank[b].from = int(math.Ceil(low))
		for bin := bank[b].from; float64(bin) < high; bin++ {
			x := float64(bin)
			bank[b].weights = append(bank[b].weights, min((x-low)/(top-low), (high-x)/(high-top)))
		}
	}
	return bank
}

// KeepIn has the cepstra of a stream that begins kept in an empty file until Voice asks for
// them: while the map is drawn, memory is short, and an hour of them takes 9.4 MB.
func (a *Analyzer) KeepIn(file io.ReadWriteSeeker) {
	a.file, a.toFile = file, bufio.NewWriterSize(file, 1<<16)
}

// Add hears a block.
func (a *Analyzer) Add(block []float32) {
	a.total += len(block)
	a.hold = append(a.hold, block...)
	at := 0
	for ; at+windowSamples <= len(a.hold); at += speech.FrameSamples {
		a.next(a.hold[at : at+windowSamples])
	}
	a.hold = append(a.hold[:0], a.hold[at:]...)
}

func (a *Analyzer) next(x []float32) {
	for i := range a.in {
		a.in[i] = float64(x[slowBy*i]+x[slowBy*i+1]) / slowBy * a.win[i]
	}
	spectrum := a.fft.Forward(a.in)
	var logs [melBands]float64
	for b, t := range a.bank {
		power := floorPower
		for i, w := range t.weights {
			power += w * fourier.Power(spectrum, t.from+i)
		}
		logs[b] = math.Log(power)
	}
	var c [coefficients]int16
	for k := range c {
		sum := 0.0
		for b, l := range logs {
			sum += a.cosines[k][b] * l
		}
		c[k] = int16(math.Round(sum * stepsPerUnit))
	}
	a.frames++
	if a.file == nil {
		a.cepstra = append(a.cepstra, c)
		return
	}
	room := a.toFile.AvailableBuffer()
	for _, x := range c {
		room = binary.LittleEndian.AppendUint16(room, uint16(x))
	}
	if _, err := a.toFile.Write(room); err != nil && a.err == nil {
		a.err = fmt.Errorf("keep the cepstra: %w", err)
	}
}

// readBack fills cepstra from the file.
func (a *Analyzer) readBack() error {
	if a.err != nil {
		return a.err
	}
	if err := a.toFile.Flush(); err != nil {
		return fmt.Errorf("keep the cepstra: %w", err)
	}
	if _, err := a.file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("read the cepstra back: %w", err)
	}
	a.cepstra = make([][coefficients]int16, a.frames)
	from := bufio.NewReaderSize(a.file, 1<<16)
	var raw [2 * coefficients]byte
	for i := range a.cepstra {
		if _, err := io.ReadFull(from, raw[:]); err != nil {
			return fmt.Errorf("read the cepstra back: %w", err)
		}
		for k := range a.cepstra[i] {
			a.cepstra[i][k] = int16(binary.LittleEndian.Uint16(raw[2*k:]))
		}
	}
	return nil
}

// Voice is what a stream sounded like, frame for frame of its speech map.
type Voice struct {
	m       *speech.Map
	cepstra [][coefficients]int16
	// mean and scale bring a frame to a mean of 0 and a deviation of 1 over the speech. A
	// slope has its zero where nothing changes.
	mean, scale [dims]float32
	apart       float64 // see unrelated; 0 until it is asked for
}

// Voice ends the stream. m is the map of the same stream. It fails only if the file of KeepIn
// does.
func (a *Analyzer) Voice(m *speech.Map) (*Voice, error) {
	for a.frames < m.Features.Len() { // the windows that reach beyond the end
		a.Add(make([]float32, speech.FrameSamples))
	}
	if a.file != nil {
		if err := a.readBack(); err != nil {
			return nil, err
		}
	}
	v := &Voice{m: m, cepstra: a.cepstra[:m.Features.Len()]}
	v.standardize()
	return v, nil
}

// standardize learns mean and scale from the frames of speech.
func (v *Voice) standardize() {
	for k := range v.scale {
		v.scale[k] = 1
	}
	var sum, squares [dims]float64
	count := 0.0
	for _, p := range v.m.Phrases {
		for i := p.From; i < p.To; i++ {
			f := v.frame(i)
			for k, x := range f {
				sum[k] += float64(x)
				squares[k] += float64(x) * float64(x)
			}
			count++
		}
	}
	for k := range dims {
		mean := sum[k] / max(count, 1)
		scale := 1 / (math.Sqrt(max(0, squares[k]/max(count, 1)-mean*mean)) + 1e-3)
		if k >= coefficients {
			mean, scale = 0, scale*slopeShare
		}
		v.mean[k], v.scale[k] = float32(mean), float32(scale)
	}
}

// frame describes frame i.
func (v *Voice) frame(i int) (f frame) {
	last := len(v.cepstra) - 1
	before, after := &v.cepstra[max(i-1, 0)], &v.cepstra[min(i+1, last)]
	before2, after2 := &v.cepstra[max(i-2, 0)], &v.cepstra[min(i+2, last)]
	for k := range coefficients {
		slope := 2*(int(after2[k])-int(before2[k])) + int(after[k]) - int(before[k])
		f[k] = (float32(v.cepstra[i][k]) - v.mean[k]) * v.scale[k]
		f[coefficients+k] = float32(slope) * v.scale[coefficients+k]
	}
	return f
}
