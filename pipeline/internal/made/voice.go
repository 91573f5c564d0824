// Package made makes speech-like sound for tests: voiced pulses through the
// resonances of a mouth, hissing consonants, breaths and knocks, in a room of
// noise. What is made is known exactly: where each phrase starts and ends, and how
// loud it is. The same calls give the same samples.
package made

import (
	"math"
	"math/rand/v2"
)

// RateHz is the rate of every sound made here.
const RateHz = 44100

// Consonant is the sound a phrase begins or ends with.
type Consonant int

// The soft consonants are those that stand far under their vowel.
const (
	None Consonant = iota
	S
	F
	H
	Th
)

// consonants gives for each its band in Hz and its level under the phrase in
// dB: rounded from textbook spectra of English, our choice.
var consonants = map[Consonant]struct{ low, high, underDB float64 }{
	S:  {4500, 9000, 10},
	F:  {1500, 9000, 20},
	H:  {700, 3000, 16},
	Th: {2000, 9000, 22},
}

// BandHz is the band a consonant is heard in; of None that of a vowel.
func (c Consonant) BandHz() (low, high float64) {
	if c == None {
		return 250, 2500
	}
	return consonants[c].low, consonants[c].high
}

// ConsonantS is the length of a consonant at the edge of a phrase, in seconds.
const ConsonantS = 0.10

// Span is a stretch of samples, From included, To not.
type Span struct{ From, To int }

// Tape is a recording being made, from front to back.
type Tape struct {
	Samples []float64
	Phrases []Span
	// Lively makes one syllable in six 11 dB louder: the peaks of a real reading
	// stand 17 dB and more over its RMS, without this they stand 14 over it.
	Lively bool
	// ConsonantsDB is added to the level of every consonant.
	ConsonantsDB float64
	rng          *rand.Rand
	f0           float64
}

// NewTape starts a recording. Seeds differ in voice and in noise.
func NewTape(seed uint64) *Tape {
	rng := rand.New(rand.NewPCG(seed, 17))
	return &Tape{rng: rng, f0: 95 + 90*rng.Float64()}
}

// Float32 returns the recording as samples.
func (t *Tape) Float32() []float32 {
	out := make([]float32, len(t.Samples))
	for i, v := range t.Samples {
		out[i] = float32(v)
	}
	return out
}

// Frames turns seconds into samples.
func Frames(s float64) int { return int(math.Round(s * RateHz)) }

// Pause adds nothing but time.
func (t *Tape) Pause(s float64) { t.Samples = append(t.Samples, make([]float64, Frames(s))...) }

// Phrase adds words of the given length and plain RMS, begun and ended by a
// consonant.
func (t *Tape) Phrase(levelDBFS, s float64, first, last Consonant) {
	x := make([]float64, Frames(s))
	at, end := 0, len(x)
	if first != None {
		at = Frames(ConsonantS - 0.01) // the vowel comes in while the hiss still sounds
	}
	if last != None {
		end -= Frames(ConsonantS - 0.01)
	}
	t.voice(x[at:end])
	toRMS(x[at:end], levelDBFS)
	t.hiss(x[:Frames(min(s, ConsonantS))], first, levelDBFS)
	t.hiss(x[len(x)-Frames(min(s, ConsonantS)):], last, levelDBFS)
	t.Phrases = append(t.Phrases, Span{len(t.Samples), len(t.Samples) + len(x)})
	t.Samples = append(t.Samples, x...)
}

// vowels are the three lowest resonances of a mouth in Hz, rounded from
// textbook tables.
var vowels = [][3]float64{
	{730, 1090, 2440}, {270, 2290, 3010}, {530, 1840, 2480}, {570, 840, 2410}, {440, 1020, 2240}, {490, 1350, 1690},
}

// voice fills x with syllables: pulses through resonances, each syllable with
// its own vowel, pitch and level, with dips of a few tens of milliseconds between.
func (t *Tape) voice(x []float64) {
	phase := 0.0
	for len(x) > 0 {
		n := min(len(x), Frames(0.14+0.14*t.rng.Float64()))
		if len(x)-n < Frames(0.08) {
			n = len(x)
		}
		pitch := t.f0 * (0.85 + 0.3*t.rng.Float64())
		level := math.Pow(10, (3*t.rng.Float64()-1.5)/20)
		if t.Lively && t.rng.IntN(6) == 0 {
			level *= 3.5
		}
		vowel := vowels[t.rng.IntN(len(vowels))]
		part := x[:n]
		for i := range part {
			// A falling saw-tooth: all harmonics, 6 dB down an octave.
			hz := pitch * (1 - 0.1*float64(i)/float64(n))
			phase += hz / RateHz
			phase -= math.Floor(phase)
			part[i] = 0.5 - phase + 0.02*t.rng.NormFloat64()
		}
		for k, hz := range vowel {
			resonate(part, hz, 60+30*float64(k))
		}
		toRMS(part, -20)
		rise, fall := float64(Frames(0.008)), float64(Frames(0.035))
		for i := range part {
			part[i] *= level * min(1, (float64(i)+1)/rise, (float64(n-i))/fall)
		}
		x = x[n:]
	}
}

// hiss adds consonant c over x.
func (t *Tape) hiss(x []float64, c Consonant, levelDBFS float64) {
	if c == None {
		return
	}
	shape := consonants[c]
	noise := t.noise(len(x), shape.low, shape.high)
	fade := float64(Frames(0.005))
	toRMS(noise, levelDBFS-shape.underDB+t.ConsonantsDB)
	for i := range x {
		x[i] += noise[i] * min(1, (float64(i)+1)/fade, float64(len(x)-i)/fade)
	}
}

