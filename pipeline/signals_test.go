package pipeline

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// sine is a tone of the given frequency and peak amplitude at 44.1 kHz.
func sine(n int, hz, peak float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(peak * math.Sin(2*math.Pi*hz*float64(i)/sampleRateHz))
	}
	return x
}

// white is Gaussian noise of the given RMS amplitude.
func white(n int, rms float64, seed uint64) []float32 {
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(rms * rng.NormFloat64())
	}
	return x
}

// recorded makes of x what convert makes of a raw, without filter or file.
func recorded(t *testing.T, x []float32) *recording {
	t.Helper()
	w, err := createScratch(filepath.Join(t.TempDir(), "scratch.f32"))
	if err != nil {
		t.Fatal(err)
	}
	a := speech.NewAnalyzer()
	a.Add(x)
	if err := w.write(x); err != nil {
		t.Fatal(err)
	}
	sc, err := w.seal()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(sc.discard)
	r := &recording{scratch: sc, m: speech.Draw(a.Features())}
	r.silent = digitalSilence(r.m.Features.Power)
	if r.room, err = newRoomTone(r, [32]byte{1}); err != nil {
		t.Fatal(err)
	}
	return r
}

// wordsIn makes a recording with phrases of the given levels, one second each,
// pauses of 0.8 s between, 1 s of room in front and 3 s behind.
func wordsIn(t *testing.T, roomDBFS float64, levelsDBFS ...float64) (*recording, *made.Tape) {
	t.Helper()
	tape := made.NewTape(11)
	tape.Pause(1)
	for i, l := range levelsDBFS {
		if i > 0 {
			tape.Pause(0.8)
		}
		tape.Phrase(l, 1, made.None, made.None)
	}
	tape.Pause(3)
	tape.Room(roomDBFS)
	r := recorded(t, tape.Float32())
	if len(r.m.Phrases) != len(levelsDBFS) {
		t.Fatalf("%d phrases found, %d were made", len(r.m.Phrases), len(levelsDBFS))
	}
	return r, tape
}

// everything keeps all of the recordings, each from its first word to its last, one
// behind the other.
func everything(recs []*recording) *takes.Spliced {
	s := &takes.Spliced{GainDB: make([]float64, len(recs))}
	for i, r := range recs {
		words := speech.Span{From: r.m.Phrases[0].From, To: r.m.Phrases[len(r.m.Phrases)-1].To}
		s.Stretches = append(s.Stretches, takes.Stretch{Raw: i, Span: words, Pause: takes.AsUsual})
	}
	return s
}

// trimWhole lays them out.
func trimWhole(recs []*recording, headS, tailS, joinPauseMaxS float64) *timeline {
	return trim(recs, everything(recs), headS, tailS, joinPauseMaxS)
}

// rmsDBFS is the plain RMS level of x.
func rmsDBFS(x []float32) float64 {
	var sum float64
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

// rendered plays a plan to its end, in blocks of the given length.
func rendered(t testing.TB, plan Plan, recs []*recording, block int) []float32 {
	t.Helper()
	r := newRenderer(plan, recs)
	var out []float32
	dst := make([]float32, block)
	for {
		n, err := r.read(dst)
		out = append(out, dst[:n]...)
		if err != nil {
			return out
		}
	}
}

// tapeOf makes phrases with pauses of 0.8 s between, 1 s in front and 3 s behind,
// in a room of -72 dBFS.
type tapeOf struct{ tape *made.Tape }

func (t *tapeOf) phrase(levelDBFS, s float64) {
	t.tape.Phrase(levelDBFS, s, made.None, made.None)
	t.tape.Pause(0.8)
}

func wordsTape(say func(*tapeOf)) []float32 {
	t := &tapeOf{made.NewTape(13)}
	t.tape.Pause(1)
	say(t)
	t.tape.Pause(2.2)
	t.tape.Room(-72)
	return t.tape.Float32()
}
