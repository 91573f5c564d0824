package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// A reading does not always change its level in a pause: a knob is turned, or the
// reader leans back, in the short gap between two words. So before levels are
// evened, each phrase is looked at in units, the words between two dips, and is
// parted where its level jumps and stays. The rule is that of piecewise constant
// fitting with a price for each jump (Potts): the parting that makes
//
//	sum over units of seconds * min(level - level of its part, strayDB)^2 + sum of prices
//
// smallest. A longer dip makes a jump cheaper, since a reader takes breath before
// a new line; within fluent speech only a jump that lasts is worth its price.

const (
	// syllable is the shortest unit, in frames.
	syllable = 12
	// shallowDB is how far a dip lies under the loudest frames within dipSide on
	// either side; its width is measured dipUnderDB under them.
	shallowDB, dipUnderDB = 4.0, 15.0
	dipSide               = 30
	// jumpPrice is the price of a jump within fluent speech, in dB^2 s; a dip of
	// PhraseGap frames costs pausePrice.
	jumpPrice, pausePrice = 18.0, 3.0
	// linePrice is the price up to which a jump starts a line of its own: at a dip
	// nearly as long as the pause that parts two phrases.
	linePrice = pausePrice + 1
	// minJumpDB is the smallest jump within a line that is put right; over heardSide
	// frames on either side the plain level must jump by minHeardDB.
	minJumpDB, minHeardDB = 4.0, 3.0
	heardSide             = 150
	// strayDB is how far a unit can lie from its part's level and still cost more: a
	// swallowed word end far under the rest is no reason to part.
	strayDB = 6.0
	gridDB  = 0.5
	// vowelShare is the share of vowels from which a unit is words. Without it a
	// breath is breathUnderDB softer than the words beside it; what is roomUnderDB
	// softer is the room.
	vowelShare                 = 0.55
	breathUnderDB, roomUnderDB = 8.0, 20.0
)

// unit is a stretch of words with a level of its own.
type unit struct {
	speech.Span
	levelDB float64
	seconds float64 // of it that is loud
	price   float64 // of a jump in front of it
}

// part is a stretch of a phrase with one level.
type part struct {
	speech.Span
	// line tells that a new line of speech starts with it: a phrase does, and so does
	// what follows a breath.
	line bool
	// jumpDB is how much louder the line is here than in its first part.
	jumpDB float64
}

// parts divides phrase p where its level jumps. They touch each other: together
// they are p.
func parts(t *timeline, p speech.Span) []part {
	units := joinBreaths(unitsOf(t.power, p), t)
	if len(units) < 2 {
		return []part{{Span: p, line: true}}
	}
	// The levels a part can have are a grid; after unit i, cost[c] is the smallest
	// price of all units so far if the last part has level c.
	low, high := math.Inf(1), math.Inf(-1)
	for _, u := range units {
		low, high = min(low, u.levelDB), max(high, u.levelDB)
	}
	cost := make([]float64, 1+int((high-low)/gridDB))
	jumped := make([][]int, len(units)) // for each level, that of the unit before
	for i, u := range units {
		jumped[i] = make([]int, len(cost))
		best := 0
		for c := range cost {
			if cost[c] < cost[best] {
				best = c
			}
		}
		jump := cost[best] + u.price
		for c := range cost {
			jumped[i][c] = c
			if jump < cost[c] {
				cost[c], jumped[i][c] = jump, best
			}
			away := u.levelDB - low - float64(c)*gridDB
			cost[c] += u.seconds * min(away*away, strayDB*strayDB)
		}
	}
	c := 0
	for k := range cost {
		if cost[k] < cost[c] {
			c = k
		}
	}
	var found []stretchOf
	end := len(units)
	for i := len(units) - 1; i >= 0; i-- {
		if before := jumped[i][c]; before != c || i == 0 {
			found = append(found, stretchOf{units[i:end], float64(c) * gridDB})
			end, c = i, before
		}
	}
	slices.Reverse(found)
	return told(t.power, found, p)
}

// stretchOf is the units of one part and the level that was fitted to them.
type stretchOf struct {
	units    []unit
	fittedDB float64
}

func (s stretchOf) span() speech.Span {
	return speech.Span{From: s.units[0].From, To: s.units[len(s.units)-1].To}
}

// told turns what was fitted into parts. Within a line a jump must be heard by more
// than one measure: its size is the middle one of the fitted levels', of the plain
// levels', and of the mean levels' of the syllables. One smaller than minJumpDB, or
// hardly heard in the plain level beside it, is the reader's own way of speaking.
func told(power []float32, found []stretchOf, p speech.Span) []part {
	var out []part
	for i, f := range found {
		span := f.span()
		if i == 0 || f.units[0].price <= linePrice {
			out = append(out, part{Span: span, line: true})
			continue
		}
		before := found[i-1]
		sizes := []float64{
			f.fittedDB - before.fittedDB,
			phraseLevelDB(power, span) - phraseLevelDB(power, before.span()),
			meanLevelDB(f.units) - meanLevelDB(before.units),
		}
		slices.Sort(sizes)
		heard := plainDB(power, span.From, min(len(power), span.From+heardSide)) - plainDB(power, max(0, span.From-heardSide), span.From)
		last := &out[len(out)-1]
		if jump := sizes[1]; math.Abs(jump) >= minJumpDB && jump*heard > 0 && math.Abs(heard) >= minHeardDB {
			out = append(out, part{Span: span, jumpDB: last.jumpDB + jump})
		} else {
			last.To = span.To
		}
	}
	out[0].From, out[len(out)-1].To = p.From, p.To
	return out
}

