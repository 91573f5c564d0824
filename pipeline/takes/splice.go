package takes

import (
	"fmt"
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// Source is one raw of a chapter. The sources of a chapter come in playing order: takes
// or parts by number, then pickups by number.
type Source struct {
	Role   string // Chapter, Take, Part or Pickup
	Number int
	SHA256 string
	Voice  *Voice
	Marks  []Mark
	// NearS is where a pickup belongs in the revision before it, if its name says so, in
	// seconds; negative if not.
	NearS float64
}

// Mark is a pair of sharp sounds by which a reader says: what follows is read again.
type Mark struct {
	// Sounds is from the first of the two to the end of the second, in frames.
	Sounds speech.Span
	// OverRoomDB is how far the softer of the two stands over the room.
	OverRoomDB float64
}

// Answer is what a person said of a passage that seems to be read twice.
type Answer struct {
	RawSHA256 string
	// FromS and AgainS are where the two readings begin in the raw, in seconds.
	FromS, AgainS float64
	Cut           bool // else it is kept as it is
}

// Stretch is a part of a raw in the finished reading. It begins with the first frame of
// a word and ends behind the last of one.
type Stretch struct {
	Raw int // its place among the sources
	speech.Span
	// Pause is how many frames of room lie before it; AsUsual for the reading's usual
	// pause. Of the first stretch it means nothing.
	Pause int
}

// AsUsual asks for the usual pause of the reading.
const AsUsual = -1

// How two stretches come to lie beside each other.
const (
	// ReadAgain: the later take reads again what the earlier one ends with.
	ReadAgain = "read_again"
	// Inserted: a take read again a passage in the middle of an earlier one.
	Inserted = "inserted"
	// GoesOn: a part that goes straight on.
	GoesOn = "goes_on"
	// Apart: the takes have no words in common, so all of both is kept.
	Apart = "apart"
	// PickedUp: a pickup took the place of what it reads again.
	PickedUp = "picked_up"
)

// Join is a place where one raw follows on another.
type Join struct {
	// Stretch is the place, in Spliced.Stretches, of the stretch that begins here.
	Stretch int
	Kind    string
	// Likeness is how much the words read twice have in common: 1 is just enough. 0 where
	// nothing was compared.
	Likeness float64
	// Dropped is what was left out because it is read again; Unread what of that was not
	// found again to the word: the slip itself.
	Dropped, Unread []Stretch
	// ColorDB is how much stronger each octave of OctaveHz is in the later of the two
	// readings of the same words, in dB against the mean of all; nil if unknown.
	ColorDB []float64
}

// Spliced is the reading of a chapter, put together.
type Spliced struct {
	Stretches []Stretch
	Joins     []Join
	// GainDB is, for each source, how much louder it is made so that the words it shares
	// with the takes before it are as loud as there.
	GainDB []float64
	// Retakes are the passages that seem to be read twice, in the order of the sources.
	Retakes []Retake
	// LoneMarks are marks that are still heard, because nothing is read again behind them.
	LoneMarks []Stretch
	// Unused are the sources of which nothing is kept, because a later take reads all of
	// it again.
	Unused []int
}

// PlaceError says that a pickup cannot be put into its chapter: one of its passages has
// no sure place in it.
type PlaceError struct {
	Source int
	// Passage is where the passage lies in the pickup.
	Passage speech.Span
	// Reason is one of the reasons below.
	Reason string
}

// Why a passage has no sure place.
const (
	NotThere   = "not there"   // nothing in the chapter begins and ends like it
	SeveralFit = "several fit" // more than one place does
	TooUnlike  = "too unlike"  // it would take out words that it does not say again
	NoWords    = "no words"    // the pickup holds nothing that is said
)

func (e *PlaceError) Error() string {
	return fmt.Sprintf("passage of source %d from frame %d to %d: %s", e.Source, e.Passage.From, e.Passage.To, e.Reason)
}

// Splice puts the sources of a chapter together. answers are those that were given for
// them before. It works on so many cores as there are workers, on all with 0, which changes
// nothing in what it finds. The only error is a *PlaceError.
func Splice(sources []Source, answers []Answer, workers int) (*Spliced, error) {
	s := &splicer{sources: sources, gains: make([]float64, len(sources))}
	for i, source := range sources {
		retakes := settle(i, source, answers, workers)
		l := without(lineOf(i, source.Voice), retakes)
		switch {
		case source.Role == Pickup:
			if err := s.pickUp(i, l); err != nil {
				return nil, err
			}
		case len(l) == 0:
		case len(s.line) == 0:
			s.line = l
		case source.Role == Part:
			l[0].pause = AsUsual
			s.begin(l[0], Join{Kind: GoesOn})
			s.line = slices.Concat(s.line, l)
		default:
			s.take(i, l)
		}
		s.retakes = append(s.retakes, retakes...)
		s.lone = append(s.lone, loneMarks(i, source, retakes)...)
	}
	return s.tell(), nil
}

// splicer is the work of Splice.
type splicer struct {
	sources []Source
	line    line
	gains   []float64 // in dB
	retakes []Retake
	lone    []Stretch
	// joins are the places at which something begins, by its first run.
	joins map[beginning]Join
}

type beginning struct{ raw, from int }

func (s *splicer) begin(r run, j Join) {
	if s.joins == nil {
		s.joins = map[beginning]Join{}
	}
	s.joins[beginning{r.raw, r.From}] = j
}

// take joins a take to the line.
func (s *splicer) take(raw int, l line) {
	j := join(s.line, l)
	s.replace(raw, l[:j.keep], j)
}

// replace puts l in the place of the runs j drops.
func (s *splicer) replace(raw int, l line, j joined) {
	s.gains[raw] = j.gainDB
	for i := range l {
		l[i].gain = math.Pow(10, j.gainDB/10)
	}
	l[0].pause = AsUsual
	if j.from < len(s.line) {
		l[0].pause = s.line[j.from].pause
	}
	dropped := s.line[j.from:j.to]
	told := Join{Kind: j.kind, Likeness: j.likeness, Dropped: dropped.stretches(), Unread: j.unread, ColorDB: j.colorDB}
	for _, r := range dropped {
		// What an earlier join left out is read again here, too.
		told.Dropped = append(told.Dropped, s.joins[beginning{r.raw, r.From}].Dropped...)
		delete(s.joins, beginning{r.raw, r.From})
	}
	s.begin(l[0], told)
	if j.to < len(s.line) {
		// Where another raw began there already, what is known of that stays.
		if _, there := s.joins[beginning{s.line[j.to].raw, s.line[j.to].From}]; !there {
			s.begin(s.line[j.to], Join{Kind: j.kind, Likeness: j.likeness})
		}
	}
	s.line = slices.Concat(s.line[:j.from], l, s.line[j.to:])
}

// tell describes the line.
func (s *splicer) tell() *Spliced {
	out := &Spliced{Stretches: s.line.stretches(), GainDB: s.gains}
	used := make([]bool, len(s.sources))
	kept := func(raw, from int) bool {
		return slices.ContainsFunc(s.line, func(r run) bool { return r.raw == raw && r.From <= from && from < r.To })
	}
	for i, t := range out.Stretches {
		used[t.Raw] = true
		if j, there := s.joins[beginning{t.Raw, t.From}]; there && i > 0 {
			j.Stretch = i
			out.Joins = append(out.Joins, j)
		}
	}
	for _, r := range s.retakes {
		if r.State != Asked || kept(r.Raw, r.First.From) && kept(r.Raw, r.Again.From) {
			out.Retakes = append(out.Retakes, r)
		}
	}
	for _, m := range s.lone {
		if slices.ContainsFunc(out.Stretches, func(x Stretch) bool { return x.Raw == m.Raw && x.From <= m.From && m.To <= x.To }) {
			out.LoneMarks = append(out.LoneMarks, m)
		}
	}
	for i, u := range used {
		if !u {
			out.Unused = append(out.Unused, i)
		}
	}
	return out
}
