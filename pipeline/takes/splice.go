package takes

import "lectern/pipeline/speech"

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
	// Likeness is how far, in standard deviations, the words read twice are closer to
	// each other than unrelated words of these raws are. 0 where nothing was compared.
	Likeness float64
	// Dropped is what was left out because it is read again; Unread what of that was not
	// found again to the word: the slip itself.
	Dropped, Unread []Stretch
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
	// Unused are the sources of which nothing is kept, because a later take reads all of
	// it again.
	Unused []int
}
