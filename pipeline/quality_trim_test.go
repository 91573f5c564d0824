package pipeline

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// TestTrimFigures holds the trim to its rows of the quality bench alone.
func TestTrimFigures(t *testing.T) {
	q := &quality{t: t, cases: map[string]int{}}
	q.trims()
	q.report()
}

// edgeTape is a reading whose every part is known: words, sounds before and behind
// them, and room are kept apart, so that the master can be held against each.
type edgeTape struct {
	name           string
	words          *made.Tape
	sounds         *made.Tape
	room           []float64
	breath         made.Span // joined to the first word; empty if there is none
	from, to       int       // the true first and last sample of the words
	firstDB, endDB float64   // how far the edges stand over the room in their own band
}

// edgeRoom is the sound of a room, n samples of the given level.
type edgeRoom struct {
	name string
	make func(seed uint64, n int, dbfs float64) []float64
}

// edgeRooms are made rooms and, where there are recordings, real ones: noise with the
// spectrum of all quiet pieces of a recording.
func edgeRooms(t *testing.T) []edgeRoom {
	rooms := []edgeRoom{
		{"made room", func(seed uint64, n int, dbfs float64) []float64 {
			tape := made.NewTape(seed)
			tape.Samples = make([]float64, n)
			tape.Room(dbfs)
			return tape.Samples
		}},
		{"hissing room", func(seed uint64, n int, dbfs float64) []float64 {
			tape := made.NewTape(seed)
			tape.Samples = make([]float64, n)
			tape.White(dbfs)
			return tape.Samples
		}},
		{"even room", func(seed uint64, n int, dbfs float64) []float64 {
			return wide(narrated.Room(seed, sampleRateHz, n, dbfs))
		}},
	}
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return rooms
	}
	for _, path := range []string{"noise/precise_bg_noise8.wav", "noise/fieldrec_A101_1_1.WAV", "narration/kerstin_1422_raw.wav", "narration/librispeech_3331-159605-0008.wav"} {
		x := decoded(t, filepath.Join(root, path), sampleRateHz)
		pieces := quietPieces(x, sampleRateHz)
		if len(pieces) == 0 {
			t.Errorf("%s has no quiet piece", path)
			continue
		}
		rooms = append(rooms, edgeRoom{filepath.Base(path), func(seed uint64, n int, dbfs float64) []float64 {
			return soundingLike(pieces, seed, n, dbfs)
		}})
	}
	return rooms
}

// soundingLike is Gaussian noise with the spectrum of pieces: each piece, as the
// taps of a filter, is fed white noise of its own, and all of it added.
func soundingLike(pieces [][]float32, seed uint64, n int, dbfs float64) []float64 {
	size := 1
	for size < n {
		size *= 2
	}
	fft := fourier.NewFFT(size)
	sum := make([]complex128, size/2+1)
	taps, noise := make([]complex128, len(sum)), make([]complex128, len(sum))
	for i, p := range pieces {
		x := make([]float64, size)
		copy(x, wide(p))
		fft.Coefficients(taps, x)
		fft.Coefficients(noise, wide(white(size, 1, seed+uint64(1000*i))))
		for k := range sum {
			sum[k] += taps[k] * noise[k]
		}
	}
	out := fft.Sequence(nil, sum)[:n]
	var power float64
	for _, v := range out {
		power += v * v
	}
	k := dbToAmplitude(dbfs) / math.Sqrt(power/float64(n))
	for i := range out {
		out[i] *= k
	}
	return out
}

func wide(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}

// edgeSound lays something over the pause in front of the first word, which
// starts at second s, and over the one behind the last, which ends at second end.
type edgeSound struct {
	name string
	lay  func(e *edgeTape, s, end float64)
}

