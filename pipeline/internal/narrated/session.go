package narrated

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/resample"
)

// Session is a chapter being recorded: one or more recordings, and the truth about
// what is said where in them. All positions are samples at 44.1 kHz.
type Session struct {
	Script     []string
	Recordings []*Recording
}

// Recording is one raw.
type Recording struct {
	Samples    []float32
	Utterances []Utterance
	// Marks are pairs of claps, Clicks double-clicks of a mouse, which mean nothing.
	Marks  []Mark
	Clicks []made.Span
	SNRDB  float64
	// What the recording is to its session; see the functions that make sessions.
	Kind string
}

// Mark is a pair of claps, from the first to behind the second.
type Mark struct {
	made.Span
	OverRoomDB float64 // of the softer of the two, in its loudest 10 ms
}

// Utterance is one reading of a sentence.
type Utterance struct {
	Sentence int // its place in the script
	made.Span
	// Right is where it stops saying the sentence's words, and Share how much of the
	// sentence has been said by then: 1 of a whole one.
	Right  int
	Share  float64
	Broken bool
	// Old says that its words are not those of the script: a pickup sets them right.
	Old bool
	Variation
	// Pieces are where there is sound: silences of 0.12 s and more lie between them.
	Pieces []made.Span
}

// The pauses of a session and what counts as sound. Our choice.
const (
	pauseLeastS, pauseMostS = 0.25, 1.6
	edgeS                   = 1.0
	pieceFrame              = resample.OutHz / 100
	pieceUnderDB            = 25 // under the utterance's own level at most,
	pieceOverRoomDB         = 6  // and so far over the room: what nobody hears is no word
	pieceGap                = 12 // frames
	snrLeastDB, snrMostDB   = 25, 40
	speechDBFS, speechOffDB = -26, 4
	sentenceOffDB           = 1.0
	fadeSamples             = resample.OutHz / 100
)

// desk is a recording being made, words first and the room last.
type desk struct {
	ctx    context.Context
	studio *Studio
	rng    *rand.Rand
	script []string
	rec    *Recording
}

func (s *Studio) desk(ctx context.Context, rng *rand.Rand, script []string, kind string) *desk {
	d := &desk{ctx, s, rng, script, &Recording{Kind: kind, SNRDB: between(rng, snrLeastDB, snrMostDB)}}
	d.wait(edgeS)
	return d
}

func (d *desk) wait(s float64) {
	d.rec.Samples = append(d.rec.Samples, make([]float32, int(s*resample.OutHz))...)
}

func (d *desk) pause() { d.wait(between(d.rng, pauseLeastS, pauseMostS)) }

// read reads sentence k as the script has it, or as other words.
func (d *desk) read(k int, v Variation, words ...string) error {
	text, old := d.script[k], false
	if len(words) > 0 {
		text, old = words[0], true
	}
	v.levelDB += sentenceOffDB * d.rng.NormFloat64()
	x, err := d.studio.say(d.ctx, text, v)
	if err != nil {
		return err
	}
	d.add(Utterance{Sentence: k, Share: 1, Old: old, Variation: v, Pieces: d.pieces(x)}, x, len(x))
	return nil
}

// slip begins to read sentence k and breaks off: in the middle of a word, or after a
// wrong one. A sentence too short for that is read whole.
func (d *desk) slip(k int, v Variation) error {
	x, err := d.studio.say(d.ctx, d.script[k], v)
	if err != nil {
		return err
	}
	least, most := breakLeastS*resample.OutHz, breakMostOff*float64(len(x))
	if most < least {
		d.add(Utterance{Sentence: k, Share: 1, Variation: v, Pieces: d.pieces(x)}, x, len(x))
		return nil
	}
	whole := sound(d.pieces(x), len(x))
	right := int(between(d.rng, least, most))
	u := Utterance{Sentence: k, Broken: true, Variation: v, Share: float64(sound(d.pieces(x), right)) / float64(whole)}
	x = faded(x[:right])
	if d.rng.IntN(2) == 0 {
		wrong, err := d.studio.wrongWord(d.ctx, d.rng, v)
		if err != nil {
			return err
		}
		x = append(x, wrong...)
	}
	u.Pieces = d.pieces(x)
	d.add(u, x, right)
	return nil
}

func (d *desk) add(u Utterance, x []float32, right int) {
	at := len(d.rec.Samples)
	d.rec.Samples = append(d.rec.Samples, x...)
	u.Span, u.Right = made.Span{From: at, To: at + len(x)}, at+right
	for i := range u.Pieces {
		u.Pieces[i].From += at
		u.Pieces[i].To += at
	}
	d.rec.Utterances = append(d.rec.Utterances, u)
}

// wordOf draws one of the longer words of a sentence.
func wordOf(rng *rand.Rand, sentence string) string {
	var long []string
	for _, w := range strings.Fields(sentence) {
		if w = strings.Trim(w, `",.`); len(w) > 3 {
			long = append(long, w)
		}
	}
	if len(long) == 0 {
		return "tide"
	}
	return long[rng.IntN(len(long))]
}

