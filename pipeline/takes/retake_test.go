package takes

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/resample"
	"lectern/pipeline/speech"
)

// planted is a place where a sentence was broken off and read again, in seconds.
type planted struct{ firstS, againS float64 }

// rolling is a reading by somebody who keeps rolling: 44.1 kHz.
type rolling struct {
	samples []float32
	slips   []planted
}

// read says sentences until so many seconds are full; every share-th is broken off and
// read again, with another voice setting, pace, pitch, level and tilt of the spectrum.
func read(t testing.TB, rng *rand.Rand, v narrated.Voice, seconds float64, share int) rolling {
	t.Helper()
	dir := t.TempDir()
	teller := narrated.NewTeller(rng.Uint64())
	var x []float32
	r := rolling{}
	pause := func(s float64) { x = append(x, make([]float32, int(s*float64(v.RateHz)))...) }
	say := func(v narrated.Voice, text string) []float32 {
		samples, err := v.Say(context.Background(), dir, text)
		var absent *narrated.AbsentError
		if errors.As(err, &absent) {
			t.Skip(absent.Error())
		}
		if err != nil {
			t.Fatal(err)
		}
		return trimmed(samples)
	}
	at := func() float64 { return float64(len(x)) / float64(v.RateHz) }
	pause(1)
	for n := 1; at() < seconds; n++ {
		text := teller.Sentence()
		whole := say(v, text)
		if share > 0 && n%share == 0 {
			words := strings.Fields(text)
			k := 3 + rng.IntN(max(1, len(words)-3))
			broken := say(v, strings.Join(words[:min(k, len(words))], " "))
			if rng.IntN(2) == 0 { // in the middle of a word
				broken = faded(whole[:int(float64(len(whole))*(0.3+0.6*rng.Float64()))], v.RateHz)
			}
			if float64(len(broken)) < 0.8*float64(v.RateHz) {
				broken = whole
			}
			slip := planted{firstS: at()}
			x = append(x, broken...)
			pause(0.4 + 1.2*rng.Float64())
			slip.againS = at()
			r.slips = append(r.slips, slip)
			again := say(v.Varied(0.88+0.24*rng.Float64(), 2*rng.Float64()-1), text)
			x = append(x, tilted(again, v.RateHz, 6*rng.Float64()-3, 12*rng.Float64()-6)...)
		} else {
			x = append(x, whole...)
		}
		pause(0.35 + 1.2*rng.Float64())
	}
	pause(1)
	var sum float64
	for _, s := range x {
		sum += float64(s) * float64(s)
	}
	speechDB := 10 * math.Log10(sum/float64(len(x)))
	for i, n := range narrated.Room(rng.Uint64(), v.RateHz, len(x), speechDB-25-15*rng.Float64()) {
		x[i] += n
	}
	c := resample.New(v.RateHz)
	keep := func(b []float32) error { r.samples = append(r.samples, b...); return nil }
	if err := errors.Join(c.Write(x, keep), c.Close(keep)); err != nil {
		t.Fatal(err)
	}
	return r
}

func trimmed(x []float32) []float32 {
	from, to := 0, len(x)
	for from < to && max(x[from], -x[from]) < 0.003 {
		from++
	}
	for to > from && max(x[to-1], -x[to-1]) < 0.003 {
		to--
	}
	return x[from:to]
}

func faded(x []float32, rateHz int) []float32 {
	x = append([]float32(nil), x...)
	n := min(len(x), rateHz/50)
	for i := range n {
		x[len(x)-1-i] *= float32(i) / float32(n)
	}
	return x
}

// tilted changes the level by db and, with a filter of the first order around 1 kHz, the
// balance of high and low by about tilt.
func tilted(x []float32, rateHz int, tiltDB, db float64) []float32 {
	out := make([]float32, len(x))
	a := 1 - math.Exp(-2*math.Pi*1000/float64(rateHz))
	high, gain := math.Pow(10, tiltDB/20), math.Pow(10, db/20)
	low := 0.0
	for i, s := range x {
		low += a * (float64(s) - low)
		out[i] = float32(gain * (low/high + (float64(s)-low)*high))
	}
	return out
}

// voiceOf analyzes samples as the chain does.
func voiceOf(samples []float32) *Voice {
	words, sound := speech.NewAnalyzer(), NewAnalyzer()
	for len(samples) > 0 {
		n := min(len(samples), 4410)
		words.Add(samples[:n])
		sound.Add(samples[:n])
		samples = samples[n:]
	}
	return sound.Voice(speech.Draw(words.Features()))
}

// near tells whether a frame lies within 0.2 s of a time.
func near(frame int, s float64) bool {
	return math.Abs(float64(frame)/speech.FramesPerSecond-s) < 0.2
}

