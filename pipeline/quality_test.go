package pipeline

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// The quality bench holds the chain to the ear's figures. One command prints its
// table:
//
//	LECTERN_RECORDINGS=DIR go test -run TestQuality -v ./pipeline
//
// Phrases and pauses come once from the untouched raw, by drawOwnMap, which
// shares nothing with the product's map; that one map is laid on every master.

// qualityRow is one line of the table: the worst of all readings.
type qualityRow struct {
	line, figure, limit string
	worst               float64
	weakest             string // the reading it was measured on
	ok                  bool
}

// quality collects rows. A figure of one name is kept where it is worst.
type quality struct {
	t     *testing.T
	rows  []*qualityRow
	cases map[string]int
}

// most notes a figure that must not be over its limit.
func (q *quality) most(line, figure string, limit, got float64, reading string) {
	q.note(line, figure, fmt.Sprintf("at most %g", limit), got, got-limit, reading)
}

// within notes a figure that must lie between two limits.
func (q *quality) within(line, figure string, low, high, got float64, reading string) {
	q.note(line, figure, fmt.Sprintf("%g to %g", low, high), got, max(low-got, got-high), reading)
}

// note keeps the figure that is furthest over its limit.
func (q *quality) note(line, figure, limit string, got, over float64, reading string) {
	key := line + figure
	q.cases[key]++
	for _, r := range q.rows {
		if r.line+r.figure == key {
			if old := q.over(r); over > old {
				r.worst, r.weakest, r.ok = got, reading, over <= 0
			}
			return
		}
	}
	q.rows = append(q.rows, &qualityRow{line, figure, limit, got, reading, over <= 0})
}

// over is how far a row is over its limit.
func (q *quality) over(r *qualityRow) float64 {
	var low, high float64
	if n, _ := fmt.Sscanf(r.limit, "at most %g", &high); n == 1 {
		return r.worst - high
	}
	fmt.Sscanf(r.limit, "%g to %g", &low, &high)
	return max(low-r.worst, r.worst-high)
}

func (q *quality) table() string {
	var b strings.Builder
	b.WriteString("| aim | figure | limit | worst | of | weakest |\n| --- | --- | --- | --- | --- | --- |\n")
	for _, r := range q.rows {
		reached := ""
		if !r.ok {
			reached = " **missed**"
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %.2f%s | %d | %s |\n", r.line, r.figure, r.limit, r.worst, reached, q.cases[r.line+r.figure], r.weakest)
	}
	return b.String()
}

// without tells that one of the tools is not installed; the rows that need it are
// left out, and the rest of the table is printed.
func (q *quality) without(tools ...string) bool {
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			q.t.Logf("%s is not installed: some rows are left out", tool)
			return true
		}
	}
	return false
}

// qualityReading is one untouched raw at 44.1 kHz, mono, and its map.
type qualityReading struct {
	name string
	x    []float32
	m    ownMap
}

// TestQuality prints the table.
func TestQuality(t *testing.T) {
	if os.Getenv("LECTERN_LONG") == "" {
		t.Skip("the quality bench takes minutes: set LECTERN_LONG=1 to run it")
	}
	q := &quality{t: t, cases: map[string]int{}}
	for _, r := range qualityReadings(t) {
		plain, plainShift, _ := q.masterOf(r.x, nil)
		steps, stepsShift, _ := q.masterOf(stepped(r), nil)
		q.evenness(r, plain, plainShift, steps, stepsShift)
		q.restraint(r)
		q.pauses(r, plain, plainShift, steps, stepsShift)
		q.gains(r)
		q.peaks(r)
	}
	q.breaths()
	q.limiter()
	q.noiseLimit()
	q.trims()
	q.tones()
	q.nulls()
	q.sameBook()
	q.report()
}

