package narrated

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"

	"lectern/pipeline/resample"
)

// Studio is where one voice works. What it said is kept, so that a sentence that is
// read again in the same way is spoken only once.
type Studio struct {
	Voice Voice
	// Rooms are what is laid under the words, each recording in one of them: pieces of
	// its noise at 44.1 kHz, each longer than 0.2 s.
	Rooms [][][]float32
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

// way is a setting of the voice.
type way struct{ pace, semitones float64 }

// Variation is how one reading of a sentence differs from another.
type Variation struct {
	Pace, Semitones float64
	LevelDB, TiltDB float64 // tilt: the balance of high and low around 1 kHz
}

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

// NewStudio opens a studio that works in dir, with a made room's noise.
func NewStudio(v Voice, dir string, seed uint64) *Studio {
	rng := rand.New(rand.NewPCG(seed, 41))
	s := &Studio{Voice: v, dir: dir, said: map[saying][]int16{}, ways: []way{{1, 0}}}
	for len(s.ways) < waysOfAVoice {
		s.ways = append(s.ways, way{1 + paceShare*between(rng, -1, 1), semitonesMost * between(rng, -1, 1)})
	}
	s.Rooms = [][][]float32{{Room(seed, resample.OutHz, madeNoiseS*resample.OutHz, -40)}}
	teller := NewTeller(seed)
	for len(s.pool) < poolSentences {
		s.pool = append(s.pool, teller.Sentence())
	}
	return s
}

func between(rng *rand.Rand, low, high float64) float64 { return low + (high-low)*rng.Float64() }

// vary draws a variation: one of the studio's settings of the voice, and any level and
// tilt.
func (s *Studio) vary(rng *rand.Rand) Variation {
	w := s.ways[rng.IntN(len(s.ways))]
	return Variation{w.pace, w.semitones, levelMostDB * between(rng, -1, 1), tiltMostDB * between(rng, -1, 1)}
}

// say returns a sentence at 44.1 kHz, what is silent before and after it cut off.
func (s *Studio) say(ctx context.Context, text string, v Variation) ([]float32, error) {
	key := saying{text, way{v.Pace, v.Semitones}}
	kept, ok := s.said[key]
	if !ok {
		x, err := s.Voice.Varied(v.Pace, v.Semitones).Say(ctx, s.dir, text)
		if err != nil {
			return nil, err
		}
		c := resample.New(s.Voice.RateHz)
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
	return tilted(x, v.TiltDB, v.LevelDB), nil
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
