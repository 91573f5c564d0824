package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// trim lays out the reading: the recordings in their order, each from its first
// word to its last, half a second of room tone (headS) in front, tailS behind,
// and between two recordings the reading's usual pause. Where clean room is
// short, tone is laid in; so it is where the raw holds digital silence.
func trim(recs []*recording, headS, tailS, joinPauseMaxS float64) *timeline {
	l := layout{recs: recs, t: &timeline{}}
	pause := usualPause(recs, joinPauseMaxS)
	l.before(0, seconds(headS))
	for i := range recs {
		if i > 0 {
			l.after(i-1, pause/2)
			l.before(i, pause-pause/2)
		}
		l.speech(i)
	}
	l.after(len(recs)-1, seconds(tailS))
	l.matchTones()
	l.finish()
	return l.t
}

// seconds turns a time into whole frames.
func seconds(s float64) int { return int(math.Round(s * framesPerSecond)) }

// usualPause is the median of the pauses inside the recordings, 0.3 to maxS; 0.7 s
// if there are none (our choice).
func usualPause(recs []*recording, maxS float64) int {
	var lengths []int
	for _, r := range recs {
		if n := len(r.m.Pauses); n > 2 {
			for _, p := range r.m.Pauses[1 : n-1] {
				lengths = append(lengths, p.Len())
			}
		}
	}
	usual := seconds(0.7)
	if len(lengths) > 0 {
		slices.Sort(lengths)
		usual = lengths[len(lengths)/2]
	}
	return min(max(usual, speech.PhraseGap), seconds(maxS))
}

// layout collects the segments in the order of the finished sound.
type layout struct {
	recs []*recording
	t    *timeline
	at   int
}

// keepClear is how many frames are left between a sound that must not be heard
// and the room that is used.
const keepClear = 2

// before lays n frames of room in front of the first word of recording i: its
// own room as far as that is clean, laid-in tone before it.
func (l *layout) before(i, n int) {
	r := l.recs[i]
	word := r.m.Phrases[0].From
	clean := 1 // frames reach a little over the edge of a segment when they are faded
	for _, s := range r.m.Sounds {
		if s.To <= word {
			clean = max(clean, s.To+keepClear)
		}
	}
	own := min(n, word-clean)
	if own < 2 {
		// A breath or a click right before the word is replaced whole; half of the
		// fade lies within the word, 0.9 dB over its first 10 ms.
		own = 0
	}
	l.tone(i, n-own)
	l.raw(i, word-own, own)
}

// after lays n frames of room behind the last word of recording i.
func (l *layout) after(i, n int) {
	r := l.recs[i]
	end := r.m.Phrases[len(r.m.Phrases)-1].To
	clean := r.m.Features.Len() - 1
	for _, s := range r.m.Sounds {
		if s.From >= end {
			clean = min(clean, s.From-keepClear)
			break
		}
	}
	own := min(n, clean-end)
	if own < 2 {
		own = 0
	}
	l.raw(i, end, own)
	l.tone(i, n-own)
}

// speech lays recording i from its first word to its last.
func (l *layout) speech(i int) {
	r := l.recs[i]
	from := r.m.Phrases[0].From
	shift := l.at - from
	l.t.starts = append(l.t.starts, l.at)
	for _, p := range r.m.Phrases {
		l.t.phrases = append(l.t.phrases, speech.Span{From: p.From + shift, To: p.To + shift})
	}
	to := r.m.Phrases[len(r.m.Phrases)-1].To
	for _, s := range r.m.Sounds {
		if s.From >= from && s.To <= to {
			l.t.sounds = append(l.t.sounds, speech.Span{From: s.From + shift, To: s.To + shift})
		}
	}
	l.raw(i, from, to-from)
}

// raw lays n frames of recording i from frame `from` on, and tone over its
// digital silence.
func (l *layout) raw(i, from, n int) {
	silent := l.recs[i].silent[from : from+n]
	for k := 0; k < n; {
		run := k
		for run < n && silent[run] == silent[k] {
			run++
		}
		if silent[k] {
			l.add(Segment{Raw: i, Tone: true, Silence: true, Frames: run - k})
		} else {
			l.add(Segment{Raw: i, From: from + k, Frames: run - k})
		}
		k = run
	}
}

