package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// steps of level, phrase after phrase, in dB.
var levelSteps = []float64{0, 8, -8, 4, -6, 6, -3}

// stepped changes the level from phrase to phrase in the middle of the pauses,
// with a fade of 20 ms; everything 12 dB softer first, so that nothing clips.
func stepped(r qualityReading) []float32 {
	out := make([]float32, len(r.x))
	for i := range r.m.phrases {
		from, to := r.m.around(i, len(r.x))
		apply(out, r.x, from, to, levelSteps[i%len(levelSteps)]-12)
	}
	return faded(out, r.x, r.m)
}

// around is phrase i with the halves of the pauses beside it, head and tail whole.
func (m ownMap) around(i, n int) (from, to int) {
	from, to = 0, n
	if i > 0 {
		from = (m.pauses[i].from + m.pauses[i].to) / 2
	}
	if i+1 < len(m.phrases) {
		to = (m.pauses[i+1].from + m.pauses[i+1].to) / 2
	}
	return from, to
}

func apply(out, x []float32, from, to int, db float64) {
	g := float32(dbToAmplitude(db))
	for i := from; i < to; i++ {
		out[i] = x[i] * g
	}
}

// faded smooths the gain that leads from x to out over 20 ms at each middle of a
// pause.
func faded(out, x []float32, m ownMap) []float32 {
	const half = sampleRateHz / 100
	for i := 1; i < len(m.phrases); i++ {
		at, _ := m.around(i, len(x))
		before, after := gainAt(out, x, at-half-1), gainAt(out, x, at+half)
		for k := at - half; k < at+half; k++ {
			share := float64(k-at+half) / (2 * half)
			out[k] = x[k] * float32(before*math.Pow(after/before, share))
		}
	}
	return out
}

// gainAt is the gain near sample i, where x is not 0.
func gainAt(out, x []float32, i int) float64 {
	for x[i] == 0 {
		i++
	}
	return float64(out[i]) / float64(x[i])
}

// phraseLevels are the levels of all phrases in a master that lies shift samples later.
func (m ownMap) phraseLevels(y []float32, shift int) []float64 {
	var out []float64
	for _, p := range m.phrases {
		out = append(out, levelOf(y, p.shifted(shift)))
	}
	return out
}

// longPhrases are the levels of the phrases of s seconds or more.
func (m ownMap) longPhrases(levels []float64, s float64) []float64 {
	var out []float64
	for i, p := range m.phrases {
		if p.seconds() >= s {
			out = append(out, levels[i])
		}
	}
	return out
}

// evenness is aim 1.
func (q *quality) evenness(r qualityReading, plain []float32, plainShift int, steps []float32, stepsShift int) {
	const aim = "1 evenness"
	reference := r.m.phraseLevels(plain, plainShift)
	rawSpread := spreadDB(r.m.longPhrases(r.m.phraseLevels(r.x, 0), 0.5))
	plainSpread := spreadDB(r.m.longPhrases(reference, 0.5))
	q.most(aim, "spread of the unstepped reading, master less raw, dB", 0, plainSpread-rawSpread, r.name)
	q.t.Logf("%s: spread raw %.2f, master %.2f", r.name, rawSpread, plainSpread)
	if len(r.m.phrases) < 3 {
		return
	}
	drift, driftShift, _ := q.masterOf(drifting(r), nil)
	q.distances(r, "steps", steps, stepsShift, plain, plainShift)
	q.distances(r, "a drift of 10 dB", drift, driftShift, plain, plainShift)
	q.jumpInside(r, plain, plainShift)
}

// drifting falls by 10 dB from start to end.
func drifting(r qualityReading) []float32 {
	out := make([]float32, len(r.x))
	for i, v := range r.x {
		out[i] = v * float32(dbToAmplitude(-2-10*float64(i)/float64(len(r.x))))
	}
	return out
}

// jumpInside makes the longest phrase 8 dB softer from a dip near its middle on to
// the end of the reading.
func (q *quality) jumpInside(r qualityReading, plain []float32, plainShift int) {
	longest := 0
	for i, p := range r.m.phrases {
		if p.seconds() > r.m.phrases[longest].seconds() {
			longest = i
		}
	}
	p := r.m.phrases[longest]
	if p.seconds() < 2 {
		return
	}
	at, softest := 0, math.Inf(1)
	for k := p.from + (p.to-p.from)/3; k < p.to-(p.to-p.from)/3; k += 441 {
		if l := levelOf(r.x, stretch{k - 441, k + 441}); l < softest {
			at, softest = k, l
		}
	}
	x := slices.Clone(r.x)
	apply(x, r.x, 0, at, -2)
	apply(x, r.x, at, len(x), -10)
	y, shift, _ := q.masterOf(x, nil)
	q.distances(r, "a jump inside a phrase", y, shift, plain, plainShift)
	for _, half := range []stretch{{p.from, at}, {at, p.to}} {
		away := math.Abs(levelOf(y, half.shifted(shift)) - levelOf(plain, half.shifted(plainShift)))
		// Our choice: what the line itself falls by there cannot be told from the jump.
		q.most("1 evenness", "half phrase away from the unstepped master after a jump inside it, dB", 3, away, r.name)
	}
}

