package takes

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// The rules of a mark. Lengths and distances are the design's, the rest is our choice,
// set on recorded claps, snaps, taps and mouse clicks.
const (
	// overRoomDB is how far over the room a sound of a mark must be heard. The design asks
	// for 12 dB; what is heard is sound and room together, and in a dull tap's own band the
	// room adds to it or takes from it up to 2 dB.
	overRoomDB = 10.0
	// suddenDB is how far a sound must stand over the 44 ms before it to be kept.
	suddenDB = 7.0
	// closest and farthest are how far apart the sounds of a mark lie: 0.15 to 0.8 s, less
	// and more 10 ms, since an onset is found no more exactly than that.
	closest, farthest = 0.14 * hopsPerSecond, 0.81 * hopsPerSecond
	// mostRingMS is how long a sound would last at the level of its loudest 10 ms. Of a sound that dies away evenly, 36 ms are one that falls by
	// 10 dB in 71 ms: what is over the 60 ms of the design is the
	// echo of the room.
	mostRingMS = 36.0
	// brightDB is from which share of its power above 1.5 kHz a sound is listened to
	// there, where a room is quiet. A sound with less than dullDB is a thump: a chair, a
	// foot, a bump at the stand.
	brightDB, dullDB = -6.0, -25.0
	// dryDB and shortDB are the power of a sound after its first 4.4 ms, against that in
	// them. A sound that falls by 10 dB in 8 ms has -4 dB, in 4 ms -11 dB, in 2 ms -22 dB.
	// A dry sound is a click and never a mark. A short one, unless it rings for shortRingMS
	// after all, as the fingers of a hand that fall one by one, may be a snap or a click: a
	// row that is short on average, and no farther apart than doubleClick, is no mark.
	dryDB, shortDB, shortRingMS = -18.0, -7.0, 18.0
	// doubleClick is the most by which two presses of a double-click lie apart: 0.26 s.
	doubleClick = 0.26 * hopsPerSecond
	// Beside a mark there is room, no more than besideRoomDB over it, or the sound's own
	// echo. quietDB is how far that lies under the sound where it must have died away,
	// tailDB where it still may ring: from 89 to 111 ms behind its beginning, and before a
	// second sound.
	besideRoomDB, quietDB, tailDB = 6.0, 25.0, 13.0
	// goneFrames is when a sound has died away, 0.14 s, and aloneFrames how far from a word
	// a mark lies: 0.1 s behind one; 0.2 s before one, counted from its last sound on.
	goneFrames, aloneFrames = 14, 10
	// likeDB is how much louder one sound of a mark is than another: the design's 6 dB, and
	// 2 dB for what the room does to them. likeBrightDB is the same for their brightness.
	likeDB, likeBrightDB = 8.0, 12.0
	// otherRingMS is the most that a sound rings which is no breath and no word: several
	// knocks on each other's heels come to that. Such a one within 0.8 s of a row, and not
	// likeDB softer, says that things fall down or somebody types.
	otherRingMS = 70.0
	// wordHops is how soon behind a mark a word may follow: 0.2 s. A consonant that is
	// parted from its vowel as a knock is, and as loud as the mark, comes no sooner than
	// knockHops.
	wordHops, knockHops = 0.2 * hopsPerSecond, 0.3 * hopsPerSecond
	// mostSounds and even bound a row of more than two: somebody who claps three or four
	// times does so evenly, within a factor of two; a row without end is a clock or steps.
	mostSounds, even = 4, 2.0
)

// Marks ends the stream and returns the marks in it, in order. m is the map of the same
// stream. A mark is a row of two to four sudden sounds of one kind with nothing but room
// between them, 0.15 to 0.8 s apart, each shorter than 60 ms and 12 dB over the room or
// more. The level of a sound is the mean square of its loudest 10 ms; that of the room the
// median of the mean squares of the frames within 1 s of it that hold room alone: no word,
// nothing within 50 ms of one, no sound. Its length is the time in which it falls by 10 dB.
//
// The two presses of a double-click of a mouse are no mark: their releases are
// heard beside them, or they ring no longer than 5 ms and lie at most 0.26 s apart. Nor are
// sounds that come ever faster, as of something dropped, or without end, as of a clock:
// nothing else that knocks is heard within 0.8 s of a mark.
//
// A loud mark may have been taken for a word: see speech.Map.Without.
func (l *MarkListener) Marks(m *speech.Map) []Mark {
	l.Add(make([]float32, (apartHops+loudHops+ringHops+1)*hopSamples))
	f := newFinding(m)
	for _, s := range l.sounds {
		f.hear(s)
	}
	var out []Mark
	for i := 0; i < len(f.knocks); i++ {
		row, last := f.row(i)
		if f.isMark(row) {
			out = append(out, f.mark(row))
		} else if len(row) > 1 && f.endsWord(row[0], row[1]) {
			continue // the row may begin behind it
		}
		i = last
	}
	return out
}