// report prints the table and complains of every row that is missed.
func (q *quality) report() {
	q.t.Helper()
	q.t.Log("\n" + q.table())
	for _, r := range q.rows {
		if !r.ok {
			q.t.Errorf("%s, %s: %.2f on %s, want %s", r.line, r.figure, r.worst, r.weakest, r.limit)
		}
	}
}

// qualityReadings are made readings, narration by synthesizers in real rooms, and
// every real reading of 15 s or more.
func qualityReadings(t *testing.T) []qualityReading {
	var out []qualityReading
	for seed := range uint64(2) {
		x := madeReading(40+seed, -62).Float32()
		out = append(out, qualityReading{fmt.Sprintf("made voice %d", seed+1), x, drawOwnMap(x)})
	}
	out = append(out, narratedReadings(t)...)
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		return out
	}
	for _, r := range realReadings(t, root) {
		if len(r.raws) > 1 {
			continue
		}
		x := floats(outside(t, "ffmpeg", "-v", "error", "-i", r.raws[0], "-ac", "1", "-af", "aresample=44100:resampler=soxr:precision=28", "-f", "f32le", "-"))
		if len(x) < 15*sampleRateHz {
			continue
		}
		out = append(out, qualityReading{filepath.Base(r.name), x, drawOwnMap(x)})
	}
	return out
}

// narratedReadings are two minutes each by four voices of the synthesizers, in rooms
// 40 to 54 dB under the words: real ones where recordings are at hand.
func narratedReadings(t *testing.T) []qualityReading {
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Log("ffmpeg is not installed: narration by synthesizers is left out")
		return nil
	}
	var out []qualityReading
	rooms := realRooms(t)
	for i, v := range narrated.Voices()[:4] {
		if !v.Installed() {
			t.Logf("%s is left out: its synthesizer is not installed", v.Name)
			continue
		}
		x, name := cleanChapter(t, v, i+1, 120, rooms)
		x = floats(outsideIn(t, x, "ffmpeg", "-v", "error", "-f", "f32le", "-ar", strconv.Itoa(v.RateHz), "-ac", "1", "-i", "-",
			"-af", "aresample=44100:resampler=soxr:precision=28", "-f", "f32le", "-"))
		out = append(out, qualityReading{name, x, drawOwnMap(x)})
	}
	return out
}

// madeReading is two minutes of made speech with pauses of 0.6 to 1.2 s in a
// steady room.
func madeReading(seed uint64, roomDBFS float64) *made.Tape {
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(1)
	for i := range 40 {
		tape.Phrase(-24+1.5*math.Sin(float64(i)*1.7), 1.2+0.35*float64(i%6), []made.Consonant{made.S, made.None, made.F, made.H}[i%4], []made.Consonant{made.None, made.S}[i%2])
		tape.Pause(0.6 + 0.2*float64(i%4))
	}
	tape.Pause(1)
	tape.Room(roomDBFS)
	return tape
}

// masterOf takes x through the chain up to the encoder and returns the finished
// samples, by how many of them they lie behind the raw, and the plan. (What the
// encoder does to levels is TestRecordings' concern.)
func (q *quality) masterOf(x []float32, change func(*config.Chapter)) (y []float32, shift int, p Plan) {
	q.t.Helper()
	job := jobOf(q.t, made.WAVFloat(sampleRateHz, x))
	if change != nil {
		change(&job.Settings)
	}
	raws, err := readAll(context.Background(), job, shares(nil))
	defer raws.discard()
	if err != nil {
		q.t.Fatal(err)
	}
	d := job.Settings.Delivery
	tl := trimWhole(raws.recs, d.HeadS, d.TailS, job.Settings.Takes.JoinPauseMaxS)
	l := level(tl, job.Settings.Level)
	weighted, err := weigh(tl, raws.recs, d)
	if err != nil {
		q.t.Fatal(err)
	}
	loud := normalize(tl, l, weighted, d, job.Settings.Level)
	p = loud.plan(tl, l)
	y = rendered(q.t, p, raws.recs, 8192)
	for _, s := range tl.segments {
		if !s.Tone {
			return y, (s.At - s.From) * frameSamples, p
		}
	}
	q.t.Fatal("nothing of the raw is in the master")
	return nil, 0, p
}

