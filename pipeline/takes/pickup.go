package takes

import (
	"cmp"
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// What decides about the place of a pickup's passage. Our choice.
const (
	// surePickup is the evidence from which a place is sure, surePlaced that for a place
	// near where the pickup's name says it is.
	surePickup, surePlaced = 28.0, 14.0
	// nearbyS is how far either side of that is looked.
	nearbyS = 30.0
	// pickupLook frames are compared with every place; with the pickupPlaces nearest the
	// whole passage is. The word that was wrong may be the third one.
	pickupLook, pickupPlaces = 60, 24
	// edgeFrames is how much of the beginning and of the end must be the same.
	edgeFrames = 40
	// changedFrames, and no more than changedShare of all, is how much of what stood there
	// need not be said again: a sentence that is built like another says more than that
	// otherwise. newFrames is how much of a passage may be new.
	changedFrames, changedShare, newFrames = 120, 0.25, 250
	// trialFrames of a passage are enough to leave out most places.
	trialFrames = 200
	// phrasesMost is how many phrases one passage may have.
	phrasesMost = 12
)

// passage is where a passage of a pickup goes: it takes the place of runs from up to to.
type passage struct {
	words    line
	from, to int
	evidence float64
	unread   []Stretch
	// first and second are the summed power of the words both have in common.
	first, second float64
	colorDB       []float64
}

// pickUp puts the passages of a pickup into the line. Either all have a sure place or
// none is put in.
func (s *splicer) pickUp(raw int, l line) error {
	whole := speech.Span{}
	if len(l) > 0 {
		whole = speech.Span{From: l[0].From, To: l[len(l)-1].To}
	}
	if len(l) == 0 || l.length(0) < edgeFrames {
		return &PlaceError{raw, whole, NoWords}
	}
	search := newPickupSearch(s.line, s.sources[raw].NearS)
	var found []passage
	ends := phraseEnds(l)
	for at := 0; at < len(l); {
		p, reason := search.longest(l, at, ends)
		if reason != "" {
			return &PlaceError{raw, speech.Span{From: l[at].From, To: l[nextEnd(ends, at)-1].To}, reason}
		}
		found = append(found, p)
		at += len(p.words)
	}
	slices.SortFunc(found, func(a, b passage) int { return cmp.Compare(a.from, b.from) })
	var first, second float64
	for i, p := range found {
		if i > 0 && p.from < found[i-1].to {
			return &PlaceError{raw, speech.Span{From: p.words[0].From, To: p.words[len(p.words)-1].To}, SeveralFit}
		}
		first, second = first+p.first, second+p.second
	}
	gainDB := max(-maxGainDB, min(maxGainDB, 10*math.Log10(first/second)))
	for i := len(found) - 1; i >= 0; i-- {
		p := found[i]
		s.replace(raw, p.words, joined{
			kind: PickedUp, from: p.from, to: p.to, likeness: p.evidence / search.sure, keep: len(p.words),
			gainDB: gainDB, colorDB: p.colorDB, unread: p.unread,
		})
	}
	return nil
}

// phraseEnds returns behind which runs a phrase ends.
func phraseEnds(l line) (ends []int) {
	for i := 1; i < len(l); i++ {
		if l[i].pause >= speech.PhraseGap {
			ends = append(ends, i)
		}
	}
	return append(ends, len(l))
}

// nextEnd returns the first of the ends behind at.
func nextEnd(ends []int, at int) int {
	i, _ := slices.BinarySearch(ends, at+1)
	return ends[i]
}

// pickupSearch looks for the places of passages in a line.
type pickupSearch struct {
	line      line
	powers    []float32
	starts    []start // of the runs
	candidate []bool
	sure      float64
	unrelated float64
}

func newPickupSearch(l line, nearS float64) *pickupSearch {
	s := &pickupSearch{line: l, powers: l.powers(0), sure: surePickup, starts: l.starts(0), unrelated: unrelatedIn(l), candidate: make([]bool, len(l))}
	if nearS >= 0 {
		s.sure = surePlaced
	}
	at := 0
	for i, r := range l {
		if i > 0 {
			at += max(r.pause, 0)
		}
		s.candidate[i] = nearS < 0 || math.Abs(float64(at)/speech.FramesPerSecond-nearS) <= nearbyS
		at += r.Len()
	}
	return s
}

// longest finds the place of the longest passage that begins with run at of the pickup
// and has one. reason tells why none has.
func (s *pickupSearch) longest(l line, at int, ends []int) (passage, string) {
	places := s.openings(l[at:])
	reason := NotThere
	k, _ := slices.BinarySearch(ends, at+1)
	for last := min(len(ends), k+phrasesMost) - 1; last >= k; last-- {
		p, why := s.place(l[at:ends[last]], places)
		if why == "" {
			return p, ""
		}
		if why != NotThere {
			reason = why
		}
	}
	return passage{}, reason
}

// openings returns the runs at which the beginning of a passage may be said.
func (s *pickupSearch) openings(words line) []int {
	type opening struct {
		run      int
		distance float64
	}
	look := words.frames(0, reachOf(trialFrames))
	trial := look[:min(len(look), trialFrames)]
	look = look[:min(len(look), pickupLook)]
	var found []opening
	for i := range s.line {
		if !s.candidate[i] {
			continue
		}
		if m := sameWords(look, s.line.frames(i, reachOf(len(look))), math.Inf(1)); !math.IsInf(m.distance, 1) {
			found = append(found, opening{i, m.distance})
		}
	}
	slices.SortStableFunc(found, func(a, b opening) int { return cmp.Compare(a.distance, b.distance) })
	var out []int
	for _, o := range found[:min(len(found), pickupPlaces)] {
		a := align(s.line.frames(o.run, reachOf(len(trial))), trial, s.unrelated)
		if a.evidence > 0 && a.opens(edgeFrames, 0) {
			out = append(out, o.run)
		}
	}
	return out
}

// place finds the one place among some that a passage fits.
func (s *pickupSearch) place(words line, runs []int) (passage, string) {
	frames := words.frames(0, math.MaxInt)
	var fits []place
	reason := NotThere
	for _, run := range runs {
		p := place{run: run, alignment: align(s.line.frames(run, 2*len(frames)+changedFrames), frames, s.unrelated)}
		if p.evidence >= s.sure && p.opens(edgeFrames, 0) && p.closes(len(frames)) {
			fits = append(fits, p)
		}
	}
	slices.SortStableFunc(fits, func(a, b place) int { return cmp.Compare(b.evidence, a.evidence) })
	for i, p := range fits {
		for _, q := range fits[i+1:] {
			if q.run > p.run && sameWay(&p.alignment, s.starts[p.run].at, &q.alignment, s.starts[q.run].at) &&
				!earns(p.evidence-q.evidence, s.starts[q.run].at-s.starts[p.run].at) {
				p = q
			}
		}
		to, ok := s.line.endOf(p.run, p.first)
		if !ok || !s.changesLittle(p, to) {
			reason = TooUnlike
			continue
		}
		for k, q := range fits {
			if k != i && q.evidence > secondBest*p.evidence && !sameWay(&p.alignment, s.starts[p.run].at, &q.alignment, s.starts[q.run].at) {
				return passage{}, SeveralFit
			}
		}
		return s.passage(words, p, to), ""
	}
	return passage{}, reason
}

// passage describes how a passage goes into its place.
func (s *pickupSearch) passage(words line, p place, to int) passage {
	out := passage{words: words, from: p.run, to: to, evidence: p.evidence, colorDB: p.color(s.line, p.run, words)}
	for _, gap := range p.unread(p.first) {
		out.unread = append(out.unread, s.line.stretch(p.run, gap))
	}
	powers := words.powers(0)
	for i, k := range p.to {
		if k >= 0 {
			out.first += float64(s.powers[s.starts[p.run].at+i])
			out.second += float64(powers[k])
		}
	}
	return out
}

// endOf returns the run behind the one at whose end the nth frame of words from run i on
// lies, if it lies at an end.
func (l line) endOf(i, n int) (to int, ok bool) {
	in, at := l.place(i, n-1)
	switch {
	case l[in].Len()-at <= runSlack:
		return in + 1, true
	case at <= runSlack && in > i:
		return in, true
	}
	return 0, false
}

// closes tells whether the end of the later reading, n frames long, is the end of what
// was matched.
func (a *alignment) closes(n int) bool {
	if n-a.second > endFrames {
		return false
	}
	same := map[int32]bool{}
	for _, to := range a.to {
		if int(to) >= a.second-edgeFrames {
			same[to] = true
		}
	}
	return len(same) >= edgeFrames/2
}

// changesLittle tells whether what a passage would take out, from its place up to run to,
// is said again but for a word or two, and no phrase of it is left out whole.
func (s *pickupSearch) changesLittle(p place, to int) bool {
	changed, both := 0, map[int32]bool{}
	for _, gap := range p.unread(p.first) {
		changed += gap.Len()
	}
	for _, k := range p.to {
		both[k] = true
	}
	if changed > min(changedFrames, int(changedShare*float64(p.first))) || p.second-len(both) > newFrames {
		return false
	}
	from := 0
	for i := p.run; i < to; {
		end := i + 1
		n := s.line[i].Len()
		for end < to && s.line[end].pause < speech.PhraseGap {
			n += s.line[end].Len()
			end++
		}
		missing := 0
		for k := from; k < min(from+n, p.first); k++ {
			if p.to[k] < 0 {
				missing++
			}
		}
		if n >= edgeFrames && float64(missing) > 0.7*float64(n) {
			return false
		}
		from, i = from+n, end
	}
	return true
}
