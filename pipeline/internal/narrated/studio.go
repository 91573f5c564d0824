package narrated

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"lectern/pipeline/resample"
)

// Studio is where one voice works. What it said is kept, so that a sentence that is
// read again in the same way is spoken only once.
type Studio struct {
	Name string
	// Rooms are what is laid under the words, each recording in one of them: pieces of
	// its noise at 44.1 kHz, each longer than 0.2 s.
	Rooms [][][]float32
	voice Voice
	clips map[string][]Clip // instead of a voice
	dir   string
	said  map[saying][]int16
	held  int // samples in said
	ways  []way
	pool  []string
}

type saying struct {
	text string
	way  way
}

// way is a setting of the voice; of a sentence that was recorded several times, which
// one of them.
type way struct {
	pace, semitones float64
	clip            int
}

// Clip is a recorded sentence.
type Clip struct {
	Samples []float32
	RateHz  int
}

// Variation is how one reading of a sentence differs from another.
type Variation struct {
	way
	levelDB, tiltDB float64 // tilt: the balance of high and low around 1 kHz
}

// plain is the reader's own way.
var plain = Variation{way: way{pace: 1}}

// Our choice, but for the bounds of pace, pitch, level and tilt, which are the figures
// this bench is to be reached with.
const (
	paceShare, semitonesMost  = 0.12, 1.0
	levelMostDB, tiltMostDB   = 6.0, 3.0
	waysOfAVoice              = 8
	poolSentences             = 80
	heldMost                  = 120e6 // samples, 240 MB
	madeNoiseS                = 15
	heardUnderPeak            = 180 // 45 dB
	breakLeastS, breakMostOff = 0.8, 0.92
)

// NewStudio opens a studio that works in dir, in a made room.
func NewStudio(v Voice, dir string, seed uint64) *Studio {
	s := newStudio(v.Name, seed)
	s.voice, s.dir = v, dir
	teller := NewTeller(seed)
	for len(s.pool) < poolSentences {
		if text := teller.Sentence(); !slices.Contains(s.pool, text) {
			s.pool = append(s.pool, text)
		}
	}
	return s
}

// OfClips opens a studio of recorded sentences, in a made room. Each is one or more
// recordings of the same words. Pace and pitch of a clip differ together, as when a
// tape runs faster.
func OfClips(name string, seed uint64, sentences ...[]Clip) *Studio {
	s := newStudio(name, seed)
	s.clips = map[string][]Clip{}
	for i, clips := range sentences {
		// Nobody reads the words: what counts is how many there may be, and that two clips
		// have none in common.
		text := strings.Repeat(fmt.Sprintf("clip%d ", i), 1+int(wordsPerS*float64(len(clips[0].Samples))/float64(clips[0].RateHz)))
		s.clips[text] = clips
		s.pool = append(s.pool, text)
	}
	return s
}

const wordsPerS = 2.5

func newStudio(name string, seed uint64) *Studio {
	rng := rand.New(rand.NewPCG(seed, 41))
	s := &Studio{Name: name, said: map[saying][]int16{}, ways: []way{{pace: 1}}}
	for i := range waysOfAVoice {
		s.ways = append(s.ways, way{1 + paceShare*between(rng, -1, 1), semitonesMost * between(rng, -1, 1), i + 1})
	}
	s.Rooms = [][][]float32{{WithoutRumble(Room(seed, resample.OutHz, madeNoiseS*resample.OutHz, -40))}}
	return s
}

// WithoutRumble takes out what lies below 70 Hz, as the chain does before it listens:
// a Butterworth high-pass of the fourth order (bilinear transform, its two halves of
// Q 0.541 and 1.307).
func WithoutRumble(x []float32) []float32 {
	for _, q := range []float64{1 / (2 * math.Cos(math.Pi/8)), 1 / (2 * math.Cos(3*math.Pi/8))} {
		k := math.Tan(math.Pi * 70 / resample.OutHz)
		n := 1 / (1 + k/q + k*k)
		a1, a2 := 2*(k*k-1)*n, (1-k/q+k*k)*n
		var z1, z2 float64
		for i, v := range x {
			in := float64(v)
			out := n*in + z1
			z1, z2 = -2*n*in-a1*out+z2, n*in-a2*out
			x[i] = float32(out)
		}
	}
	return x
}

