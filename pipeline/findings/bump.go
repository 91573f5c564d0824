package findings

import (
	"math"

	"lectern/pipeline/speech"
)

// Bump is a short sound in a pause: a click of the mouse or the lips, or a thump
// at the table or the stand.
type Bump struct {
	FromS, UntilS float64
	Thump         bool
	RaisedDBFS    float64 // its peak in the finished file
}

// The numbers below are our choice.
const (
	// bumpDBFS is the peak in the finished file from which it is told. A careful
	// listener minds a click from -40 on, 20 dB under the reading's RMS; it is read 3
	// dB lower for what the filters take.
	bumpDBFS = -43.0
	// clickOverDB is how far a click stands over the room from 800 Hz up, and
	// thumpOverDB a thump between 80 and 800 Hz.
	clickOverDB, thumpOverDB = 14.0, 13.0
	// A click is over within clickFrames, a thump within thumpFrames: breaths and
	// words last longer.
	clickFrames, thumpFrames = 6, 40
	// suddenDB is how much a sound rises within clickRise or thumpRise frames; a
	// breath swells. The spectrum's window of 23 ms is part of it.
	suddenDB             = 12.0
	clickRise, thumpRise = 2, 4
	// thumpCrestDB is the most by which the peak of a thump stands over the level of its
	// band in a frame. A louder peak in the frame is something else.
	thumpCrestDB = 9.0
	// aroundFrames is how far about a sound what it stands out of is looked at.
	aroundFrames = 20
	// A sound that comes within afterWord of a word is its last t or k, released
	// late, and one within beforeWord the beginning of the next.
	afterWord, beforeWord = 16, 6
	// A voice that is heard within murmurBefore of a word and keeps within heldDB of its top for
	// murmurFrames is the word's first consonant, a b or d before the lips open. A thump dies away
	// sooner: in tune too, and down to 90 Hz, within 4 frames.
	murmurBefore, murmurFrames = 25, 5
	heldDB                     = 3.0
	// bumpGap merges what belongs together: a click has two parts, press and release.
	bumpGap = 30
)

// bumps looks through all pauses.
func (c *conclusion) bumps() []Bump {
	f := c.m.Features
	var out []Bump
	var l pauseLevels
	for _, p := range c.m.Pauses {
		in := speech.Span{From: p.From + afterWord, To: p.To - beforeWord}
		if p.From == 0 {
			in.From = 0
		}
		if p.To == f.Len() {
			in.To = f.Len()
		}
		if in.Len() < beforeWord {
			continue
		}
		l.fill(f, in)
		out = append(out, c.bumpsIn(&l)...)
	}
	return merge(out)
}

// pauseLevels are the levels in a pause above and below 800 Hz, in dB, and in the frames next
// to it where there are any.
type pauseLevels struct {
	first     int         // the frame of high[0] and low[0]
	in        speech.Span // the pause, counted from first
	high, low []float64
}

func (l *pauseLevels) fill(f *speech.Features, in speech.Span) {
	l.first = max(0, in.From-1)
	l.in = speech.Span{From: in.From - l.first, To: in.To - l.first}
	l.high, l.low = l.high[:0], l.low[:0]
	for i := l.first; i < min(f.Len(), in.To+1); i++ {
		l.high = append(l.high, decibels(powerOf(f.BandDB(2, i))+powerOf(f.BandDB(3, i))+powerOf(f.BandDB(4, i))))
		l.low = append(l.low, decibels(powerOf(f.BandDB(0, i))+powerOf(f.BandDB(1, i))))
	}
}

func (c *conclusion) bumpsIn(l *pauseLevels) []Bump {
	highRoom, lowRoom := roomBeside(l.in, l.high), roomBeside(l.in, l.low)
	var out []Bump
	for i := l.in.From; i < l.in.To; i++ {
		switch {
		case sudden(l.high, i, l.in, highRoom+clickOverDB, clickRise, clickFrames):
			out = c.addBump(out, l, i, false)
		case sudden(l.low, i, l.in, lowRoom+thumpOverDB, thumpRise, thumpFrames) && l.high[i] < highRoom+clickOverDB && !c.murmurs(l, i):
			out = c.addBump(out, l, i, true)
		}
	}
	return out
}

// roomBeside is the level of the softer half of a pause: a breath may fill the rest.
func roomBeside(in speech.Span, level []float64) float64 {
	return quantile(append([]float64(nil), level[in.From:in.To]...), 0.25)
}

// sudden tells whether a short sound has its top at frame i: over the given level,
// risen from far lower, and gone again soon.
func sudden(level []float64, i int, in speech.Span, over float64, rise, frames int) bool {
	if level[i] < over || i > 0 && level[i-1] > level[i] || i+1 < len(level) && level[i+1] >= level[i] {
		return false
	}
	under := func(from, to int) bool {
		for k := max(in.From, from); k < min(in.To, to); k++ {
			if level[k] <= level[i]-suddenDB {
				return true
			}
		}
		return false
	}
	if !under(i-rise, i) || !under(i+1, i+1+frames) {
		return false
	}
	// Out of a breath it must stand as far as out of the room.
	around := append([]float64(nil), level[max(in.From, i-aroundFrames):min(in.To, i+aroundFrames+1)]...)
	return level[i] >= median(around)+suddenDB
}

// murmurs tells whether the sound around frame i is the voice of a word about to begin.
func (c *conclusion) murmurs(l *pauseLevels, i int) bool {
	f := c.m.Features
	if l.first+l.in.To == f.Len() || l.in.To+beforeWord-i > murmurBefore || !f.Voiced(l.first+i) {
		return false
	}
	from, to := i, i+1
	for from > l.in.From && l.low[from-1] > l.low[i]-heldDB {
		from--
	}
	for to < l.in.To && l.low[to] > l.low[i]-heldDB {
		to++
	}
	return to-from >= murmurFrames
}

// addBump adds the sound around frame i if it is loud enough to mind.
func (c *conclusion) addBump(out []Bump, l *pauseLevels, i int, thump bool) []Bump {
	level, rise, frames := l.high, clickRise, clickFrames
	if thump {
		level, rise, frames = l.low, thumpRise, thumpFrames
	}
	from, to := i, i+1
	for from > l.in.From && i-from < rise && level[from-1] > level[i]-suddenDB {
		from--
	}
	for to < l.in.To && to-i < frames && level[to] > level[i]-suddenDB {
		to++
	}
	// The spectrum's window sees a click from the neighboring frames too.
	raised := c.peaks.dbfs(l.first+max(l.in.From, from-1), l.first+min(l.in.To, to+1)) + c.raise
	if thump {
		var peak float32
		for _, v := range c.m.Features.Peak[l.first+from : l.first+to] {
			peak = max(peak, v)
		}
		raised = min(20*math.Log10(max(float64(peak), 1e-10)), level[i]+thumpCrestDB) + c.raise
	}
	if raised < bumpDBFS {
		return out
	}
	return append(out, Bump{seconds(l.first + from), seconds(l.first + to), thump, raised})
}

// merge joins bumps that follow each other closely; the louder gives the kind.
func merge(bumps []Bump) []Bump {
	var out []Bump
	for _, b := range bumps {
		if n := len(out); n > 0 && b.FromS-out[n-1].UntilS < float64(bumpGap)/speech.FramesPerSecond {
			last := &out[n-1]
			last.UntilS = max(last.UntilS, b.UntilS)
			if b.RaisedDBFS > last.RaisedDBFS {
				last.Thump, last.RaisedDBFS = b.Thump, b.RaisedDBFS
			}
			continue
		}
		out = append(out, b)
	}
	return out
}