// distances notes how even a changed reading's master is, and how far from that of
// the unchanged one.
func (q *quality) distances(r qualityReading, change string, y []float32, shift int, plain []float32, plainShift int) {
	const aim = "1 evenness"
	reference, levels := r.m.phraseLevels(plain, plainShift), r.m.phraseLevels(y, shift)
	spread := spreadDB(r.m.longPhrases(levels, 0.5))
	q.most(aim, "spread after "+change+", dB", 1, spread, r.name)
	furthest, at := 0.0, ""
	for i, p := range r.m.phrases {
		if p.seconds() < 1 {
			continue
		}
		if away := math.Abs(levels[i] - reference[i]); away > furthest {
			furthest, at = away, fmt.Sprintf("%s, phrase %d at %.1f s", r.name, i+1, float64(p.from)/sampleRateHz)
		}
	}
	q.most(aim, "phrase of 1 s away from the unstepped master after "+change+", dB", 2, furthest, at)
	q.t.Logf("%s: %s: %d phrases, spread %.2f, furthest %.2f (%s)", r.name, change, len(levels), spread, furthest, at)
}

// restraint is aim 2.
func (q *quality) restraint(r qualityReading) {
	const aim = "2 restraint"
	even := evened(r)
	raw := r.m.phraseLevels(even, 0)
	if spread := spreadDB(r.m.longPhrases(raw, 0.5)); spread >= 1.5 {
		q.t.Logf("%s: not even: %.2f", r.name, spread)
		return
	}
	y, shift, _ := q.masterOf(even, nil)
	got := r.m.phraseLevels(y, shift)
	var gains []float64
	for i := range got {
		if r.m.phrases[i].seconds() >= 0.5 {
			gains = append(gains, got[i]-raw[i])
		}
	}
	slices.Sort(gains)
	middle := gains[len(gains)/2]
	q.most(aim, "gain of a phrase of an even reading, either way, dB", 1.5, max(gains[len(gains)-1]-middle, middle-gains[0]), r.name)
	if len(r.m.phrases) < 5 {
		return
	}
	for _, c := range []struct {
		name      string
		db        float64
		low, high float64
	}{{"a line at -18 dB under its neighbors", -18, -8, -3}, {"a shout at +10 dB over its neighbors", 10, 1, 4}} {
		at := q.loneLine(r)
		x := make([]float32, len(even))
		apply(x, even, 0, len(x), -12)
		from, to := r.m.around(at, len(x))
		apply(x, even, from, to, c.db-12)
		y, shift, _ := q.masterOf(faded(x, even, r.m), nil)
		levels := r.m.phraseLevels(y, shift)
		q.within(aim, c.name+", dB", c.low, c.high, levels[at]-(levels[at-1]+levels[at+1])/2, r.name)
	}
}

// loneLine is the phrase nearest the middle that lasts 1 s or more.
func (q *quality) loneLine(r qualityReading) int {
	best := 1
	for i := 1; i < len(r.m.phrases)-1; i++ {
		away := func(i int) int { return max(i-len(r.m.phrases)/2, len(r.m.phrases)/2-i) }
		if r.m.phrases[i].seconds() >= 1 && (r.m.phrases[best].seconds() < 1 || away(i) < away(best)) {
			best = i
		}
	}
	return best
}

// evened brings all phrases to one level, 12 dB softer than the mean.
func evened(r qualityReading) []float32 {
	levels := r.m.phraseLevels(r.x, 0)
	var mean float64
	for _, l := range levels {
		mean += l / float64(len(levels))
	}
	out := make([]float32, len(r.x))
	for i := range r.m.phrases {
		from, to := r.m.around(i, len(r.x))
		apply(out, r.x, from, to, mean-levels[i]-6)
	}
	return faded(out, r.x, r.m)
}

// pauses is aim 3.
func (q *quality) pauses(r qualityReading, plain []float32, plainShift int, steps []float32, stepsShift int) {
	const aim = "3 still pauses"
	for _, c := range []struct {
		name  string
		y     []float32
		shift int
	}{{"", plain, plainShift}, {" after steps", steps, stepsShift}} {
		y, shift := c.y, c.shift
		var raw, got []float64
		still := r.stillDB()
		for i := 1; i < len(r.m.pauses)-1; i++ {
			// A pause that a breath fills leaves no 0.2 s of room to be heard.
			if p := r.m.pauses[i]; p.seconds() >= 0.5 && quietest02(r.x, p) <= still+3 {
				raw = append(raw, quietest02(r.x, p))
				got = append(got, quietest02(y, p.shifted(shift)))
			}
		}
		if len(got) < 10 {
			continue
		}
		q.t.Logf("%s%s: %d pauses, raw %.2f, master %.2f dB", r.name, c.name, len(got), spreadDB(raw), spreadDB(got))
		if r.constructed() {
			q.most(aim, "spread of the room, constructed"+c.name+", dB", 1.5, spreadDB(got), r.name)
		} else if c.name == "" {
			q.most(aim, "spread of the room, master less raw, dB", 0.5, spreadDB(got)-spreadDB(raw), r.name)
		}
	}
}

func (r qualityReading) constructed() bool {
	return strings.HasPrefix(r.name, "made") || strings.HasPrefix(r.name, "chapter")
}

// stillDB is the middle of the levels of the quietest 0.2 s of all pauses of 0.5 s.
func (r qualityReading) stillDB() float64 {
	var all []float64
	for _, p := range r.m.pauses[1 : len(r.m.pauses)-1] {
		if p.seconds() >= 0.5 {
			all = append(all, quietest02(r.x, p))
		}
	}
	if len(all) == 0 {
		return math.Inf(1)
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// quietest02 is the level of the quietest 0.2 s of a stretch.
func quietest02(x []float32, s stretch) float64 {
	const n = sampleRateHz / 5
	best := math.Inf(1)
	for at := s.from; at+n <= s.to; at += 441 {
		best = math.Min(best, levelOf(x, stretch{at, at + n}))
	}
	return best
}