// plainDB is the plain RMS level of some frames.
func plainDB(power []float32, from, to int) float64 {
	return 10 * math.Log10(max(meanPower(power, speech.Span{From: from, To: to}), 1e-20))
}

// meanLevelDB is the mean of the units' levels in dB, by their length.
func meanLevelDB(units []unit) float64 {
	var sum, seconds float64
	for _, u := range units {
		sum += u.levelDB * u.seconds
		seconds += u.seconds
	}
	return sum / seconds
}

// partLevels is the level of each part: that of its line, as it would be without its
// jumps, and the jump on top. Within a line the words keep their shape; only what
// jumped is put right.
func partLevels(power []float32, all []part) []float64 {
	out := make([]float64, len(all))
	var scratch []float32
	for i := 0; i < len(all); {
		n := i + 1
		for n < len(all) && !all[n].line {
			n++
		}
		scratch = scratch[:0]
		for _, p := range all[i:n] {
			undo := float32(math.Pow(10, -p.jumpDB/10))
			for _, v := range power[p.From:p.To] {
				scratch = append(scratch, v*undo)
			}
		}
		level := phraseLevelDB(scratch, speech.Span{To: len(scratch)})
		for ; i < n; i++ {
			out[i] = level + all[i].jumpDB
		}
	}
	return out
}

// joinBreaths joins units that are no words to those they belong to: an s that ends a
// word to those before, a breath to those it is drawn for, whichever stands
// nearer. It would be lifted to the level of words if it had a part of its own. A
// phrase without any vowel is whispered and stays as it is.
func joinBreaths(units []unit, t *timeline) []unit {
	var out []unit
	var breath *unit // not yet joined
	for i, u := range units {
		if breath != nil && len(out) > 0 && u.price < breath.price {
			out[len(out)-1].To, u.price, breath = breath.To, min(u.price, priceOf(breath.Len())), nil
		}
		if t.breathes(out, u, units[i+1:]) {
			if breath == nil {
				breath = &unit{Span: u.Span, price: u.price}
			}
			breath.To = u.To
			continue
		}
		if breath != nil {
			u.From, u.price = breath.From, min(breath.price, priceOf(breath.Len()))
			breath = nil
		}
		out = append(out, u)
	}
	if len(out) == 0 {
		return units
	}
	if breath != nil {
		out[len(out)-1].To = units[len(units)-1].To
	}
	return out
}

// breathes tells whether u is no word: softer than the words before and after it
// and without a vowel of its own, or so much softer that it is but the room.
func (t *timeline) breathes(before []unit, u unit, after []unit) bool {
	under := math.Inf(1)
	for _, side := range [][]unit{before[max(0, len(before)-3):], after[:min(len(after), 3)]} {
		loudest := math.Inf(-1)
		for _, v := range side {
			loudest = max(loudest, v.levelDB)
		}
		if len(side) > 0 {
			under = min(under, loudest-u.levelDB)
		}
	}
	return under >= roomUnderDB ||
		under >= breathUnderDB && float64(t.vowels(u)) < vowelShare*u.seconds*speech.FramesPerSecond
}

// vowels counts the vowel frames of the loud part of u.
func (t *timeline) vowels(u unit) int {
	loud := u.loudFrom()
	n := 0
	for k := u.From; k < u.To; k++ {
		if t.voiced[k] && float64(t.power[k]) >= loud {
			n++
		}
	}
	return n
}

// loudFrom is the power from which a frame of u counts as loud, as in phraseLevelDB.
func (u unit) loudFrom() float64 { return math.Pow(10, (u.levelDB-loudMarginDB)/10) }

// unitsOf cuts phrase p at the softest frame of each dip, between two syllables.
func unitsOf(power []float32, p speech.Span) []unit {
	level := make([]float64, p.Len())
	for i := range level {
		lo, hi := max(p.From, p.From+i-1), min(p.To, p.From+i+2)
		level[i] = plainDB(power, lo, hi)
	}
	var out []unit
	at, price := 0, 0.0
	for i := range level {
		if i-at < syllable || len(level)-i < syllable || lowest(level, i) != i {
			continue
		}
		left := slices.Max(level[max(at, i-dipSide):i])
		right := slices.Max(level[i:min(len(level), i+dipSide)])
		if under := min(left, right) - level[i]; under < shallowDB {
			continue
		}
		out = append(out, newUnit(power, speech.Span{From: p.From + at, To: p.From + i}, price))
		at, price = i, priceOf(width(level, i, min(left, right)-dipUnderDB))
	}
	return append(out, newUnit(power, speech.Span{From: p.From + at, To: p.To}, price))
}

// lowest is the softest frame within half a syllable of frame i.
func lowest(level []float64, i int) int {
	at := max(0, i-syllable/2)
	for k := at; k < min(len(level), i+syllable/2+1); k++ {
		if level[k] < level[at] {
			at = k
		}
	}
	return at
}

// width is how many frames around i are under a level.
func width(level []float64, i int, under float64) int {
	from, to := i, i
	for from > 0 && level[from-1] < under {
		from--
	}
	for to < len(level) && level[to] < under {
		to++
	}
	return to - from
}

// priceOf is the price of a jump at a dip some frames wide.
func priceOf(frames int) float64 {
	return jumpPrice + (pausePrice-jumpPrice)*min(1, float64(frames)/speech.PhraseGap)
}

func newUnit(power []float32, s speech.Span, price float64) unit {
	u := unit{Span: s, levelDB: phraseLevelDB(power, s), price: price}
	loud := u.loudFrom()
	for _, v := range power[s.From:s.To] {
		if float64(v) >= loud {
			u.seconds += 1.0 / speech.FramesPerSecond
		}
	}
	return u
}
