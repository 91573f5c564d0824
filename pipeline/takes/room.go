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

const (
	// besideGap is the longest silence between a word and a sound that may be part of what
	// is said: the closed lips of a p last up to 0.1 s. All numbers here are our choice.
	besideGap = 10
	// softMost is the longest soft consonant behind a word, loudMost the longest sound on
	// either side that is as loud as speech, in frames.
	softMost, loudMost = 30, 60
	// loudFrames is how many frames must be no more than loudUnder softer, in power, than the
	// second of words beside them: a click is shorter, a breath softer.
	loudFrames = 5
	loudUnder  = 16 // 12 dB
)

// Opening returns where a stretch that begins at frame `from` begins with the sound right
// before its first word that is as loud as speech: the map may take a short word for a
// breath, as the "The" of a sentence, and neither a join nor the head may take it away.
func Opening(m *speech.Map, marks []Mark, from int) int {
	words := speech.Span{From: from, To: from + speech.FramesPerSecond}
	before := 0 // where the words before it end
	for _, run := range m.Runs {
		if run.To <= from {
			before = run.To
		}
	}
	for _, sound := range slices.Backward(m.Sounds) {
		gap := from - sound.To
		if gap >= 0 && gap <= besideGap && gap < sound.From-before && !isMark(marks, sound) && spoken(m, sound, words) {
			from = sound.From
		}
	}
	return from
}

// Ending returns where a stretch that ends at frame `to` ends with the sound right behind
// its last word: a soft one may be the s of "ropes" or the k of "book", whatever the map
// takes it for. What is nearer to the words behind it belongs to them.
func Ending(m *speech.Map, marks []Mark, to int) int {
	words := speech.Span{From: to - speech.FramesPerSecond, To: to}
	behind := m.Features.Len() // where the words behind it begin
	for _, run := range slices.Backward(m.Runs) {
		if run.From >= to {
			behind = run.From
		}
	}
	for _, sound := range m.Sounds {
		gap := sound.From - to
		if gap >= 0 && gap <= besideGap && gap < behind-sound.To && !isMark(marks, sound) && (sound.Len() <= softMost || spoken(m, sound, words)) {
			to = sound.To
		}
	}
	return to
}

// spoken tells whether a sound is as loud, and as short, as a word beside others can be.
func spoken(m *speech.Map, sound, words speech.Span) bool {
	power := m.Features.Power
	var sum float64
	words.From, words.To = max(0, words.From), min(len(power), words.To)
	for _, p := range power[words.From:words.To] {
		sum += float64(p)
	}
	loud := 0
	for _, p := range power[sound.From:sound.To] {
		if float64(p)*loudUnder*float64(words.Len()) >= sum {
			loud++
		}
	}
	return loud >= loudFrames && sound.Len() <= loudMost
}

func isMark(marks []Mark, sound speech.Span) bool {
	return slices.ContainsFunc(marks, func(k Mark) bool { return k.Sounds.From < sound.To && sound.From < k.Sounds.To })
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
