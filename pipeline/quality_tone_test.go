package pipeline

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/dsp/window"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// TestToneFigures holds the laid-in tone to its rows of the quality bench alone.
func TestToneFigures(t *testing.T) {
	q := &quality{t: t, cases: map[string]int{}}
	q.tones()
	q.report()
}

// toneRaw is a raw with room in it that is known to be clean.
type toneRaw struct {
	name  string
	x     []float32
	clean []stretch // where nothing but the room is heard
}

// toneRaws are made words over made rooms and over real noise, whose pauses are
// known, and real readings, whose quiet pieces are found by level alone.
func toneRaws(t *testing.T) []toneRaw {
	over := func(name string, seed uint64, room func(n int) []float32) toneRaw {
		tape := made.NewTape(seed)
		tape.Pause(0.3)
		for i := range 8 {
			tape.Phrase(-20, 1+0.1*float64(i), made.S, made.None)
			tape.Pause(0.7)
		}
		noise := room(len(tape.Samples))
		r := toneRaw{name: name, x: tape.Float32()}
		for i, v := range noise {
			r.x[i] += v
		}
		for _, p := range ownPauses(tape) {
			r.clean = append(r.clean, stretch{p.From + sampleRateHz/20, p.To - sampleRateHz/20})
		}
		return r
	}
	tapeOf := func(room func(*made.Tape)) func(n int) []float32 {
		return func(n int) []float32 {
			tape := made.NewTape(5)
			tape.Samples = make([]float64, n)
			room(tape)
			return tape.Float32()
		}
	}
	hum := func(hz, amplitude float64) func(*made.Tape) {
		return func(t *made.Tape) {
			t.Room(-66)
			for k := 1.0; k <= 3; k++ {
				t.Knock(0, 20*math.Log10(amplitude/k), hz*k, 1e6)
			}
		}
	}
	out := []toneRaw{
		over("made room", 1, tapeOf(func(t *made.Tape) { t.Room(-58) })),
		over("hissing room", 2, tapeOf(func(t *made.Tape) { t.White(-66) })),
		over("even room", 3, func(n int) []float32 { return narrated.Room(3, sampleRateHz, n, -62) }),
		over("room with hum of 50 Hz", 4, tapeOf(hum(50, 0.0006))),
		over("room with hum of 60 Hz", 5, tapeOf(hum(60, 0.001))),
	}
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return out
	}
	for i, c := range []struct {
		file string
		db   float64
	}{{"precise_bg_noise8.wav", -6}, {"fieldrec_A101_1_1.WAV", 28}} {
		x := decoded(t, filepath.Join(root, "noise", c.file), sampleRateHz)
		out = append(out, over("words over "+c.file, uint64(6+i), func(n int) []float32 {
			noise := x[:min(len(x), 16*sampleRateHz)] // behind that one of them clicks
			y := make([]float32, n)
			for at := range y {
				// To and fro, so that there is no seam.
				k := at % (2 * len(noise))
				y[at] = noise[min(k, 2*len(noise)-1-k)] * float32(dbToAmplitude(c.db))
			}
			return y
		}))
	}
	files, err := filepath.Glob(filepath.Join(root, "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	lj := toneRaw{name: "LJ joined"}
	for _, f := range files {
		if strings.HasPrefix(filepath.Base(f), "LJ") {
			lj.x = append(lj.x, decoded(t, f, sampleRateHz)...)
			continue
		}
		if name := filepath.Base(f); strings.HasPrefix(name, "kerstin") || filepath.Base(filepath.Dir(f)) == "narration" {
			r := toneRaw{name: name, x: decoded(t, f, sampleRateHz)}
			out = append(out, r)
		}
	}
	out = append(out, lj)
	for i := range out {
		if out[i].clean == nil {
			out[i].clean = quietStretches(out[i].x)
		}
	}
	// From less than a second no one can tell the long-term spectrum of a room.
	return slices.DeleteFunc(out, func(r toneRaw) bool { return total(r.clean) < sampleRateHz })
}

func total(s []stretch) int {
	n := 0
	for _, s := range s {
		n += s.to - s.from
	}
	return n
}

// ownPauses are the stretches of a tape around and between its phrases.
func ownPauses(tape *made.Tape) []made.Span {
	var out []made.Span
	at := 0
	for _, p := range tape.Phrases {
		out = append(out, made.Span{From: at, To: p.From})
		at = p.To
	}
	return append(out, made.Span{From: at, To: len(tape.Samples)})
}

// quietStretches are where quietPieces finds its pieces by what lies above 250 Hz,
// since under a loud hum a breath would pass for quiet, without 50 ms around any 10
// ms that stand 8 dB over their median above 4 kHz, which are clicks.
func quietStretches(x []float32) []stretch {
	const hop = sampleRateHz / 100
	clean, high := slices.Clone(x), slices.Clone(x)
	for range 2 {
		over250, over4000 := highPass(250, 0.7), highPass(4000, 0.7)
		over250.apply(clean)
		over4000.apply(high)
	}
	quiet := make([]bool, len(x)/hop)
	var levels []float64
	for _, p := range quietPieces(clean, sampleRateHz) {
		from := len(clean) - cap(p) // a piece is a slice of clean
		for k := from/hop + 1; k < (from+len(p))/hop; k++ {
			quiet[k] = true
			levels = append(levels, levelOf(high, stretch{k * hop, (k + 1) * hop}))
		}
	}
	if len(levels) == 0 {
		return nil
	}
	slices.Sort(levels)
	for k := range quiet {
		if levelOf(high, stretch{k * hop, (k + 1) * hop}) > levels[len(levels)/2]+8 {
			for i := max(0, k-5); i < min(len(quiet), k+6); i++ {
				quiet[i] = false
			}
		}
	}
	var out []stretch
	for _, r := range runsOf(quiet) {
		if r.to-r.from >= 20 {
			out = append(out, stretch{r.from * hop, r.to * hop})
		}
	}
	return out
}

// tones is aim 7.
func (q *quality) tones() {
	const aim = "7 room tone"
	for _, raw := range toneRaws(q.t) {
		job := jobOf(q.t, made.WAVFloat(sampleRateHz, raw.x))
		raws, err := readAll(context.Background(), job, shares(nil))
		if err != nil {
			raws.discard()
			q.t.Fatalf("%s: %v", raw.name, err)
		}
		rec := raws.recs[0]
		if !rec.room.borrowed {
			q.most(aim, "readings with clean room in which none was found", 0, 1, raw.name)
			raws.discard()
			continue
		}
		x := make([]float32, rec.scratch.samples)
		if err := rec.scratch.read(x, 0); err != nil {
			q.t.Fatal(err)
		}
		q.toneColor(raw, x, takeTone(rec, 16*sampleRateHz))
		q.toneJoins(raw, x, raws.recs)
		raws.discard()
	}
	q.noTone()
}

// toneColor holds a long stretch of tone against all clean room of the raw.
func (q *quality) toneColor(raw toneRaw, x, tone []float32) {
	const aim = "7 room tone"
	var pieces [][]float32
	for _, s := range raw.clean {
		pieces = append(pieces, x[s.from:s.to])
	}
	want, got := octaves(pieces), octaves([][]float32{tone})
	var off []float64
	for i := range want {
		off = append(off, got[i]-want[i])
		switch {
		case want[i] < -125: // nothing there: the raw was recorded at a lower rate
		case i < 2:
			q.most(aim, "octaves at 63 and 125 Hz away from the clean room, dB", 4, math.Abs(off[i]), fmt.Sprintf("%s, octave %d", raw.name, i+1))
		default:
			q.most(aim, "octaves from 250 Hz away from the clean room, dB", 2, math.Abs(off[i]), fmt.Sprintf("%s, octave %d", raw.name, i+1))
		}
	}
	own, made := comesBack(pieces), comesBack([][]float32{tone})
	q.most(aim, "autocorrelation beyond 50 ms, tone less room", 0.1, made-own, raw.name)
	q.t.Logf("%s: %.1f s of clean room, octaves off by %+.1f dB, comes back %.2f (room %.2f)", raw.name, float64(total(raw.clean))/sampleRateHz, off, made, own)
}

// octaves is the level of pieces in octave bands around 63 Hz to 16 kHz, from
// windows of 0.2 s half over each other; pieces shorter than that are left out.
func octaves(pieces [][]float32) []float64 {
	const n = 8820
	win, fft := make([]float64, n), fourier.NewFFT(n)
	for i := range win {
		win[i] = 1
	}
	window.Hann(win)
	sums := make([]float64, 9)
	count := 0.0
	for _, p := range pieces {
		for ; len(p) >= n; p = p[n/2:] {
			in := make([]float64, n)
			for i := range in {
				in[i] = float64(p[i]) * win[i]
			}
			bins := fft.Coefficients(nil, in)
			count++
			for k := range sums {
				center := 62.5 * math.Pow(2, float64(k)) * n / sampleRateHz
				for _, c := range bins[int(math.Ceil(center/math.Sqrt2)):min(n/2, int(math.Ceil(center*math.Sqrt2)))] {
					sums[k] += real(c)*real(c) + imag(c)*imag(c)
				}
			}
		}
	}
	for k := range sums {
		// By Parseval; 3/8 is the mean of the squared window.
		sums[k] = 10 * math.Log10(2*sums[k]/count/n/n/(3.0/8)+1e-30)
	}
	return sums
}

// comesBack is the largest autocorrelation at 50 ms to 1 s, over all pieces
// together: a lag is judged where they hold it for a second in all.
func comesBack(pieces [][]float32) float64 {
	acf, energy := make([]float64, sampleRateHz), make([]float64, sampleRateHz)
	held := make([]int, sampleRateHz)
	for _, p := range pieces {
		n := 1
		for n < 2*len(p) {
			n *= 2
		}
		fft, in := fourier.NewFFT(n), make([]float64, n)
		copy(in, wide(p))
		bins := fft.Coefficients(nil, in)
		for i, c := range bins {
			bins[i] = complex(real(c)*real(c)+imag(c)*imag(c), 0)
		}
		out := fft.Sequence(in, bins)
		for lag := range min(len(acf), len(p)) {
			acf[lag] += out[lag] / float64(n)
			energy[lag] += out[0] / float64(n) * float64(len(p)-lag) / float64(len(p))
			held[lag] += len(p) - lag
		}
	}
	most := 0.0
	for lag := sampleRateHz / 20; lag < len(acf); lag++ {
		if held[lag] >= sampleRateHz {
			most = max(most, math.Abs(acf[lag])/energy[lag])
		}
	}
	return most
}

// toneJoins lays out the raw cut close to its words, so that tone is laid in, and
// looks at each place where it meets the raw's own room.
func (q *quality) toneJoins(raw toneRaw, x []float32, recs []*recording) {
	const aim = "7 room tone"
	tl := trimWhole(recs, 2, 4, 1.5)
	plan := Plan{Segments: tl.segments, GainDB: make([]float32, tl.frames()+1)}
	y := rendered(q.t, plan, recs, 8192)
	high := slices.Clone(y)
	f := highPass(2000, 0.7)
	f.apply(high)
	for i, s := range tl.segments {
		if !s.Tone || s.Frames < 100 {
			continue
		}
		tone := stretch{(s.At + 5) * frameSamples, (s.End() - 5) * frameSamples}
		for _, k := range []int{i - 1, i + 1} {
			if k < 0 || k >= len(tl.segments) || tl.segments[k].Tone {
				continue
			}
			own, edge := ownRoom(raw, tl.segments[k], k < i)
			if own.to-own.from < sampleRateHz/4 {
				continue
			}
			at := fmt.Sprintf("%s, %.2f s of room", raw.name, own.seconds())
			q.most(aim, "level of the tone away from the room it continues, dB", 1, math.Abs(levelOf(y, tone)-levelOf(x, own)), at)
			q.most(aim, "click at a join over the highest peak of the room, dB", 2, clickDB(high, edge, tone, own.shifted((tl.segments[k].At-tl.segments[k].From)*frameSamples)), at)
		}
	}
}

// ownRoom is the raw's clean room next to a join, up to a second of it, in the
// raw; the join lies at the end of segment s if it comes before the tone, else at
// its start. edge is the join in the master.
func ownRoom(raw toneRaw, s Segment, before bool) (own stretch, edge int) {
	join := s.From * frameSamples
	edge = s.At * frameSamples
	if before {
		join, edge = join+s.Frames*frameSamples, s.End()*frameSamples
	}
	for _, c := range raw.clean {
		if before && c.from < join && c.to > join-sampleRateHz/10 {
			return stretch{max(c.from, join-sampleRateHz, s.From*frameSamples), min(c.to, join)}, edge
		}
		if !before && c.to > join && c.from < join+sampleRateHz/10 {
			return stretch{max(c.from, join), min(c.to, join+sampleRateHz)}, edge
		}
	}
	return own, edge
}

// clickDB is the peak of the high-passed master within 15 ms of a join, over the
// highest peak of as long a stretch of tone or room beside it.
func clickDB(high []float32, edge int, beside ...stretch) float64 {
	const reach = sampleRateHz * 15 / 1000
	peak := func(from, to int) float64 {
		most := 1e-9
		for _, v := range high[max(0, from):min(len(high), to)] {
			most = max(most, math.Abs(float64(v)))
		}
		return most
	}
	most := 0.0
	for _, s := range beside {
		for at := s.from; at+2*reach <= s.to; at += 2 * reach {
			if at+2*reach < edge-reach || at > edge+reach {
				most = max(most, peak(at, at+2*reach))
			}
		}
	}
	return 20 * math.Log10(peak(edge-reach, edge+reach)/most)
}

// noTone masters a raw whose pauses are gated and one whose are digital silence: the
// head of the decoded file must be noise under the limit, and the report must say so.
func (q *quality) noTone() {
	if q.without("ffmpeg") {
		return
	}
	const aim = "7 room tone"
	for name, gate := range map[string]func(x []float64, s made.Span){
		"gated": func(x []float64, s made.Span) {
			for i := s.From; i < s.To; i++ {
				x[i] *= math.Exp(-float64(i-s.From) / (0.01 * sampleRateHz))
				if math.Abs(x[i]) < 1e-5 {
					x[i] = 0
				}
			}
		},
		"digitally silent": func(x []float64, s made.Span) { clear(x[s.From:s.To]) },
	} {
		tape := made.NewTape(9)
		tape.Pause(1)
		for range 6 {
			tape.Phrase(-22, 1.2, made.S, made.None)
			tape.Pause(0.8)
		}
		tape.Room(-60)
		for _, p := range ownPauses(tape) {
			gate(tape.Samples, p)
		}
		m, rep := mastered(q.t, jobOf(q.t, made.WAV16(sampleRateHz, tape.Float32())))
		y := ffmpegDecoded(q.t, m.MP3, m.timeline.frames()*frameSamples)
		head := y[:sampleRateHz*45/100]
		q.within(aim, "level of the head where there is no room, dBFS", -90, -60, rmsDBFS(head), name)
		q.most(aim, "zeros in a row where there is no room", 20, float64(longestZeros(head)), name)
		said := 0.0
		for _, f := range rep.Finished.Findings {
			if f.Kind == "tone_laid_in" && strings.Contains(f.Says, "holds nothing of your empty room") {
				said++
			}
		}
		q.within(aim, "places the report names where there is no room (head and tail)", 2, 2, said, name)
	}
}
