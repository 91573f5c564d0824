package pipeline

import (
	"math"

	"lectern/pipeline/speech"
)

// A reading does not always change its level in a pause: a knob is turned, or the
// reader leans back, in the short gap between two words. So before levels are
// evened, each phrase is looked at in units, the words between two dips, and is
// parted where its level jumps and stays. The rule is that of piecewise constant
// fitting with a price for each jump (Potts): the parting that makes
//
//	sum over units of seconds * (level - level of its part)^2 + sum of prices
//
// smallest. A longer dip makes a jump cheaper, since a reader takes breath before
// a new line; within fluent speech only a jump that lasts is worth its price.

const (
	// dipUnderDB is how far a dip lies under the softer of the words beside it.
	dipUnderDB = 12.0
	// shortDip is the shortest dip at which a phrase may be parted, in frames.
	shortDip = 4
	// dipSide is how far the words beside a dip are looked at, in frames.
	dipSide = 50
	// jumpPrice is the price of a jump within fluent speech, in dB^2 s; a dip of
	// PhraseGap frames costs pausePrice.
	jumpPrice, pausePrice = 24.0, 3.0
)

// unit is a stretch of words with a level of its own.
type unit struct {
	speech.Span
	levelDB float64
	seconds float64 // of it that is loud
	price   float64 // of a jump in front of it
}

// parts divides phrase p where its level jumps. They touch each other: together
// they are p.
func parts(power []float32, p speech.Span) []speech.Span {
	units := unitsOf(power, p)
	n := len(units)
	if n < 2 {
		return []speech.Span{p}
	}
	// best[i] is the smallest cost of the first i units, from[i] where its last
	// part starts.
	best, from := make([]float64, n+1), make([]int, n+1)
	for end := 1; end <= n; end++ {
		best[end] = math.Inf(1)
		var w, sum, squares float64
		for start := end - 1; start >= 0; start-- {
			u := units[start]
			w += u.seconds
			sum += u.seconds * u.levelDB
			squares += u.seconds * u.levelDB * u.levelDB
			cost := best[start] + max(0, squares-sum*sum/w)
			if start > 0 {
				cost += u.price
			}
			if cost < best[end] {
				best[end], from[end] = cost, start
			}
		}
	}
	var out []speech.Span
	for end := n; end > 0; end = from[end] {
		out = append([]speech.Span{{From: units[from[end]].From, To: units[end-1].To}}, out...)
	}
	return out
}

// unitsOf cuts phrase p at its dips.
func unitsOf(power []float32, p speech.Span) []unit {
	level := make([]float64, p.Len())
	for i := range level {
		lo, hi := max(p.From, p.From+i-1), min(p.To, p.From+i+2)
		level[i] = 10 * math.Log10(max(meanPower(power, speech.Span{From: lo, To: hi}), 1e-20))
	}
	var out []unit
	at, price := 0, 0.0
	for i := 0; i < len(level); {
		to := dipAt(power, level, p, i)
		if to-i < shortDip {
			i = max(i+1, to)
			continue
		}
		cut := lowest(level, i, to)
		if cut-at >= shortDip {
			out = append(out, newUnit(power, speech.Span{From: p.From + at, To: p.From + cut}, price))
			share := min(1, float64(to-i)/speech.PhraseGap)
			at, price = cut, jumpPrice+(pausePrice-jumpPrice)*share
		}
		i = to
	}
	return append(out, newUnit(power, speech.Span{From: p.From + at, To: p.To}, price))
}

// dipAt returns where the dip that starts at frame i of the phrase ends; i if none does.
func dipAt(power []float32, level []float64, p speech.Span, i int) int {
	if i == 0 {
		return i
	}
	under := func(k int) bool {
		left := phraseLevelDB(power, speech.Span{From: max(p.From, p.From+i-dipSide), To: p.From + i})
		right := phraseLevelDB(power, speech.Span{From: p.From + k, To: min(p.To, p.From+k+dipSide)})
		return level[k] < min(left, right)-dipUnderDB
	}
	to := i
	for to < len(level)-1 && under(to) {
		to++
	}
	if to == len(level)-1 {
		return i // it is the end of the phrase
	}
	return to
}

func lowest(level []float64, from, to int) int {
	at := from
	for k := from; k < to; k++ {
		if level[k] < level[at] {
			at = k
		}
	}
	return at
}

func newUnit(power []float32, s speech.Span, price float64) unit {
	u := unit{Span: s, levelDB: phraseLevelDB(power, s), price: price}
	loud := math.Pow(10, (u.levelDB-15)/10)
	for _, v := range power[s.From:s.To] {
		if float64(v) >= loud {
			u.seconds += 1.0 / speech.FramesPerSecond
		}
	}
	return u
}