// finding is the work of Marks.
type finding struct {
	m      *speech.Map
	words  []bool // frames of phrases
	clean  []bool // frames that hold room alone
	knocks []heard
	room   []float32
}

// heard is a sudden sound over the room, no longer than a knock.
type heard struct {
	sound
	room     float64 // the mean square of the room around it
	overDB   float64 // how far it stands over the room
	ring     float64 // its ringMS
	sharp    bool    // it may be part of a mark
	inPhrase bool    // the map took it for a part of a word, rightly or wrongly
}

func newFinding(m *speech.Map) *finding {
	const beside = 5 // 50 ms: words still die away (design figure)
	n := m.Features.Len()
	f := &finding{m: m, words: make([]bool, n), clean: make([]bool, n)}
	set := func(marks []bool, from, to int, as bool) {
		for i := max(0, from); i < min(n, to); i++ {
			marks[i] = as
		}
	}
	set(f.clean, 0, n, true)
	for _, p := range m.Phrases {
		set(f.words, p.From, p.To, true)
		set(f.clean, p.From-beside, p.To+beside, false)
	}
	for _, s := range m.Sounds {
		set(f.clean, s.From, s.To, false)
	}
	return f
}

// roomAt returns the power of the room around a frame: of the clean frames within a
// second, or farther off if those are fewer than a tenth of a second.
func (f *finding) roomAt(frame int) float64 {
	for _, reach := range []int{1, 10, 1000} {
		f.room = f.room[:0]
		reach *= speech.FramesPerSecond
		for i := max(0, frame-reach); i < min(len(f.clean), frame+reach); i++ {
			if f.clean[i] {
				f.room = append(f.room, f.m.Features.Power[i])
			}
		}
		if len(f.room) >= speech.FramesPerSecond/10 {
			slices.Sort(f.room)
			return float64(f.room[len(f.room)/2])
		}
	}
	return ratio(f.m.NoiseDB)
}

// hear keeps a sound that is loud enough and no breath and no word.
func (f *finding) hear(s sound) {
	frame := s.hop / hopsPerFrame
	if frame >= f.m.Features.Len() || s.bright() < dullDB {
		return
	}
	h := heard{sound: s, room: max(f.roomAt(frame), leastPower), inPhrase: f.words[frame]}
	h.overDB = decibels(float64(s.loud[all]) / h.room)
	h.ring = s.ringMS(h.room)
	h.sharp = h.ring <= mostRingMS && h.quiet(float64(s.after), tailDB)
	if h.overDB >= overRoomDB && h.ring <= otherRingMS {
		f.knocks = append(f.knocks, h)
	}
}

// quiet tells whether a power beside the sound is the room, or so far under the sound.
func (h *heard) quiet(power, underDB float64) bool {
	return power <= max(ratio(besideRoomDB)*h.room, ratio(-underDB)*float64(h.loud[all]))
}

// row returns the sounds like sound i that follow it and each other closely enough for a
// mark, with nothing but room between them, and the place of the last. Dry clicks are
// left out, and what is much softer.
func (f *finding) row(i int) (row []heard, last int) {
	first := f.knocks[i]
	if !first.sharp || first.dies < dryDB || !first.quiet(float64(first.before[all]), quietDB) {
		return nil, i
	}
	row, last = []heard{first}, i
	for j, h := range f.knocks[i+1:] {
		end := row[len(row)-1]
		if h.hop-end.hop > farthest {
			break
		}
		if h.sharp && h.dies >= dryDB && alike(row, h) && f.roomBetween(end, h) {
			row, last = append(row, h), i+1+j
		}
	}
	return row, last
}

// alike tells whether h is about as loud and as bright as the sounds of a row.
func alike(row []heard, h heard) bool {
	for _, r := range row {
		if math.Abs(r.overDB-h.overDB) > likeDB || math.Abs(r.bright()-h.bright()) > likeBrightDB {
			return false
		}
	}
	return true
}

// roomBetween tells whether nothing but room is heard from where a has died away until b.
func (f *finding) roomBetween(a, b heard) bool {
	return b.quiet(float64(b.before[all]), tailDB) && f.roomIn(a, a.hop/hopsPerFrame+goneFrames, b.hop/hopsPerFrame-1)
}