// stretch is a stretch of samples.
type stretch struct{ from, to int }

func (s stretch) seconds() float64 { return float64(s.to-s.from) / sampleRateHz }

func (s stretch) shifted(by int) stretch { return stretch{s.from + by, s.to + by} }

// levelOf is the plain RMS of a stretch of x in dBFS.
func levelOf(x []float32, s stretch) float64 {
	return rmsDBFS(x[max(0, s.from):min(len(x), s.to)])
}

// ownMap is where a raw's phrases and pauses are. len(pauses) is len(phrases)+1.
// words are the stretches over the threshold, without margin.
type ownMap struct{ phrases, pauses, words []stretch }

// drawOwnMap finds phrases by energy above 150 Hz alone: windows of 20 ms each 10
// ms, speech where they stand over the middle between the local floor (the lower
// tenth within 4 s) and the local level of speech (the upper tenth within 2 s), in
// dB, and 6 dB over that floor; gaps under 0.3 s closed, blips under 80 ms left out,
// 50 ms added on either side.
func drawOwnMap(x []float32) ownMap {
	high := slices.Clone(x)
	f := highPass(150, 0.7)
	f.apply(high)
	const hop = sampleRateHz / 100
	n := len(high)/hop - 1
	db := make([]float64, n)
	for i := range db {
		db[i] = math.Max(-120, rmsDBFS(high[i*hop:(i+2)*hop]))
	}
	around := func(i, reach int, share float64) float64 {
		v := slices.Clone(db[max(0, i-reach):min(n, i+reach+1)])
		slices.Sort(v)
		return v[int(share*float64(len(v)-1))]
	}
	speech := make([]bool, n)
	for i := 0; i < n; i += 10 {
		floor, loud := around(i, 400, 0.1), around(i, 200, 0.9)
		over := math.Max(floor+6, floor+0.45*(loud-floor))
		for k := i; k < min(n, i+10); k++ {
			speech[k] = db[k] > over
		}
	}
	runs := runsOf(speech)
	runs = slices.DeleteFunc(joinRuns(runs, 5), func(s stretch) bool { return s.to-s.from < 8 })
	var m ownMap
	for i := range runs {
		m.words = append(m.words, stretch{runs[i].from * hop, runs[i].to * hop})
		runs[i] = stretch{max(0, runs[i].from-5), min(n, runs[i].to+5)}
	}
	runs = slices.DeleteFunc(joinRuns(runs, 30), func(s stretch) bool { return s.to-s.from < 20 })
	at := 0
	for _, r := range runs {
		p := stretch{r.from * hop, r.to * hop}
		m.phrases = append(m.phrases, p)
		m.pauses = append(m.pauses, stretch{at, p.from})
		at = p.to
	}
	m.pauses = append(m.pauses, stretch{at, len(x)})
	return m
}

func runsOf(on []bool) []stretch {
	var out []stretch
	for i, v := range on {
		switch {
		case !v:
		case len(out) > 0 && out[len(out)-1].to == i:
			out[len(out)-1].to++
		default:
			out = append(out, stretch{i, i + 1})
		}
	}
	return out
}

// joinRuns closes gaps shorter than gap.
func joinRuns(runs []stretch, gap int) []stretch {
	var out []stretch
	for _, r := range runs {
		if len(out) > 0 && r.from-out[len(out)-1].to < gap {
			out[len(out)-1].to = r.to
			continue
		}
		out = append(out, r)
	}
	return out
}

// spreadDB is the standard deviation.
func spreadDB(v []float64) float64 {
	var sum, squares float64
	for _, x := range v {
		sum += x
		squares += x * x
	}
	n := float64(len(v))
	if n < 2 {
		return 0
	}
	return math.Sqrt(max(0, squares/n-sum/n*sum/n))
}
