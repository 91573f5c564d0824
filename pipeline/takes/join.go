package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// What decides about a join. Evidence is what an alignment has gained: 0.25 a frame for
// the same words of a live reader. README.md tells how the numbers were set.
const (
	// sureLately is the evidence from which a place within the last minute of the earlier
	// takes is sure, sureAnywhere that for all other places.
	sureLately, sureAnywhere = 14.0, 28.0
	// leastJoined is the least that a take must say again: two short sentences may begin
	// alike and go on about as long.
	leastJoined = 120
	// secondBest is how near to the best another place may come.
	secondBest = 0.75
	// endFrames is how much of the later reading's end may lie beyond the alignment.
	endFrames = 30
	// tailFrames is the most of a take's end that is given up for the earlier reading.
	tailFrames = 10 * speech.FramesPerSecond
	// runSlack is how far from the end of a run the later reading may end.
	runSlack = 25
)

// joined is how a take goes together with what was read before it.
type joined struct {
	kind     string
	from, to int // the runs of the earlier reading that are dropped
	// keep is how many runs of the take are used: the end of one that stops in the middle
	// of a sentence is not, where the earlier reading says all of it.
	keep     int
	likeness float64
	gainDB   float64
	colorDB  []float64
	unread   []Stretch
}

// join finds out how a take goes together with the line before it. Nothing is dropped
// that the take does not say again.
func join(earlier, take line) joined {
	found, unrelated := places(earlier, take)
	words := take.frames(0, math.MaxInt)
	starts := earlier.starts(0)
	var best joined
	var bestPlace place
	second := 0.0
	for _, p := range found {
		j, ok := judge(earlier, take, words, p, unrelated)
		switch {
		case !ok:
		case best.kind == "":
			best, bestPlace = j, p
		case !sameWay(&bestPlace.alignment, starts[bestPlace.run].at, &p.alignment, starts[p.run].at):
			second = max(second, j.likeness)
		case p.run > bestPlace.run && !earns(bestPlace.evidence-p.evidence, starts[p.run].at-starts[bestPlace.run].at):
			best, bestPlace = j, p
		}
	}
	if best.kind == "" || second > secondBest*best.likeness {
		return joined{kind: Apart, from: len(earlier), to: len(earlier), keep: len(take)}
	}
	return best
}

// judge tells whether a take that says again what stands at a place does so up to the end
// of the earlier reading, or up to its own end.
func judge(earlier, take line, words []frame, p place, unrelated float64) (joined, bool) {
	sure := sureAnywhere
	if earlier.seconds(p.run, len(earlier)) <= backFrames/speech.FramesPerSecond {
		sure = sureLately
	}
	if p.evidence < sure {
		return joined{}, false
	}
	j := joined{kind: ReadAgain, from: p.run, to: len(earlier), keep: len(take), gainDB: p.gainDB(earlier, take), colorDB: p.color(earlier, p.run, take)}
	rest := earlier.frames(p.run, math.MaxInt)
	if len(words)-p.second <= openingFrames && len(rest)-p.first > endFrames {
		// The take ends first. What comes behind it stays, however short.
		to, keep, ok := p.resume(earlier, take)
		if !ok {
			return joined{}, false
		}
		j.kind, j.to, j.keep = Inserted, to, keep
		rest, words = rest[:earlier[:to].length(p.run)], words[:take[:keep].length(0)]
	}
	c, ok := cover(rest, earlier[:j.to].starts(p.run), words, unrelated, toldSlip)
	if !ok || c.evidence < sure || len(rest) < leastJoined {
		return joined{}, false
	}
	j.likeness = c.evidence / sure
	for _, gap := range c.unread {
		j.unread = append(j.unread, earlier.stretch(p.run, gap))
	}
	return j, true
}

// resume finds where the earlier reading goes on behind a take that ends in the middle of
// it: where the take ends, if the earlier reading pauses there, else, since it then ends in
// the middle of a sentence, at the last place at which both pause.
func (p *place) resume(earlier, take line) (to, keep int, ok bool) {
	if to, ok := earlier.endOf(p.run, p.first); ok && earlier.pausesBefore(to) && take.length(0)-p.second <= endFrames {
		return to, len(take), true
	}
	starts := take.starts(0)
	for keep := len(take) - 1; keep > 0 && take.length(keep) <= tailFrames; keep-- {
		if !take.pausesBefore(keep) {
			continue
		}
		i := slices.IndexFunc(p.to, func(to int32) bool { return int(to) >= starts[keep].at })
		if i <= 0 {
			continue
		}
		if to, ok := earlier.endOf(p.run, i); ok && earlier.pausesBefore(to) {
			return to, keep, true
		}
	}
	return 0, 0, false
}

// starts returns where the runs from run i on begin.
func (l line) starts(i int) (starts []start) {
	at := 0
	for _, r := range l[i:] {
		starts = append(starts, start{at, r.pause < 0 || r.pause >= speech.PhraseGap})
		at += r.Len()
	}
	return starts
}

// stretch returns the words from one frame to another, counted from run i on, as a
// stretch of the raw in which they begin.
func (l line) stretch(i int, s speech.Span) Stretch {
	in, at := l.place(i, s.From)
	last, end := l.place(i, s.To-1)
	out := Stretch{Raw: l[in].raw, Span: speech.Span{From: l[in].From + at, To: l[in].To}}
	if l[last].raw == out.Raw {
		out.To = l[last].From + end + 1
	}
	return out
}

// maxGainDB bounds the gain between two takes.
const maxGainDB = 15.0

// gainDB is how much louder the earlier reading says the same words.
func (p *place) gainDB(earlier, take line) float64 {
	first, second := earlier.powers(p.run), take.powers(0)
	var a, b float64
	for i, to := range p.to {
		if to >= 0 {
			a += float64(first[i])
			b += float64(second[to])
		}
	}
	if a <= 0 || b <= 0 {
		return 0
	}
	return max(-maxGainDB, min(maxGainDB, 10*math.Log10(a/b)))
}

// powers returns the power of the frames of words from run i on, each raw with its gain.
func (l line) powers(i int) (out []float32) {
	for _, r := range l[i:] {
		for _, p := range r.voice.m.Features.Power[r.From:r.To] {
			out = append(out, p*float32(r.gain))
		}
	}
	return out
}
