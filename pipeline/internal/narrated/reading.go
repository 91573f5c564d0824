package narrated

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"

	"lectern/pipeline/internal/made"
)

// Reading is read words on complete silence, breaths among them.
type Reading struct {
	Voice     string
	RateHz    int
	Words     []float32
	Sentences []made.Span // in samples
	Breaths   []made.Span
}

// RMSDBFS is the plain RMS from the first word to the last of every Reading.
const RMSDBFS = -28.0

// The numbers below are our choice, as a steady reader has them.
const (
	sentencesMin, sentencesMax = 3, 8 // of a paragraph
	driftDB, driftS            = 1.5, 60.0
	sentenceDB                 = 1.5 // standard deviation from sentence to sentence
	headS, tailS               = 2.5, 3.5
)

// Read has v read about the given length.
func Read(ctx context.Context, seed uint64, v Voice, seconds float64) (_ *Reading, err error) {
	dir, err := os.MkdirTemp("", "narrated")
	if err != nil {
		return nil, fmt.Errorf("make folder: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	rng := rand.New(rand.NewPCG(seed, 29))
	teller := NewTeller(seed)
	r := &Reading{Voice: v.Name, RateHz: v.RateHz}
	r.pause(headS)
	phase := 2 * math.Pi * rng.Float64()
	for left := sentencesMin; ; left-- {
		if left == 0 {
			r.pause(1.5 + 1.5*rng.Float64())
			left = sentencesMin + rng.IntN(sentencesMax-sentencesMin+1)
		}
		x, err := v.Say(ctx, dir, teller.Sentence())
		if err != nil {
			return nil, err
		}
		at := float64(len(r.Words)) / float64(r.RateHz)
		level := driftDB*math.Sin(2*math.Pi*at/driftS+phase) + sentenceDB*rng.NormFloat64()
		r.say(x, level)
		if float64(len(r.Words))/float64(r.RateHz) >= seconds-tailS {
			break
		}
		pause := 0.35 + 1.25*rng.Float64()
		if left == 1 {
			pause = 0 // the paragraph's own pause follows
		}
		r.pause(pause)
	}
	r.pause(tailS)
	r.breathe(rng, seed)
	r.toLevel()
	return r, nil
}

func (r *Reading) frames(s float64) int { return int(math.Round(s * float64(r.RateHz))) }

func (r *Reading) pause(s float64) { r.Words = append(r.Words, make([]float32, r.frames(s))...) }

// say adds a sentence, what is silent before and after it cut off, and the
// constant offset that some voices carry.
func (r *Reading) say(x []float32, db float64) {
	var peak, offset float32
	for _, v := range x {
		peak = max(peak, v, -v)
		offset += v / float32(len(x))
	}
	heard := func(v float32) bool { return max(v, -v) > peak/180 } // 45 dB under the peak
	from, to := 0, len(x)
	for from < to && !heard(x[from]) {
		from++
	}
	for to > from && !heard(x[to-1]) {
		to--
	}
	margin := r.frames(0.03)
	x = x[max(0, from-margin):min(len(x), to+margin)]
	gain, fade := math.Pow(10, db/20), float64(r.frames(0.01))
	span := made.Span{From: len(r.Words), To: len(r.Words) + len(x)}
	for i, v := range x {
		edge := min(1, float64(i)/fade, float64(len(x)-1-i)/fade)
		r.Words = append(r.Words, float32(float64(v-offset)*gain*edge))
	}
	r.Sentences = append(r.Sentences, span)
}

// breathe lays a breath before about every third sentence, 18 to 30 dB under the
// words (our choice).
func (r *Reading) breathe(rng *rand.Rand, seed uint64) {
	tape := made.NewTape(seed)
	wordsDB := 10 * math.Log10(r.power())
	for i, s := range r.Sentences {
		room := s.From
		if i > 0 {
			room -= r.Sentences[i-1].To
		}
		length, before := 0.2+0.3*rng.Float64(), 0.04+0.08*rng.Float64()
		level, wants := wordsDB-18-12*rng.Float64(), rng.IntN(3) == 0
		if !wants || r.frames(length+before+0.15) > room {
			continue
		}
		tape.Samples = tape.Samples[:0]
		tape.Breath(level, length)
		to := s.From - r.frames(before)
		from := to - r.frames(length)
		step := float64(made.RateHz) / float64(r.RateHz)
		for k := from; k < to; k++ {
			at := float64(k-from) * step
			j := min(int(at), len(tape.Samples)-2)
			f := at - float64(j)
			r.Words[k] += float32(tape.Samples[j]*(1-f) + tape.Samples[j+1]*f)
		}
		r.Breaths = append(r.Breaths, made.Span{From: from, To: to})
	}
}

// power is the mean square from the first word to the last.
func (r *Reading) power() float64 {
	body := r.Words[r.Sentences[0].From:r.Sentences[len(r.Sentences)-1].To]
	var sum float64
	for _, v := range body {
		sum += float64(v) * float64(v)
	}
	return sum / float64(len(body))
}

func (r *Reading) toLevel() {
	k := float32(math.Pow(10, RMSDBFS/20) / math.Sqrt(r.power()))
	for i := range r.Words {
		r.Words[i] *= k
	}
}

// In returns the words with a room laid under them.
func (r *Reading) In(room []float32) []float32 {
	x := make([]float32, len(r.Words))
	for i, v := range r.Words {
		x[i] = v + room[i]
	}
	return x
}
