package pipeline

import (
	"lectern/pipeline/findings"
	"lectern/pipeline/report"
	"lectern/pipeline/speech"
	"lectern/pipeline/takes"
)

// Plan says how the finished sound is made from the scratch files: which
// stretches follow each other, how loud each frame is, and where the limiter
// stands. All positions are frames of 10 ms. It is small, and it is all that
// render needs.
type Plan struct {
	Segments []Segment
	// GainDB is the gain at the start of each frame of the finished sound, one
	// more than there are frames; between two the gain moves in a straight line.
	GainDB []float32
	// OverallDB is added to every gain.
	OverallDB float64
	// CeilingDBFS is where the limiter stands, as samples fed to the encoder.
	CeilingDBFS float64
}

// Segment is a stretch of a raw, or of laid-in room tone.
type Segment struct {
	// Raw is the raw's place in the job's list. For laid-in tone it is the raw
	// whose room is continued.
	Raw int
	// Tone marks laid-in room tone; From means nothing then.
	Tone bool
	// Silence marks tone that covers digital silence of the raw.
	Silence bool
	// ToneDB is how far laid-in tone lies over the average of the raw's room, so that
	// it is as loud as the room right beside it.
	ToneDB float64
	// GainDB is the gain of the whole raw, tone of its room included.
	GainDB float64
	// Under is the room of another raw that is heard under the segment; nil if none is.
	Under *Under
	// From is the first frame within the raw, Frames the length.
	From, Frames int
	// At is the first frame in the finished sound.
	At int
}

// Under is tone of a raw's room, DB over that room's average.
type Under struct {
	Raw int
	DB  float64
}

// End is the first frame of the finished sound behind the segment.
func (s Segment) End() int { return s.At + s.Frames }

// recording is one raw as the steps see it: its cleaned samples at 44.1 kHz and
// the map of where its words are.
type recording struct {
	scratch *scratch
	m       *speech.Map // without its Features once the reading is laid out; silent as well
	// silent marks the frames in which the raw holds digital silence (nothing at
	// all, as a gate or a drop-out leaves it).
	silent []bool
	room   *roomTone
	faults findings.Faults
	// measured are the figures of the raw as it is.
	measured report.Measured
	// pauses is the power of each pause, before and after the rumble filter, times its
	// frames.
	pauses []pausePower
	// role is what the raw is to the chapter: see package takes.
	role string
	// voice is how the raw sounds, frame for frame, by which its words are found again; nil
	// once they are.
	voice *takes.Voice
	// marks are the pairs of sharp sounds by which the reader marked a slip.
	marks []takes.Mark
}

type pausePower struct{ before, after float64 }

// timeline is the reading as it will be heard, before any gain: the segments
// and, for each frame of the finished sound, what is needed to plan its level.
type timeline struct {
	segments []Segment
	phrases  []speech.Span
	pauses   []speech.Span // len(phrases)+1, head first, tail last
	sounds   []speech.Span
	power    []float32 // until all is planned, as peak and voiced
	peak     []float32
	voiced   []bool // a vowel is heard
	laidIn   []bool
	// starts is the first frame of each stretch.
	starts []int
}

// frames returns the length of the finished sound.
func (t *timeline) frames() int { return len(t.laidIn) }

// body returns the stretch from the first word to the last.
func (t *timeline) body() speech.Span {
	return speech.Span{From: t.phrases[0].From, To: t.phrases[len(t.phrases)-1].To}
}
