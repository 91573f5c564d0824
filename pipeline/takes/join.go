package takes

import (
	"math"

	"lectern/pipeline/speech"
)

// What decides about a join. Evidence is what an alignment has gained: 0.25 a frame for
// the same words of a live reader. README.md tells how the numbers were set.
const (
	// sureLately is the evidence from which a place within the last minute of the earlier
	// takes is sure, sureAnywhere that for all other places.
	sureLately, sureAnywhere = 14.0, 28.0
	// secondBest is how near to the best another place may come.
	secondBest = 0.75
	// slipFrames is how much of what is dropped need not be said again: where she
	// slipped, at the very end.
	slipFrames = 80
	// gapFrames is how much elsewhere.
	gapFrames = 60
	// endFrames is how much of the later reading's end may lie beyond the alignment.
	endFrames = 30
	// runSlack is how far from the end of a run the later reading may end.
	runSlack = 25
)

// joined is how a take goes together with what was read before it.
type joined struct {
	kind     string
	from, to int // the runs of the earlier reading that are dropped
	likeness float64
	gainDB   float64
	unread   []Stretch
}

// join finds out how a take goes together with the line before it. Nothing is dropped
// that the take does not say again.
func join(earlier, take line) joined {
	found, unrelated := places(earlier, take)
	words := take.frames(0, math.MaxInt)
	var best joined
	second := 0.0
	for _, p := range found {
		j, ok := judge(earlier, take, words, p, unrelated)
		if !ok {
			continue
		}
		if best.kind == "" {
			best = j
		} else {
			second = max(second, j.likeness)
		}
	}
	if best.kind == "" || second > secondBest*best.likeness {
		return joined{kind: Apart, from: len(earlier), to: len(earlier)}
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
	if p.evidence < sure || !p.opens() {
		return joined{}, false
	}
	j := joined{kind: ReadAgain, from: p.run, to: len(earlier), likeness: p.evidence / sure}
	rest := earlier.length(p.run)
	// What of the earlier reading is not said again, beside the slip at its end.
	upTo := rest
	if rest-p.first > slipFrames {
		if len(words)-p.second > endFrames {
			return joined{}, false
		}
		// The take ends first: it must end where a run does.
		in, at := earlier.place(p.run, p.first-1)
		switch {
		case earlier[in].Len()-at <= runSlack:
			j.to = in + 1
		case at <= runSlack && in > p.run:
			j.to = in
		default:
			return joined{}, false
		}
		j.kind = Inserted
		upTo = p.first
	}
	for _, gap := range p.unread(min(upTo, p.first), unrelated) {
		if gap.Len() > gapFrames && !p.saidNearby(earlier, take, gap, unrelated) {
			return joined{}, false
		}
		j.unread = append(j.unread, earlier.stretch(p.run, gap))
	}
	if j.kind == ReadAgain && p.first < rest {
		j.unread = append(j.unread, earlier.stretch(p.run, speech.Span{From: p.first, To: rest}))
	}
	j.gainDB = p.gainDB(earlier, take)
	return j, true
}

// opens tells whether the alignment follows the words from the beginning: where it has
// gaps there, the take begins with something else.
func (p *place) opens() bool {
	missing := 0
	for _, to := range p.to[:min(len(p.to), slipFrames)] {
		if to < 0 {
			missing++
		}
	}
	return missing <= slipFrames/5 && p.to[0] >= 0
}

// unreadFrames is the window over which words are the same or not.
const unreadFrames = 40

// unread returns what of the first n frames is not said again: windows in which the two
// readings are hardly nearer than unrelated words.
func (a *alignment) unread(n int, unrelated float64) (gaps []speech.Span) {
	far := func(i int) float64 {
		if a.to[i] < 0 {
			return 1.15 * unrelated
		}
		return float64(a.far[i])
	}
	sum := 0.0
	for i := range n {
		sum += far(i)
		if i < unreadFrames-1 {
			continue
		}
		if sum/unreadFrames > 0.95*unrelated {
			// The middle half of the window: its edges belong to words that are read.
			s := speech.Span{From: i + 1 - unreadFrames*3/4, To: i + 1 - unreadFrames/4}
			if k := len(gaps); k > 0 && gaps[k-1].To >= s.From {
				gaps[k-1].To = s.To
			} else {
				gaps = append(gaps, s)
			}
		}
		sum -= far(i + 1 - unreadFrames)
	}
	return gaps
}

// saidNearby tells whether a stretch that the alignment leaves out is said in the take
// all the same, a few seconds before or after: an earlier slip that was begun again.
func (p *place) saidNearby(earlier, take line, gap speech.Span, unrelated float64) bool {
	const nearby = 10 * speech.FramesPerSecond
	first := earlier.frames(p.run, gap.To)[gap.From:]
	at := 0
	for i := gap.From; i >= 0; i-- {
		if p.to[i] >= 0 {
			at = int(p.to[i])
			break
		}
	}
	from := 0
	for i := range take {
		if from >= at-nearby && from <= at+nearby {
			a := align(first, take.frames(i, reachOf(len(first))), unrelated)
			if len(first)-a.first <= slipFrames && len(a.unread(a.first, unrelated)) == 0 && a.evidence > sureLately/2 {
				return true
			}
		}
		from += take[i].Len()
	}
	return false
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
