package takes

import (
	"slices"

	"lectern/pipeline/speech"
)

// unreadFrames is the window over which words are the same or not.
const unreadFrames = 40

// unread returns what of the first n frames is not said again, longer than a closed
// consonant: windows in which the two readings are hardly nearer than unrelated words.
func (a *alignment) unread(n int) (gaps []speech.Span) {
	far := func(i int) float64 {
		if a.to[i] < 0 {
			return unlikeSkipped
		}
		return float64(a.far[i])
	}
	sum := 0.0
	for i := range n {
		sum += far(i)
		if i < unreadFrames-1 {
			continue
		}
		if sum/unreadFrames > a.unlike {
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

// unlikeSkipped is the distance a frame counts with that is not said again at all.
const unlikeSkipped = 1.1

// opens tells whether the alignment follows the words from the beginning, for n frames:
// where it has gaps there, the later reading begins with something else. The later one may
// need so many frames more for them, n at least.
func (a *alignment) opens(n, more int) bool {
	missing, last := 0, int32(0)
	for _, to := range a.to[:min(len(a.to), n)] {
		if to < 0 {
			missing++
		} else {
			last = to
		}
	}
	return missing <= n/5 && a.to[0] >= 0 && int(last) <= n+max(n, more)+startSlack
}

// reach is how far the earlier reading is said again: up to the last of it that is like
// the later one.
func (a *alignment) reach() int {
	if gaps := a.unread(a.first); len(gaps) > 0 && gaps[len(gaps)-1].To >= a.first-unreadFrames/4 {
		return gaps[len(gaps)-1].From
	}
	return a.first
}

// coverage tells how a later reading says again all of an earlier one.
type coverage struct {
	evidence float64
	second   int           // how far the later reading is used
	unread   []speech.Span // of the earlier one: slips, and words that are said otherwise
}

// start is where a run of words begins, in frames of words.
type start struct {
	at int
	// phrase tells that it begins a phrase, too: a pause lies before it.
	phrase bool
}

// cover tells whether a later reading says again everything of an earlier one, which may
// hold several tries: each begins like the later reading and ends with a slip. starts are
// those of the runs of the earlier reading, may is how much a slip may be.
func cover(first []frame, starts []start, second []frame, unrelated float64, may slip) (c coverage, ok bool) {
	for at := 0; ; {
		a := align(first[at:], second, unrelated)
		if a.evidence <= 0 || !a.opens(min(openingFrames, len(first)-at), may.anew) {
			return c, false
		}
		reach := at + a.reach()
		var forgiven []speech.Span
		for _, gap := range a.unread(reach - at) {
			if lately(forgiven, gap.From)+gap.Len() <= may.otherwise {
				forgiven = append(forgiven, gap)
			} else if !a.said(first[at:], second, gap, unrelated) {
				return c, false
			}
			c.unread = append(c.unread, speech.Span{From: at + gap.From, To: at + gap.To})
		}
		c.evidence, c.second = c.evidence+a.evidence, max(c.second, a.second)
		end := len(first)
		if end-reach > may.at(at, reach, end, starts) {
			i := slices.IndexFunc(starts, func(s start) bool {
				return s.at > at && s.at >= reach-runSlack && s.at-reach <= may.at(at, reach, s.at, starts)
			})
			if i < 0 {
				return c, false
			}
			end = starts[i].at
		}
		if end > reach {
			c.unread = append(c.unread, speech.Span{From: reach, To: end})
		}
		if a.evidence < leastGain*float64(end-at) {
			return c, false
		}
		if at = end; at >= len(first) {
			return c, true
		}
		if len(first)-at <= falseStart { // a word of one more try
			c.unread = append(c.unread, speech.Span{From: at, To: len(first)})
			return c, true
		}
	}
}

// sentenceFrames is about as long as a sentence. Our choice.
const sentenceFrames = 5 * speech.FramesPerSecond

// lately is how much lies in spans within the sentence before a frame.
func lately(spans []speech.Span, at int) (n int) {
	for _, s := range spans {
		if s.From > at-sentenceFrames {
			n += s.Len()
		}
	}
	return n
}

// leastGain is the evidence a frame that each try needs. Live readers reach 0.14 to 0.3
// where they say the same, and unrelated words 0.05. Our choice.
const leastGain = 0.12

// earns tells whether the words before a place belong to it: they must bring the evidence
// of the same words, or they are something else that is a little alike.
func earns(evidence float64, frames int) bool { return evidence >= leastGain*float64(frames) }

// slip is how much of a try need not be said again. Of its end so many frames, and no more
// than a share of what is said again; a smaller share if that is less than short, since
// two sentences may begin with the same two words. In its middle otherwise frames in all of
// a sentence, where a word is said otherwise. And the opening of the later
// reading may hold anew frames of one more try that breaks off.
type slip struct {
	frames    int
	share     float64
	short     int
	smaller   float64 // share
	otherwise int
	anew      int
}

// Our choice: a mark says that the reader slipped just there, a take that something was
// read again, so the slip itself may be long; where nothing says so, it must be short.
var (
	markedSlip = slip{frames: 120, share: 1, otherwise: 60, anew: 240}
	toldSlip   = slip{frames: 120, share: 0.8, short: 120, smaller: 0.2, otherwise: 60}
	untoldSlip = slip{frames: 80, share: 0.6, short: 100, smaller: 0.3, otherwise: 60, anew: 240}
)

// falseStart is the most that may be left out behind a pause, in frames.
const falseStart = 50

// at returns how much of a try that begins at a frame, is said again up to reach and ends
// at end may be its slip.
func (s slip) at(from, reach, end int, starts []start) int {
	most := s.frames
	if slices.ContainsFunc(starts, func(x start) bool { return x.phrase && x.at >= reach-runSlack && x.at < end }) {
		most = min(most, falseStart)
	}
	share := s.share
	if reach-from < s.short {
		share = s.smaller
	}
	return min(most, int(share*float64(reach-from)))
}

// said tells whether a stretch that the alignment leaves out is said by the later reading
// all the same, right before or after: a slip that was begun again.
func (a *alignment) said(first, second []frame, gap speech.Span, unrelated float64) bool {
	const step = 10 // frames
	at := 0
	for i := gap.From; i >= 0; i-- {
		if a.to[i] >= 0 {
			at = int(a.to[i])
			break
		}
	}
	words := first[gap.From:gap.To]
	reach := reachOf(len(words))
	for from := max(0, at-reach); from <= at+step && from < len(second); from += step {
		b := align(words, second[from:min(len(second), from+reach)], unrelated)
		if len(words)-b.reach() <= openingFrames/2 && b.evidence > sureMarked && len(b.unread(b.first)) == 0 {
			return true
		}
	}
	return false
}