func edgeSounds(t *testing.T) []edgeSound {
	breath := func(e *edgeTape, s, length, dbfs float64) {
		b := made.NewTape(uint64(1000 * s))
		b.Breath(dbfs, length)
		e.sounds.Over(s, b.Samples)
	}
	sounds := []edgeSound{
		{"nothing", func(*edgeTape, float64, float64) {}},
		{"mouse click", func(e *edgeTape, s, end float64) {
			e.sounds.Knock(s-0.4, -24, 3000, 0.002)
			e.sounds.Knock(end+0.5, -30, 3000, 0.002)
		}},
		{"clap", func(e *edgeTape, s, end float64) {
			e.sounds.Clap(s-0.8, -8)
			e.sounds.Clap(end+1.2, -8)
		}},
		{"chair", func(e *edgeTape, s, end float64) {
			e.sounds.Chair(s-0.7, -28)
			e.sounds.Chair(end+0.7, -28)
		}},
		{"breath apart", func(e *edgeTape, s, end float64) {
			breath(e, s-0.65, 0.4, -44)
			breath(e, end+0.4, 0.4, -46)
		}},
		{"breath joined", func(e *edgeTape, s, end float64) {
			breath(e, s-0.4, 0.4, -46)
			breath(e, end+0.02, 0.35, -46)
			e.breath = made.Span{From: made.Frames(s - 0.4), To: made.Frames(s)}
		}},
		{"cough", func(e *edgeTape, s, end float64) {
			e.sounds.Cough(s-0.9, -14)
			e.sounds.Cough(end+1, -14)
		}},
		{"late click", func(e *edgeTape, s, end float64) {
			e.sounds.Knock(s-0.15, -30, 2400, 0.003)
			e.sounds.Knock(end+0.2, -30, 2400, 0.003)
		}},
	}
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return sounds
	}
	for _, c := range []struct {
		file string
		dbfs float64
	}{{"HandClap-Med.wav", -10}, {"Fingersnap-Hard.wav", -12}, {"tap.wav", -28}} {
		x := wide(decoded(t, filepath.Join(root, "noise", c.file), sampleRateHz))
		x = x[:min(len(x), made.Frames(0.6))]
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
		for i := range x { // the tail of the recording must not end in a step
			x[i] *= dbToAmplitude(c.dbfs) / peak * min(1, float64(len(x)-i)/float64(made.Frames(0.05)))
		}
		sounds = append(sounds, edgeSound{c.file, func(e *edgeTape, s, end float64) {
			e.sounds.Over(s-0.95, x)
			e.sounds.Over(end+0.8, x)
		}})
	}
	return sounds
}

// edgeTapes is every consonant in rooms of every level, as it is in textbooks and 6
// and 12 dB softer, the kinds of room and the sounds taken in turn; a third of them
// in a short run.
func edgeTapes(t *testing.T) []edgeTape {
	soft := []made.Consonant{made.None, made.S, made.F, made.H, made.Th}
	rooms, sounds := edgeRooms(t), edgeSounds(t)
	joined := sounds[slices.IndexFunc(sounds, func(s edgeSound) bool { return s.name == "breath joined" })]
	var out []edgeTape
	for turn := range 4 {
		for i, level := range []float64{-50, -56, -62, -69, -75} {
			for k, first := range soft {
				n := len(out)
				sound := sounds[(n/2+turn)%len(sounds)]
				if turn == 3 { // the hardest, once for every start in every room
					sound = joined
				}
				out = append(out, makeEdges(uint64(100+n), first, soft[(k+i+turn)%len(soft)], []float64{0, -6, -12, 0}[turn], rooms[(n+turn)%len(rooms)], level, sound))
			}
		}
	}
	if thorough() {
		return out
	}
	var some []edgeTape
	for i := 0; i < len(out); i += 3 {
		some = append(some, out[i])
	}
	return some
}

