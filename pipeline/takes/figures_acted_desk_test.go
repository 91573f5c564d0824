package takes

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// acting is a recording on which somebody acts. Its pauses, rooms and levels are those of
// the other figures.
type acting struct {
	*actor
	t                *testing.T
	rng              *rand.Rand
	rec              *narrated.Recording
	levelDBFS, snrDB float64
}

func (a *actor) roll(t *testing.T, rng *rand.Rand, kind string) *acting {
	snr := 25 + 15*rng.Float64()
	r := &acting{a, t, rng, &narrated.Recording{Kind: kind, SNRDB: snr}, -26 + 8*(rng.Float64()-0.5), snr}
	r.wait(1)
	return r
}

func (r *acting) wait(s float64) {
	r.rec.Samples = append(r.rec.Samples, make([]float32, int(s*speech.SampleRateHz))...)
}

func (r *acting) pause() { r.wait(0.25 + 1.35*r.rng.Float64()) }

// read reads sentence k; where broken says so it breaks off in a word.
func (r *acting) read(k int, text string, as manner, again, broken bool) {
	x := slices.Clone(r.say(r.t, text, as, again))
	levelDB := as.levelDB + r.rng.NormFloat64()
	var sum float64
	for _, y := range x {
		sum += float64(y) * float64(y)
	}
	gain := float32(math.Pow(10, (r.levelDBFS+levelDB)/20) / math.Sqrt(sum/float64(len(x))))
	for i := range x {
		x[i] *= gain
	}
	u := narrated.Utterance{Sentence: k, Share: 1}
	pieces := soundIn(x, min(25, r.snrDB+levelDB-6))
	if least, most := 0.8*speech.SampleRateHz, 0.92*float64(len(x)); broken && most > least {
		whole := lengthOf(pieces)
		x = x[:int(least+(most-least)*r.rng.Float64())]
		for i := range 441 {
			x[len(x)-1-i] *= float32(i) / 441
		}
		pieces = soundIn(x, min(25, r.snrDB+levelDB-6))
		u.Broken, u.Share = true, float64(lengthOf(pieces))/float64(whole)
	}
	at := len(r.rec.Samples)
	for _, p := range pieces {
		u.Pieces = append(u.Pieces, made.Span{From: at + p.From, To: at + p.To})
	}
	r.rec.Samples = append(r.rec.Samples, x...)
	u.Span, u.Right = made.Span{From: at, To: len(r.rec.Samples)}, len(r.rec.Samples)
	r.rec.Utterances = append(r.rec.Utterances, u)
}

// clap makes a mark: two bursts of noise that have lost 60 dB after 45 ms, 25 dB over the
// room.
func (r *acting) clap() {
	r.wait(0.5)
	from := len(r.rec.Samples)
	for _, s := range []float64{0.4, 0.5} {
		at := len(r.rec.Samples)
		r.wait(s)
		for i := range 45 * 441 / 10 {
			decay := math.Exp(-float64(i) / (0.0065 * speech.SampleRateHz))
			r.rec.Samples[at+i] = float32(1.8 * math.Pow(10, (r.levelDBFS-r.snrDB+25)/20) * decay * r.rng.NormFloat64())
		}
	}
	to := len(r.rec.Samples) - speech.SampleRateHz/2 + 45*441/10
	r.rec.Marks = append(r.rec.Marks, narrated.Mark{Span: made.Span{From: from, To: to}, OverRoomDB: 25})
}

// done lays a room under the words.
func (r *acting) done() *narrated.Recording {
	r.wait(1)
	room := r.rooms[r.rng.IntN(len(r.rooms))]
	for i, y := range narrated.Looped(r.rng.Uint64(), speech.SampleRateHz, len(r.rec.Samples), room, r.levelDBFS-r.snrDB) {
		r.rec.Samples[i] += y
	}
	return r.rec
}

// soundIn finds where there is sound in words without a room: silences of 0.12 s and more
// lie between.
func soundIn(x []float32, underDB float64) (out []made.Span) {
	const frame, gap = speech.SampleRateHz / 100, 12
	power := make([]float64, len(x)/frame)
	var sum float64
	for i := range power {
		for _, y := range x[i*frame : (i+1)*frame] {
			power[i] += float64(y) * float64(y)
		}
		sum += power[i]
	}
	floor := sum / float64(len(power)) * math.Pow(10, -underDB/10)
	for i, p := range power {
		from, to := i*frame, (i+1)*frame
		switch n := len(out); {
		case p < floor:
		case n > 0 && from-out[n-1].To < gap*frame:
			out[n-1].To = to
		default:
			out = append(out, made.Span{From: from, To: to})
		}
	}
	return out
}

func lengthOf(spans []made.Span) (n int) {
	for _, s := range spans {
		n += s.To - s.From
	}
	return n
}

// rolling is a text of which three sentences in four are read plainly, to its end or not,
// and again in a manner, a share of them with a mark before that.
func (a *actor) rolling(t *testing.T, rng *rand.Rand, as manner, sentences int, marked float64) *narrated.Session {
	script := a.script(rng, sentences)
	r := a.roll(t, rng, as.name)
	for k, text := range script {
		// Where two sentences have three words in common nobody can tell what was read again.
		again := a.twice(text) && rng.IntN(4) > 0 && (k == 0 || !shareWords(script[k-1], text, 3))
		r.read(k, text, plainly, false, again && rng.IntN(2) == 0)
		if again {
			if rng.Float64() < marked {
				r.clap()
			} else {
				r.pause()
			}
			r.read(k, text, as, true, false)
		}
		r.pause()
	}
	return &narrated.Session{Script: script, Recordings: []*narrated.Recording{r.done()}}
}

// takes are two takes, of which the second begins with the last sentence of the first, or
// the last two, in a manner. The first may have broken off.
func (a *actor) takes(t *testing.T, rng *rand.Rand, as manner) *narrated.Session {
	script := a.script(rng, 6)
	end := 3
	for end < len(script) && !a.twice(script[end-1]) {
		end++
	}
	from := end - 1
	if a.twice(script[from-1]) && rng.IntN(2) == 0 {
		from--
	}
	first, second := a.roll(t, rng, "first"), a.roll(t, rng, as.name)
	for k, text := range script[:end] {
		first.read(k, text, plainly, false, k == end-1 && rng.IntN(2) == 0)
		first.pause()
	}
	for k, text := range script[from:] {
		if k += from; k < end {
			second.read(k, text, as, true, false)
		} else {
			second.read(k, text, plainly, false, false)
		}
		second.pause()
	}
	return &narrated.Session{Script: script, Recordings: []*narrated.Recording{first.done(), second.done()}}
}