// TestRetakesFigures counts what is found of sentences that were broken off and read
// again, and what is told of plain narration. LECTERN_LONG=1 for the figures in README.md.
func TestRetakesFigures(t *testing.T) {
	minutes, voices := 0.8, narrated.Voices()[:4]
	if os.Getenv("LECTERN_LONG") != "" {
		minutes, voices = 15, narrated.Voices()
	}
	var slips, found, wrong, plain int
	var plainS float64
	for i, v := range voices {
		rng := rand.New(rand.NewPCG(uint64(i), 7))
		r := read(t, rng, v, 60*minutes, 5)
		hit := map[int]bool{}
		for _, got := range voiceOf(r.samples).Retakes(nil) {
			k := slices.IndexFunc(r.slips, func(s planted) bool { return near(got.Again.From, s.againS) && near(got.First.From, s.firstS) })
			if k < 0 {
				wrong++
				told(t, v.Name+", wrong", got)
			} else {
				hit[k] = true
			}
		}
		for k, s := range r.slips {
			if !hit[k] {
				t.Logf("%s: missed: %.2f s, again at %.2f s", v.Name, s.firstS, s.againS)
			}
		}
		slips, found = slips+len(r.slips), found+len(hit)
		p := read(t, rng, v, 60*minutes, 0)
		plainS += float64(len(p.samples)) / speech.SampleRateHz
		for _, got := range voiceOf(p.samples).Retakes(nil) {
			plain++
			told(t, v.Name+", plain narration", got)
		}
	}
	t.Logf("%d of %d slips found, %d wrong places beside them; %d in %.1f minutes of plain narration", found, slips, wrong, plain, plainS/60)
	if found*100 < 90*slips || slips == 0 {
		t.Errorf("%d of %d slips found, want nine in ten", found, slips)
	}
	if wrong*50 > slips+50 || float64(plain) > 1+plainS/(10*60) {
		t.Errorf("%d wrong places among %d slips, %d in %.1f minutes of plain narration", wrong, slips, plain, plainS/60)
	}
}

func told(t *testing.T, where string, r Retake) {
	t.Helper()
	const s = speech.FramesPerSecond
	t.Logf("%s: %.2f to %.2f s, again at %.2f s, likeness %.1f", where,
		float64(r.First.From)/s, float64(r.First.To)/s, float64(r.Again.From)/s, r.Likeness)
}

// drawnVoice is a recording whose phrases are drawn numbers: nothing is like anything
// else in it unless it was copied.
func drawnVoice(rng *rand.Rand, phrases ...[][coefficients]int16) *Voice {
	v := &Voice{m: &speech.Map{Features: &speech.Features{}}}
	pause := func() { v.cepstra = append(v.cepstra, make([][coefficients]int16, 40)...) }
	pause()
	for _, p := range phrases {
		from := len(v.cepstra)
		v.cepstra = append(v.cepstra, p...)
		v.m.Phrases = append(v.m.Phrases, speech.Span{From: from, To: len(v.cepstra)})
		v.m.Runs = v.m.Phrases
		pause()
	}
	v.m.Features.Power = make([]float32, len(v.cepstra))
	v.standardize()
	return v
}

// phraseOf draws a smooth way through the cepstra, as a mouth moves.
func phraseOf(rng *rand.Rand, frames int) (p [][coefficients]int16) {
	var now, to [coefficients]float64
	for i := range frames {
		if i%9 == 0 {
			for k := range to {
				to[k] = 400 * rng.NormFloat64()
			}
		}
		var c [coefficients]int16
		for k := range now {
			now[k] += 0.3 * (to[k] - now[k])
			c[k] = int16(now[k])
		}
		p = append(p, c)
	}
	return p
}

// warped is a phrase said at another pace, its mouth not quite the same.
func warped(rng *rand.Rand, p [][coefficients]int16, pace float64) (out [][coefficients]int16) {
	for at := 0.0; at < float64(len(p)); at += pace * (0.8 + 0.4*rng.Float64()) {
		c := p[int(at)]
		for k := range c {
			c[k] += int16(60 * rng.NormFloat64())
		}
		out = append(out, c)
	}
	return out
}

// A phrase that is broken off and begun again is found, at any pace, and nothing else:
// not one that is too short to mean anything, and not one of which only a part is said
// again, for then something would be lost.
func TestRetakesOfDrawnPhrases(t *testing.T) {
	seeds := uint64(5)
	if os.Getenv("LECTERN_LONG") != "" {
		seeds = 100
	}
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 3))
		var phrases [][][coefficients]int16
		for range 30 {
			phrases = append(phrases, phraseOf(rng, 120+rng.IntN(200)))
		}
		whole := phraseOf(rng, 300)
		broken := whole[:100+rng.IntN(150)]
		slip := len(phrases)
		phrases = append(phrases, broken, warped(rng, whole, 0.88+0.24*rng.Float64()), phraseOf(rng, 200))
		short := phraseOf(rng, 60)
		phrases = append(phrases, short, append(slices.Clone(short), phraseOf(rng, 150)...))
		longer := phraseOf(rng, 300)
		phrases = append(phrases, longer, append(slices.Clone(longer[:150]), phraseOf(rng, 200)...))
		v := drawnVoice(rng, phrases...)
		got := v.Retakes(nil)
		if len(got) != 1 || got[0].First != v.m.Phrases[slip] || got[0].Again.From != v.m.Phrases[slip+1].From {
			t.Errorf("seed %d: got %+v, want %v read again at %d", seed, got, v.m.Phrases[slip], v.m.Phrases[slip+1].From)
		}
	}
}

// The answer of an Analyzer does not depend on how its stream is cut.
func TestAnalyzerBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float32, 50000)
	for i := range x {
		x[i] = float32(rng.NormFloat64()) / 10
	}
	whole := NewAnalyzer()
	whole.Add(x)
	parts := NewAnalyzer()
	for rest := x; len(rest) > 0; {
		n := min(len(rest), 1+rng.IntN(3000))
		parts.Add(rest[:n])
		rest = rest[n:]
	}
	if !slices.Equal(whole.cepstra, parts.cepstra) || len(whole.cepstra) < 100 {
		t.Errorf("%d frames in one block and %d in many differ", len(whole.cepstra), len(parts.cepstra))
	}
}

// BenchmarkAnalyzer measures one second of sound.
func BenchmarkAnalyzer(b *testing.B) {
	x := make([]float32, speech.SampleRateHz)
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range x {
		x[i] = float32(rng.NormFloat64()) / 10
	}
	a := NewAnalyzer()
	b.ReportAllocs()
	for range b.N {
		a.cepstra = a.cepstra[:0]
		a.Add(x)
	}
}