func makeEdges(seed uint64, first, last made.Consonant, softDB float64, room edgeRoom, roomDBFS float64, sound edgeSound) edgeTape {
	e := edgeTape{words: made.NewTape(seed), sounds: made.NewTape(seed + 5000)}
	e.name = fmt.Sprintf("tape %d: %s ... %s at %g dB, %s of %g dBFS, %s", seed, letters[first], letters[last], softDB, room.name, roomDBFS, sound.name)
	e.words.ConsonantsDB = softDB
	e.words.Pause(2 + 0.0031*float64(seed%7))
	e.words.Phrase(-20, 1.6, first, made.None)
	e.words.Pause(0.8)
	e.words.Phrase(-20, 1.6, made.None, last)
	e.from, e.to = e.words.Phrases[0].From, e.words.Phrases[1].To
	e.words.Pause(3)
	e.sounds.Samples = make([]float64, len(e.words.Samples))
	sound.lay(&e, float64(e.from)/made.RateHz, float64(e.to)/made.RateHz)
	e.room = room.make(seed, len(e.words.Samples), roomDBFS)
	edge := made.Frames(made.ConsonantS - 0.015) // the vowel not yet in
	e.firstDB = e.over(first, e.from, e.from+edge)
	e.endDB = e.over(last, e.to-edge, e.to)
	return e
}

var letters = map[made.Consonant]string{made.None: "a", made.S: "s", made.F: "f", made.H: "h", made.Th: "th"}

// over is how far the words stand over the room in the band of c, in dB.
func (e *edgeTape) over(c made.Consonant, from, to int) float64 {
	low, high := c.BandHz()
	return bandDB(e.words.Samples[from:to], low, high) - bandDB(e.room[:1<<17], low, high)
}

// bandDB is the level of x between two frequencies.
func bandDB(x []float64, lowHz, highHz float64) float64 {
	bins := fourier.NewFFT(len(x)).Coefficients(nil, x)
	perHz := float64(len(x)) / sampleRateHz
	var sum float64
	for _, c := range bins[int(lowHz*perHz):int(highHz*perHz)] {
		sum += real(c)*real(c) + imag(c)*imag(c)
	}
	return 10 * math.Log10(2*sum/float64(len(x))/float64(len(x)))
}

func (e *edgeTape) sum() []float32 {
	x := make([]float32, len(e.room))
	for i := range x {
		x[i] = float32(e.words.Samples[i] + e.sounds.Samples[i] + e.room[i])
	}
	return x
}

// clearEdgeDB is how far an edge must stand over the room to be found exactly.
const clearEdgeDB = 6

// trims is aim 6.
func (q *quality) trims() {
	const aim = "6 trim"
	off, edges := 0, 0
	worst := ""
	for _, e := range edgeTapes(q.t) {
		x := e.sum()
		y, shift, plan := q.masterOf(x, nil)
		head := int(0.5 * sampleRateHz)
		tail := len(y) - 2*sampleRateHz
		for _, edge := range []struct {
			name   string
			late   int // samples of words the product leaves outside; < 0: of room it takes in
			overDB float64
		}{
			{"start", head - (e.from + shift), e.firstDB},
			{"end", e.to + shift - tail, e.endDB},
		} {
			ms := 1000 * float64(edge.late) / sampleRateHz
			where := fmt.Sprintf("%s of %s (%.0f dB over the room)", edge.name, e.name, edge.overDB)
			if edge.overDB < clearEdgeDB {
				q.most(aim, "latest edge under the room, ms inside the word", 120, ms, where)
				continue
			}
			edges++
			if math.Abs(ms) > 20 {
				off++
				worst = where
				q.t.Logf("%+.0f ms: %s", ms, where)
			}
			q.most(aim, "furthest edge over the room, ms", 60, math.Abs(ms), where)
		}
		q.quietHead(&e, y, min(head, e.from+shift), plan)
		q.kept(&e, x, y, shift, plan)
	}
	q.most(aim, "edges over the room off by more than 20 ms, %", 5, 100*float64(off)/float64(edges), worst)
	q.t.Logf("%d edges stand over the room", edges)
	q.realStarts()
}