// roomIn tells whether nothing but room is heard in the frames, beside a sound.
func (f *finding) roomIn(beside heard, from, to int) bool {
	for i := max(0, from); i < min(to, len(f.words)); i++ {
		// A single frame of room is up to 3 dB louder than all of it.
		if !beside.quiet(float64(f.m.Features.Power[i])/2, quietDB) {
			return false
		}
	}
	return true
}

// parted tells whether a row stands by itself, if the map took some of it for words: a
// consonant has a vowel close by.
func (f *finding) parted(row []heard) bool {
	first, last := row[0], row[len(row)-1]
	for _, h := range row {
		if h.inPhrase {
			from, to := first.hop/hopsPerFrame, last.hop/hopsPerFrame
			return f.roomIn(first, from-aloneFrames, from-1) && f.roomIn(last, to+goneFrames, to+aloneFrames+goneFrames/2)
		}
	}
	return true
}

// endsWord tells whether a sharp sound may be the last consonant of the word before it: the
// map took it for that, or it lies nearer to the word than to the knock b that follows.
// What a reader utters who breaks off in a word is often too short for the map.
func (f *finding) endsWord(a, b heard) bool {
	gap := b.hop - a.hop
	frame := a.hop / hopsPerFrame
	return a.inPhrase || gap > doubleClick && slices.Contains(f.words[max(0, frame-gap/hopsPerFrame):frame], true)
}

// alone tells whether no other knock, and no release of a mouse button, is heard in a
// pause near a row, nor right behind it, where no word can be yet. A sharp one in a phrase,
// or before the row, nearer to the word and too soft for the row, may be the last consonant
// of the slip; two are none. What falls down knocks louder first. What swells out of a word,
// with no room before it, is no knock at all. One that is not sharp and farther off than a
// release is the rest of a broken word that the map has left out.
func (f *finding) alone(row []heard) bool {
	first, last := row[0], row[len(row)-1]
	softest := math.Inf(1)
	for _, h := range row {
		softest = min(softest, h.overDB)
	}
	consonants := 0
	for _, o := range f.knocks {
		behind := o.hop - last.hop
		rest := o.hop < first.hop && !o.inPhrase && o.sharp && f.endsWord(o, first) && o.overDB < softest && !alike(row, o)
		switch {
		case first.hop-o.hop > farthest, behind > farthest, o.dies < dryDB, o.overDB < softest-likeDB,
			slices.ContainsFunc(row, func(h heard) bool { return h.hop == o.hop }):
		case !rest && !o.inPhrase && (o.sharp || first.hop-o.hop <= doubleClick && behind <= doubleClick), behind > 0 && behind <= wordHops:
			return false
		case rest || o.sharp && o.quiet(float64(o.before[all]), tailDB) && alike(row[len(row)-1:], o):
			if consonants++; consonants == 2 || behind > 0 && behind <= knockHops {
				return false
			}
		}
	}
	return true
}

// isMark tells whether the sounds of a row are a mark.
func (f *finding) isMark(row []heard) bool {
	if len(row) < 2 || len(row) > mostSounds {
		return false
	}
	shortest, longest := math.Inf(1), 0.0
	dies, ring := 0.0, 0.0 // on average
	for i, h := range row {
		dies += float64(h.dies) / float64(len(row))
		ring += h.ring / float64(len(row))
		if i > 0 {
			gap := float64(h.hop - row[i-1].hop)
			shortest, longest = min(shortest, gap), max(longest, gap)
		}
	}
	ringing := dies >= shortDB || ring >= shortRingMS
	return shortest >= closest && longest <= even*shortest && (ringing || shortest > doubleClick) &&
		f.parted(row) && f.alone(row)
}

// mark tells of a row. It ends 50 ms, as behind a word, after the last sound is lost in the
// room, and at most 0.17 s after it began: by then a word may follow.
func (f *finding) mark(row []heard) Mark {
	const beside, most = 5, goneFrames + 3
	last := row[len(row)-1]
	begin := last.hop / hopsPerFrame
	to := begin + 1
	for to < f.m.Features.Len() && float64(f.m.Features.Power[to]) > 2*last.room {
		to++
	}
	to = min(to+beside, begin+most, f.m.Features.Len())
	softest := last.overDB
	for _, h := range row {
		softest = min(softest, h.overDB)
	}
	return Mark{Sounds: speech.Span{From: row[0].hop / hopsPerFrame, To: to}, OverRoomDB: softest}
}