func between(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// vary draws a variation: one of the studio's settings of the voice, and any level and
// tilt.
func (s *Studio) vary(rng *rand.Rand) Variation {
	w := s.ways[rng.IntN(len(s.ways))]
	return Variation{w, levelMostDB * between(rng, -1, 1), tiltMostDB * between(rng, -1, 1)}
}

// say returns a sentence at 44.1 kHz, what is silent before and after it cut off.
func (s *Studio) say(ctx context.Context, text string, v Variation) ([]float32, error) {
	key := saying{text, v.way}
	kept, ok := s.said[key]
	if !ok {
		x, rateHz, err := s.spoken(ctx, text, v.way)
		if err != nil {
			return nil, err
		}
		c := resample.New(rateHz)
		keep := func(b []float32) error {
			for _, y := range b {
				kept = append(kept, int16(math.Round(float64(min(max(y, -1), 1))*32767)))
			}
			return nil
		}
		if err := errors.Join(c.Write(withoutEdges(x), keep), c.Close(keep)); err != nil {
			return nil, err
		}
		if s.held += len(kept); s.held > heldMost {
			clear(s.said)
			s.held = len(kept)
		}
		s.said[key] = kept
	}
	x := make([]float32, len(kept))
	for i, y := range kept {
		x[i] = float32(y) / 32767
	}
	return tilted(x, v.tiltDB, v.levelDB), nil
}

// spoken returns a sentence as the voice says it, or as it was recorded.
func (s *Studio) spoken(ctx context.Context, text string, w way) ([]float32, int, error) {
	if clips := s.clips[text]; len(clips) > 0 {
		c := clips[w.clip%len(clips)]
		return c.Samples, int(math.Round(float64(c.RateHz) * math.Exp2(w.semitones/12))), nil
	}
	x, err := s.voice.Varied(w.pace, w.semitones).Say(ctx, s.dir, text)
	return x, s.voice.RateHz, err
}

// wrongWord says a word of another sentence; of clips about as much of one.
func (s *Studio) wrongWord(ctx context.Context, rng *rand.Rand, v Variation) ([]float32, error) {
	other := s.pool[rng.IntN(len(s.pool))]
	if s.clips == nil {
		return s.say(ctx, wordOf(rng, other), v)
	}
	x, err := s.say(ctx, other, v)
	if err != nil {
		return nil, err
	}
	n := min(len(x), int(between(rng, 0.25, 0.5)*resample.OutHz))
	from := rng.IntN(len(x) - n + 1)
	return faded(x[from : from+n]), nil
}

// withoutEdges cuts off what is silent, and the constant offset some voices carry.
func withoutEdges(x []float32) []float32 {
	var peak, offset float32
	for _, y := range x {
		peak = max(peak, y, -y)
		offset += y / float32(len(x))
	}
	from, to := 0, len(x)
	for from < to && max(x[from], -x[from]) < peak/heardUnderPeak {
		from++
	}
	for to > from && max(x[to-1], -x[to-1]) < peak/heardUnderPeak {
		to--
	}
	out := make([]float32, 0, to-from)
	for _, y := range x[from:to] {
		out = append(out, y-offset)
	}
	return out
}

// tilted changes the level and, with a filter of the first order at 1 kHz, the balance
// of high and low: highs gain tiltDB/2, lows lose as much.
func tilted(x []float32, tiltDB, levelDB float64) []float32 {
	a := 1 - math.Exp(-2*math.Pi*1000/resample.OutHz)
	tilt, gain := math.Pow(10, tiltDB/40), math.Pow(10, levelDB/20)
	low := 0.0
	for i, y := range x {
		low += a * (float64(y) - low)
		x[i] = float32(gain * (low/tilt + (float64(y)-low)*tilt))
	}
	return x
}