// realStarts are where the first words of real raws begin, read by eye, to about 10
// ms, off pictures of their waveforms with a logarithmic scale, 1 ms a dot. Each has a breath before it, and some clicks.
func (q *quality) realStarts() {
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return
	}
	for file, s := range map[string]float64{
		"narration/kerstin_0181_raw.wav": 1.176, "narration/kerstin_1335_raw.wav": 0.510,
		"narration/kerstin_1422_raw.wav": 0.569, "narration/kerstin_1652_raw.wav": 0.791,
		"repeats/kerstin_drei_neue_linien_take1_raw.wav": 1.108, "repeats/kerstin_drei_neue_linien_take2_raw.wav": 0.962,
		"repeats/kerstin_drei_neue_linien_take3_raw.wav": 0.570, "repeats/kerstin_drei_neue_linien_take4_raw.wav": 0.936,
	} {
		_, shift, _ := q.masterOf(decoded(q.t, filepath.Join(root, file), sampleRateHz), nil)
		ms := 1000 * (0.5 - s - float64(shift)/sampleRateHz)
		q.most("6 trim", "first word of a real raw away from where the eye sees it, ms", 60, math.Abs(ms), file)
		q.most("6 trim", "first word of a real raw later than the eye sees it, ms", 20, ms, file)
	}
}

// kept holds the master against the raw, at the gain of the words: nothing of an
// edge may be lost, and a breath must be there whole or not at all, but for a tenth
// (our choice: in the loudest rooms a breath is no more than the room). What is kept
// is the part of the raw that is found again in the master, so that tone laid in
// over it, however loud, counts as lost.
func (q *quality) kept(e *edgeTape, x, y []float32, shift int, plan Plan) {
	clean := slices.Clone(x)
	newRumbleFilter(70).apply(clean)
	share := func(from, to int, frame int) float64 {
		var both, own float64
		for i := from; i < to; i++ {
			if k := i + shift; k >= 0 && k < len(y) {
				both += float64(y[k]) * float64(clean[i])
			}
			own += float64(clean[i]) * float64(clean[i])
		}
		return both / own / dbToAmplitude(float64(plan.GainDB[frame])+plan.OverallDB)
	}
	edge := made.Frames(made.ConsonantS)
	first := (e.from + shift + sampleRateHz/2) / frameSamples
	last := (e.to + shift - sampleRateHz/2) / frameSamples
	q.most("6 trim", "loss of a soft start, dB", 0.5, -20*math.Log10(max(1e-6, share(e.from, e.from+edge, first))), e.name)
	q.most("6 trim", "loss of a soft end, dB", 0.5, -20*math.Log10(max(1e-6, share(e.to-edge, e.to, last))), e.name)
	if e.breath.To > 0 {
		// Without what lies under a breath: there the room is louder than it.
		for _, v := range [][]float32{clean, y} {
			f := highPass(800, 0.7)
			f.apply(v)
		}
		s := share(e.breath.From, e.breath.To, first)
		q.most("6 trim", "breath neither whole nor gone, %", 10, 100*min(math.Abs(s), math.Abs(1-s)), e.name)
	}
}

// quietHead holds each 10 ms before the word, up to sample n, against the room.
func (q *quality) quietHead(e *edgeTape, y []float32, n int, plan Plan) {
	room := make([]float32, len(e.room))
	for i, v := range e.room {
		room[i] = float32(v)
	}
	newRumbleFilter(70).apply(room)
	roomDB := rmsDBFS(room[sampleRateHz/10:])
	for at := 0; at+frameSamples <= n; at += frameSamples {
		over := rmsDBFS(y[at:at+frameSamples]) - roomDB - float64(plan.GainDB[at/frameSamples]) - plan.OverallDB
		q.most("6 trim", "10 ms of the head over the room, dB", 10, over, e.name)
	}
}