func (l *layout) tone(i, n int) { l.add(Segment{Raw: i, Tone: true, Frames: n}) }

// add appends a segment, or makes the last one longer if s goes straight on.
func (l *layout) add(s Segment) {
	if s.Frames <= 0 {
		return
	}
	s.At = l.at
	l.at += s.Frames
	if n := len(l.t.segments); n > 0 {
		last := &l.t.segments[n-1]
		if last.Raw == s.Raw && last.Tone == s.Tone && last.Silence == s.Silence && (s.Tone || last.From+last.Frames == s.From) {
			last.Frames += s.Frames
			return
		}
	}
	l.t.segments = append(l.t.segments, s)
}

const (
	// besideFrames is how much of the room beside laid-in tone tells how loud it must
	// be, and minBeside the least that can tell: a low room's level is not known better
	// than by 1 dB from less (our choice).
	besideFrames, minBeside = 100, 15
	// maxToneDB is the most by which tone may leave the average of the room (our choice).
	maxToneDB = 10.0
)

// matchTones makes laid-in tone as loud as the clean room it continues. Where
// there is little of that, or none of the raw at all, the average has to do.
func (l *layout) matchTones() {
	clean := make([][]bool, len(l.recs))
	for i, r := range l.recs {
		clean[i] = make([]bool, r.m.Features.Len())
		for _, s := range cleanRoom(r) {
			for k := s.From; k < s.To; k++ {
				clean[i][k] = true
			}
		}
	}
	segments := l.t.segments
	for i := range segments {
		s := &segments[i]
		r := l.recs[s.Raw]
		if !s.Tone || !r.room.borrowed {
			continue
		}
		var power float64
		n := 0
		beside := func(k, from, dir int) {
			if k < 0 || k >= len(segments) || segments[k].Tone || segments[k].Raw != s.Raw {
				return
			}
			// A few frames at the very edge may be those of a sound or a word.
			for f, done := from, 0; f >= segments[k].From && f < segments[k].From+segments[k].Frames && done < besideFrames; f, done = f+dir, done+1 {
				if clean[s.Raw][f] {
					power += float64(r.m.Features.Power[f])
					n++
				} else if done > 2*edgeFrames {
					return
				}
			}
		}
		if i > 0 {
			beside(i-1, segments[i-1].From+segments[i-1].Frames-1, -1)
		}
		if i+1 < len(segments) {
			beside(i+1, segments[i+1].From, +1)
		}
		if n >= minBeside {
			s.ToneDB = max(-maxToneDB, min(maxToneDB, 10*math.Log10(power/float64(n))-r.room.powerDBFS))
		}
	}
}

// finish fills in what the following steps look at.
func (l *layout) finish() {
	t := l.t
	// Two recordings may meet with less than a phrase's pause between them.
	at := 0
	for _, p := range t.phrases {
		t.pauses = append(t.pauses, speech.Span{From: at, To: p.From})
		at = p.To
	}
	t.pauses = append(t.pauses, speech.Span{From: at, To: l.at})
	t.power = make([]float32, 0, l.at)
	t.peak = make([]float32, 0, l.at)
	t.voiced = make([]bool, l.at)
	t.laidIn = make([]bool, l.at)
	for _, s := range t.segments {
		r := l.recs[s.Raw]
		if !s.Tone {
			t.power = append(t.power, r.m.Features.Power[s.From:s.From+s.Frames]...)
			t.peak = append(t.peak, r.m.Features.Peak[s.From:s.From+s.Frames]...)
			for k := range s.Frames {
				t.voiced[s.At+k] = r.m.Features.Voiced(s.From + k)
			}
			continue
		}
		power := float32(math.Pow(10, (r.room.powerDBFS+s.ToneDB)/10))
		for k := range s.Frames {
			t.power = append(t.power, power)
			t.peak = append(t.peak, 3*float32(math.Sqrt(float64(power))))
			t.laidIn[s.At+k] = true
		}
	}
}
