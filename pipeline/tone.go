package pipeline

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"lectern/pipeline/speech"
)

// roomTone is the sound of one raw's empty room, ready to be laid in where the
// raw has none that is clean. It is made new from the room's average spectrum
// with random phases, so that it has the room's level and color and yet nothing
// in it ever comes back, as it would if a short stretch were looped.
type roomTone struct {
	// powerDBFS is the plain RMS level of the tone.
	powerDBFS float64
	// borrowed is false if the raw has no clean room of its own (it is gated or
	// digitally silent) and the tone is only shaped noise.
	borrowed bool

	seed      [32]byte
	magnitude []float64 // of each bin, for a block of toneBlock samples
	fft       *fourier.FFT
	rng       *rand.Rand
	bins      []complex128
	block     []float64
	made      [toneHop]float32
	ready     []float32 // what is left of made
	overlap   [toneHop]float64
}

const (
	// toneBlock is the length of one block of made tone: 93 ms, a resolution of
	// 11 Hz, enough to keep a mains hum a hum.
	toneBlock = 4096
	toneHop   = toneBlock / 2
	// minToneFrames is the least clean room worth taking a spectrum from, 0.2 s.
	minToneFrames = 20
	// inventedUnderSpeechDB is how far under the words the tone of a raw without
	// any room lies: 50 dB puts it near -70 dBFS in a finished file (our choice).
	inventedUnderSpeechDB = 50
	// edgeFrames is left out at each side of a pause, where words die away (design
	// figure: room_tone_dbfs).
	edgeFrames = 5
)

// newRoomTone takes the room's spectrum from the clean stretches of r. seed
// makes the tone the same each time the same raw is mastered.
func newRoomTone(r *recording, seed [32]byte) (*roomTone, error) {
	t := &roomTone{
		magnitude: make([]float64, toneBlock/2+1),
		fft:       fourier.NewFFT(toneBlock),
		seed:      seed,
		bins:      make([]complex128, toneBlock/2+1),
		block:     make([]float64, toneBlock),
	}
	if err := t.learn(r, quietest(r, cleanRoom(r))); err != nil {
		return nil, err
	}
	return t, nil
}

// another is the same tone from a seed of its own: heard at the same time as t, the two
// are unlike.
func (t *roomTone) another(purpose string) *roomTone {
	return &roomTone{
		powerDBFS: t.powerDBFS, borrowed: t.borrowed, magnitude: t.magnitude, seed: seedOf(string(t.seed[:]), purpose),
		fft: fourier.NewFFT(toneBlock), bins: make([]complex128, toneBlock/2+1), block: make([]float64, toneBlock),
	}
}

// rewind starts the tone from its beginning, the same samples again.
func (t *roomTone) rewind() {
	t.rng = rand.New(rand.NewChaCha8(t.seed))
	t.make() // so that the first samples taken have a full overlap
	t.ready = nil
}

// cleanRoom returns the stretches of r in which nothing but the room is heard.
func cleanRoom(r *recording) []speech.Span {
	heard := make([]bool, r.m.Features.Len())
	copy(heard, r.silent)
	for _, s := range append(slices.Clone(r.m.Phrases), r.m.Sounds...) {
		for i := max(0, s.From-edgeFrames); i < min(len(heard), s.To+edgeFrames); i++ {
			heard[i] = true
		}
	}
	var out []speech.Span
	for i, h := range heard {
		switch {
		case h:
		case len(out) > 0 && out[len(out)-1].To == i:
			out[len(out)-1].To++
		default:
			out = append(out, speech.Span{From: i, To: i + 1})
		}
	}
	return slices.DeleteFunc(out, func(s speech.Span) bool { return s.Len() < minToneFrames/2 })
}

// quietest keeps the stretches no more than 3 dB above the median of all, as a whole
// and in each band from 250 Hz up, so that neither a passing car nor a soft breath is
// learned as the room.
func quietest(r *recording, spans []speech.Span) []speech.Span {
	keep := slices.Clone(spans)
	for band := range len(speech.Bands) - 1 {
		level := func(s speech.Span) float64 {
			if band == 0 { // the lowest alone would say too little of so short a stretch
				return meanPower(r.m.Features.Power, s)
			}
			var sum float64
			for i := s.From; i < s.To; i++ {
				sum += math.Pow(10, r.m.Features.BandDB(band, i)/10)
			}
			return sum / float64(s.Len())
		}
		var levels []float64
		for _, s := range spans {
			levels = append(levels, level(s))
		}
		slices.Sort(levels)
		keep = slices.DeleteFunc(keep, func(s speech.Span) bool { return level(s) > 2*levels[len(levels)/2] })
	}
	return keep
}