// noise returns Gaussian noise between two corners, 12 dB down an octave.
func (t *Tape) noise(n int, lowHz, highHz float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = t.rng.NormFloat64()
	}
	for range 2 {
		onePole(x, highHz, false)
		onePole(x, lowHz, true)
	}
	return x
}

// Breath adds a breath: half a second of air, swelling and dying away.
func (t *Tape) Breath(peakDBFS, s float64) {
	x := t.noise(Frames(s), 600, 4000)
	toRMS(x, peakDBFS)
	for i := range x {
		x[i] *= math.Sin(math.Pi * (float64(i) + 0.5) / float64(len(x)))
	}
	t.Samples = append(t.Samples, x...)
}

// Knock lays a ringing knock over the recording, its start s seconds from the
// beginning: a mouse click at 3 kHz and 2 ms, a thump of a chair at 90 Hz and 60 ms.
func (t *Tape) Knock(s, peakDBFS, hz, decayS float64) {
	amplitude := math.Pow(10, peakDBFS/20)
	for i := range min(Frames(8*decayS), len(t.Samples)-Frames(s)) {
		at := float64(i) / RateHz
		t.Samples[Frames(s)+i] += amplitude * math.Sin(2*math.Pi*hz*at) * math.Exp(-at/decayS)
	}
}

// Clap lays a hand clap over the recording: a burst of noise that dies away.
func (t *Tape) Clap(s, peakDBFS float64) {
	x := t.noise(Frames(0.15), 800, 6000)
	toPeak(x, peakDBFS)
	for i := range x {
		t.Samples[Frames(s)+i] += x[i] * math.Exp(-float64(i)/float64(Frames(0.02)))
	}
}

// Cough lays a cough over the recording: a burst from the throat, 0.12 s of hiss,
// and a softer second one 0.2 s later, each with a little of a voice in it.
func (t *Tape) Cough(s, peakDBFS float64) {
	for k := range 2 {
		x := t.noise(Frames(0.16), 300, 3500)
		for i := range x {
			x[i] += 0.3 * math.Sin(2*math.Pi*t.f0*float64(i)/RateHz)
			x[i] *= math.Exp(-float64(i) / float64(Frames(0.04)))
		}
		toPeak(x, peakDBFS-6*float64(k))
		t.Over(s+0.2*float64(k), x)
	}
}

// Chair lays a chair over the recording: a thump at 90 Hz, then 0.25 s of creaking,
// a train of short wooden knocks at about 60 a second.
func (t *Tape) Chair(s, peakDBFS float64) {
	t.Knock(s, peakDBFS, 90, 0.06)
	for at := s + 0.08; at < s+0.33; at += 0.012 + 0.009*t.rng.Float64() {
		t.Knock(at, peakDBFS-8-6*t.rng.Float64(), 700, 0.004)
	}
}

// Over lays x over the recording, its start s seconds from the beginning.
func (t *Tape) Over(s float64, x []float64) {
	for i, v := range x {
		t.Samples[Frames(s)+i] += v
	}
}

// Room lays the noise of a room over all that is recorded so far: more low than
// high, of the given plain RMS.
func (t *Tape) Room(levelDBFS float64) {
	n := len(t.Samples)
	low, high := t.noise(n, 80, 400), t.noise(n, 80, 12000)
	toRMS(low, -3)
	toRMS(high, -6)
	for i := range low {
		low[i] += high[i]
	}
	toRMS(low, levelDBFS)
	for i := range low {
		t.Samples[i] += low[i]
	}
}

// White lays white noise over all that is recorded so far.
func (t *Tape) White(levelDBFS float64) {
	amplitude := math.Pow(10, levelDBFS/20)
	for i := range t.Samples {
		t.Samples[i] += amplitude * t.rng.NormFloat64()
	}
}

// Gain raises everything from second `from` on by db.
func (t *Tape) Gain(from, db float64) {
	k := math.Pow(10, db/20)
	for i := Frames(from); i < len(t.Samples); i++ {
		t.Samples[i] *= k
	}
}

// toRMS scales x to a plain RMS.
func toRMS(x []float64, dbfs float64) {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	if sum > 0 {
		scale(x, math.Pow(10, dbfs/20)/math.Sqrt(sum/float64(len(x))))
	}
}

// toPeak scales x to a peak.
func toPeak(x []float64, dbfs float64) {
	var peak float64
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	scale(x, math.Pow(10, dbfs/20)/peak)
}

func scale(x []float64, k float64) {
	for i := range x {
		x[i] *= k
	}
}

// resonate passes x through a two-pole resonance.
func resonate(x []float64, hz, widthHz float64) {
	r := math.Exp(-math.Pi * widthHz / RateHz)
	a1, a2 := 2*r*math.Cos(2*math.Pi*hz/RateHz), -r*r
	var y1, y2 float64
	for i, v := range x {
		y := v*(1-a1-a2) + a1*y1 + a2*y2
		x[i], y2, y1 = y, y1, y
	}
}

// onePole is a first-order low-pass, or what it leaves (a high-pass).
func onePole(x []float64, hz float64, high bool) {
	k := 1 - math.Exp(-2*math.Pi*hz/RateHz)
	var y float64
	for i, v := range x {
		y += k * (v - y)
		if x[i] = y; high {
			x[i] = v - y
		}
	}
}