// clap makes a mark in the pause before the next words; click a mouse's double-click.
func (d *desk) clap() {
	d.wait(between(d.rng, 0.3, 0.8))
	from := len(d.rec.Samples)
	d.wait(between(d.rng, 0.15, 0.75))
	to := len(d.rec.Samples) + clapSamples
	d.rec.Marks = append(d.rec.Marks, Mark{made.Span{From: from, To: to}, between(d.rng, 12, 40)})
	d.wait(between(d.rng, 0.3, 0.9))
}

func (d *desk) click() {
	d.wait(between(d.rng, 0.3, 0.8))
	from := len(d.rec.Samples)
	d.wait(between(d.rng, 0.07, 0.13))
	d.rec.Clicks = append(d.rec.Clicks, made.Span{From: from, To: len(d.rec.Samples) + clickSamples})
	d.wait(between(d.rng, 0.3, 0.9))
}

// Claps and clicks. Our choice: a clap is a burst of noise that has lost 60 dB after
// 45 ms, a click rings at 3 kHz and has after 15.
const (
	clapSamples, clapDecayS   = 45 * resample.OutHz / 1000, 0.0065
	clickSamples, clickDecayS = 15 * resample.OutHz / 1000, 0.002
	clickHz                   = 3000
)

// done lays the room under the words and claps into it.
func (d *desk) done() *Recording {
	d.wait(edgeS)
	r, rng := d.rec, d.rng
	var sum, n float64
	for _, u := range r.Utterances {
		for _, y := range r.Samples[u.From:u.To] {
			sum += float64(y) * float64(y)
		}
		n += float64(u.To - u.From)
	}
	level := speechDBFS + speechOffDB*between(rng, -1, 1)
	gain := float32(math.Pow(10, level/20) / math.Sqrt(sum/n))
	room := d.studio.Rooms[rng.IntN(len(d.studio.Rooms))]
	noise := Looped(rng.Uint64(), resample.OutHz, len(r.Samples), room, level-r.SNRDB)
	for i := range r.Samples {
		r.Samples[i] = gain*r.Samples[i] + noise[i]
	}
	for _, m := range r.Marks {
		for i, over := range []float64{m.OverRoomDB, m.OverRoomDB + between(rng, 0, 6)} {
			x := make([]float64, clapSamples)
			for k := range x {
				x[k] = rng.NormFloat64() * math.Exp(-float64(k)/(clapDecayS*resample.OutHz))
			}
			r.lay([]int{m.From, m.To - clapSamples}[i], x, level-r.SNRDB+over)
		}
	}
	for _, c := range r.Clicks {
		over := between(rng, 12, 35)
		for _, at := range []int{c.From, c.To - clickSamples} {
			x := make([]float64, clickSamples)
			for k := range x {
				s := float64(k) / resample.OutHz
				x[k] = math.Sin(2*math.Pi*clickHz*s) * math.Exp(-s/clickDecayS)
			}
			r.lay(at, x, level-r.SNRDB+over)
		}
	}
	return r
}

// lay adds a sound whose loudest 10 ms, on the grid of 10 ms, have the level given.
func (r *Recording) lay(at int, x []float64, dbfs float64) {
	power := map[int]float64{}
	loudest := 0.0
	for k, y := range x {
		f := (at + k) / pieceFrame
		power[f] += y * y / pieceFrame
		loudest = max(loudest, power[f])
	}
	gain := math.Pow(10, dbfs/20) / math.Sqrt(loudest)
	for k, y := range x {
		r.Samples[at+k] += float32(gain * y)
	}
}

// pieces finds where there is sound in words without a room.
func (d *desk) pieces(x []float32) (out []made.Span) {
	power := make([]float64, len(x)/pieceFrame)
	var sum float64
	for i := range power {
		for _, y := range x[i*pieceFrame : (i+1)*pieceFrame] {
			power[i] += float64(y) * float64(y)
		}
		sum += power[i]
	}
	under := min(pieceUnderDB, d.rec.SNRDB-pieceOverRoomDB)
	floor := sum / float64(len(power)) * math.Pow(10, -under/10)
	for i, p := range power {
		if p < floor {
			continue
		}
		from, to := i*pieceFrame, (i+1)*pieceFrame
		if n := len(out); n > 0 && from-out[n-1].To < pieceGap*pieceFrame {
			out[n-1].To = to
		} else {
			out = append(out, made.Span{From: from, To: to})
		}
	}
	return out
}

// sound counts the samples of the pieces before a sample.
func sound(pieces []made.Span, before int) (n int) {
	for _, p := range pieces {
		n += max(0, min(p.To, before)-p.From)
	}
	return n
}

func faded(x []float32) []float32 {
	for i := range fadeSamples {
		x[len(x)-1-i] *= float32(i) / fadeSamples
	}
	return x
}
