package pipeline

import (
	"math"
	"slices"

	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// trim lays out the reading: the stretches of the recordings that are kept, in their
// order, half a second of room tone (headS) in front, tailS behind, and between two
// stretches the pause asked for, usually the reading's own; half of it is the room
// behind the earlier words, half that before the later ones. Pauses and tail count from the
// words, since what is kept beside them may be a breath too. The head counts from what is kept
// before the first word: that is as loud as speech, and the head is room alone. Where clean
// room is short, tone is laid in; so it is where the raw holds digital silence.
func trim(recs []*recording, spliced *takes.Spliced, headS, tailS, joinPauseMaxS float64) *timeline {
	l := layout{recs: recs, gainDB: spliced.GainDB, t: &timeline{}}
	usual := usualPause(recs, spliced.Stretches, joinPauseMaxS)
	kept := l.withEdges(spliced.Stretches)
	opening := func(k int) int { return spliced.Stretches[k].From - kept[k].From }
	ending := func(k int) int { return kept[k].To - spliced.Stretches[k].To }
	for k, s := range kept {
		room := seconds(headS)
		if k > 0 {
			pause := s.Pause
			if pause == takes.AsUsual {
				pause = usual
			}
			room = max(0, pause-pause/2-opening(k))
			l.after(kept[k-1], max(0, pause/2-ending(k-1)))
		}
		l.under = l.roomUnder(kept, k)
		l.before(s, room)
		l.t.starts = append(l.t.starts, l.at+opening(k))
		l.speech(s)
	}
	last := len(kept) - 1
	l.after(kept[last], max(0, seconds(tailS)-ending(last)))
	l.matchTones()
	l.finish()
	return l.t
}

// seconds turns a time into whole frames.
func seconds(s float64) int { return int(math.Round(s * framesPerSecond)) }

// usualPause is the reading's usual pause, in frames.
func usualPause(recs []*recording, kept []takes.Stretch, maxS float64) int {
	var maps []*speech.Map
	for _, r := range recs {
		maps = append(maps, r.m)
	}
	return takes.UsualPause(maps, kept, seconds(maxS))
}

// layout collects the segments in the order of the finished sound.
type layout struct {
	recs   []*recording
	gainDB []float64 // of each recording
	under  *Under    // what is laid under the segments that come
	t      *timeline
	at     int
}

// withEdges makes each stretch longer by what may be part of its first and of its last word.
func (l *layout) withEdges(stretches []takes.Stretch) []takes.Stretch {
	out := slices.Clone(stretches)
	for k, s := range out {
		r := l.recs[s.Raw]
		out[k].From, out[k].To = takes.Opening(r.m, r.marks, s.From), takes.Ending(r.m, r.marks, s.To)
	}
	return out
}

// before lays n frames of room in front of stretch s: the raw's own room as far as that
// is clean, laid-in tone before it.
func (l *layout) before(s takes.Stretch, n int) {
	r := l.recs[s.Raw]
	own := takes.RoomBefore(r.m, r.marks, s.From, n)
	l.tone(s.Raw, n-own)
	l.raw(s.Raw, s.From-own, own)
}

// after lays n frames of room behind stretch s.
func (l *layout) after(s takes.Stretch, n int) {
	r := l.recs[s.Raw]
	own := takes.RoomBehind(r.m, r.marks, s.To, n)
	l.raw(s.Raw, s.To, own)
	l.tone(s.Raw, n-own)
}

// speech lays stretch s, from its first word to its last.
func (l *layout) speech(s takes.Stretch) {
	m := l.recs[s.Raw].m
	shift := l.at - s.From
	for _, p := range m.Phrases {
		p.From, p.To = max(p.From, s.From), min(p.To, s.To)
		if p.Len() > 0 {
			l.t.phrases = append(l.t.phrases, speech.Span{From: p.From + shift, To: p.To + shift})
		}
	}
	for _, sound := range m.Sounds {
		if sound.From >= s.From && sound.To <= s.To {
			l.t.sounds = append(l.t.sounds, speech.Span{From: sound.From + shift, To: sound.To + shift})
		}
	}
	l.raw(s.Raw, s.From, s.Len())
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
	s.At, s.GainDB, s.Under = l.at, l.gainDB[s.Raw], l.under
	l.at += s.Frames
	if n := len(l.t.segments); n > 0 {
		last := &l.t.segments[n-1]
		if last.Raw == s.Raw && last.Tone == s.Tone && last.Silence == s.Silence && sameUnder(last.Under, s.Under) &&
			(s.Tone || last.From+last.Frames == s.From) {
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
	// Two stretches may meet with less than a phrase's pause between them.
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
		power, peak := float32(math.Pow(10, s.GainDB/10)), float32(dbToAmplitude(s.GainDB))
		if s.Tone {
			tone := float32(math.Pow(10, (l.recs[s.Raw].room.powerDBFS+s.ToneDB)/10))
			for k := range s.Frames {
				t.power = append(t.power, tone*power)
				t.peak = append(t.peak, noisePeak*float32(math.Sqrt(float64(tone)))*peak)
				t.laidIn[s.At+k] = true
			}
		} else {
			f := l.recs[s.Raw].m.Features
			for k := s.From; k < s.From+s.Frames; k++ {
				t.power = append(t.power, f.Power[k]*power)
				t.peak = append(t.peak, f.Peak[k]*peak)
				t.voiced[s.At+k-s.From] = f.Voiced(k)
			}
		}
		if s.Under != nil {
			l.addUnder(s)
		}
	}
}

// noisePeak is how far the peak of 10 ms of noise lies over its RMS amplitude.
const noisePeak = 3
