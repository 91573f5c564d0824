package takes

import (
	"slices"

	"lectern/pipeline/speech"
)

// UsualPause is the median of the pauses within the stretches that are kept, 0.3 s to
// most; 0.7 s if there are none (our choice). maps are those of the raws; all in frames.
func UsualPause(maps []*speech.Map, kept []Stretch, most int) int {
	var lengths []int
	for _, s := range kept {
		for _, p := range maps[s.Raw].Pauses {
			if p.From > s.From && p.To < s.To {
				lengths = append(lengths, p.Len())
			}
		}
	}
	usual := 7 * speech.FramesPerSecond / 10
	if len(lengths) > 0 {
		slices.Sort(lengths)
		usual = lengths[len(lengths)/2]
	}
	return min(max(usual, speech.PhraseGap), most)
}

// endingGap is the longest silence between a word and its last consonant, endingMost
// the longest such consonant, in frames (our choice).
const endingGap, endingMost = 5, 30

// Ending returns where a stretch that ends at frame `to` ends with the soft sound right
// behind its last word: the map takes that for a breath, but it may be the s of "ropes",
// and neither a join nor the tail may take away what may be speech.
func Ending(m *speech.Map, marks []Mark, to int) int {
	for _, sound := range m.Sounds {
		isMark := slices.ContainsFunc(marks, func(k Mark) bool { return k.Sounds.From < sound.To && sound.From < k.Sounds.To })
		if sound.From >= to && sound.From <= to+endingGap && sound.Len() <= endingMost && !isMark {
			to = sound.To
		}
	}
	return to
}

const (
	// keepClear is how many frames are left between a sound that must not be heard
	// and the room that is used. A fade reaches one of them.
	keepClear = 2
	// leastRoom is the least of the raw's own room that is used beside a word. A breath
	// or a click closer to it is replaced whole; half of the fade lies within the word,
	// 0.9 dB over its first 10 ms.
	leastRoom = 2
	// dieAway is how many frames a word dies away for behind its end (design figure).
	dieAway = 5
)

// RoomBefore returns how many of the n frames before frame `from`, where a word begins,
// are the raw's own clean room. Words that end there die away for a while.
func RoomBefore(m *speech.Map, marks []Mark, from, n int) int {
	clean := 1 // frames reach a little over the edge of a segment when they are faded
	for _, run := range m.Runs {
		if run.From < from {
			clean = max(clean, min(run.To+dieAway, from))
		}
	}
	for _, sound := range notRoom(m, marks) {
		if sound.To <= from {
			clean = max(clean, sound.To+keepClear)
		}
	}
	return usable(min(n, from-clean))
}

// RoomBehind returns how many of the n frames from frame `to` on, behind a word, are the
// raw's own clean room.
func RoomBehind(m *speech.Map, marks []Mark, to, n int) int {
	clean := m.Features.Len() - 1
	for _, run := range m.Runs {
		if run.To > to {
			clean = min(clean, max(run.From-keepClear, to))
		}
	}
	for _, sound := range notRoom(m, marks) {
		if sound.From >= to {
			clean = min(clean, sound.From-keepClear)
		}
	}
	return usable(min(n, clean-to))
}

func usable(n int) int {
	if n < leastRoom {
		return 0
	}
	return n
}

// notRoom is what is heard between the words and is not the room.
func notRoom(m *speech.Map, marks []Mark) []speech.Span {
	out := slices.Clone(m.Sounds)
	for _, k := range marks {
		out = append(out, k.Sounds)
	}
	return out
}