// learn averages the spectrum of the room over spans.
func (t *roomTone) learn(r *recording, spans []speech.Span) error {
	var frames int
	var power float64
	for _, s := range spans {
		frames += s.Len()
		power += meanPower(r.m.Features.Power, s) * float64(s.Len())
	}
	if frames < minToneFrames || power <= 0 {
		t.invent(r.m.SpeechDB - inventedUnderSpeechDB)
		return nil
	}
	t.borrowed = true
	t.powerDBFS = 10 * math.Log10(power/float64(frames))
	samples := make([]float32, toneBlock)
	for _, s := range spans {
		from, to := int64(s.From)*frameSamples, int64(s.To)*frameSamples
		// A stretch shorter than a block is looked at through a shorter window,
		// its spectrum as if padded with silence.
		n := int(min(toneBlock, to-from))
		for at := from; at+int64(n) <= to; at += toneHop {
			if err := r.scratch.read(samples[:n], at); err != nil {
				return err
			}
			t.addSpectrum(samples[:n])
		}
	}
	t.scaleTo(t.powerDBFS)
	return nil
}

func (t *roomTone) addSpectrum(samples []float32) {
	clear(t.block)
	for i, x := range samples {
		w := math.Sin(math.Pi * (float64(i) + 0.5) / float64(len(samples)))
		t.block[i] = float64(x) * w
	}
	t.fft.Coefficients(t.bins, t.block)
	for i, c := range t.bins {
		t.magnitude[i] += real(c)*real(c) + imag(c)*imag(c)
	}
}

// invent makes the tone a soft noise that falls by 3 dB an octave from 100 Hz
// up to 8 kHz, since there is no room to take it from.
func (t *roomTone) invent(levelDBFS float64) {
	t.powerDBFS = levelDBFS
	for i := range t.magnitude {
		hz := float64(i) * sampleRateHz / toneBlock
		if hz >= 100 && hz <= 8000 {
			t.magnitude[i] = 1 / hz
		}
	}
	t.scaleTo(levelDBFS)
}

// scaleTo turns the summed power spectrum into magnitudes that give noise of the
// wanted level. By Parseval a block with bins m[k] of random phase has the mean
// square 2/N^2 * sum m[k]^2; the sine windows of two overlapping blocks add to a
// power of 1.
func (t *roomTone) scaleTo(levelDBFS float64) {
	t.magnitude[0], t.magnitude[len(t.magnitude)-1] = 0, 0
	var sum float64
	for _, p := range t.magnitude {
		sum += p
	}
	k := math.Pow(10, levelDBFS/10) * toneBlock * toneBlock / 2 / sum
	for i, p := range t.magnitude {
		t.magnitude[i] = math.Sqrt(p * k)
	}
}

// take fills dst with the next samples of the tone.
func (t *roomTone) take(dst []float32) {
	for len(dst) > 0 {
		if len(t.ready) == 0 {
			t.make()
		}
		n := copy(dst, t.ready)
		dst, t.ready = dst[n:], t.ready[n:]
	}
}

// make adds one more block. Each bin is a complex Gaussian, as it is in real
// noise; a fixed magnitude would make every block equally loud and sound metallic.
func (t *roomTone) make() {
	for i, m := range t.magnitude {
		t.bins[i] = complex(t.rng.NormFloat64()*m*math.Sqrt2/2, t.rng.NormFloat64()*m*math.Sqrt2/2)
	}
	t.fft.Sequence(t.block, t.bins)
	for i := range toneHop {
		w := math.Sin(math.Pi * (float64(i) + 0.5) / toneBlock)
		v := math.Sin(math.Pi * (float64(i+toneHop) + 0.5) / toneBlock)
		t.made[i] = float32(t.overlap[i] + t.block[i]*w/toneBlock)
		t.overlap[i] = t.block[i+toneHop] * v / toneBlock
	}
	t.ready = t.made[:]
}

// meanPower is the mean of power over s.
func meanPower(power []float32, s speech.Span) float64 {
	if s.Len() <= 0 {
		return 0
	}
	var sum float64
	for _, p := range power[s.From:s.To] {
		sum += float64(p)
	}
	return sum / float64(s.Len())
}
