package report

import "lectern/pipeline/takes"

// Join is a place in the finished file where one raw follows on another.
type Join struct {
	// Number counts the joins of a report from 1.
	Number int    `json:"number"`
	Kind   string `json:"kind"` // see package takes: read_again and the others
	// AtS is where the first word of the later raw begins in the finished file.
	AtS Seconds `json:"at_s"`
	// The earlier raw is left behind its word that ends at FromS, the later one begins at
	// ToS.
	FromRaw int     `json:"from_raw"`
	FromS   Seconds `json:"from_s"`
	ToRaw   int     `json:"to_raw"`
	ToS     Seconds `json:"to_s"`
	// Likeness is how sure it is that both read the same words: 1 is just enough; 0 where
	// none were compared.
	Likeness Figure `json:"likeness"`
	// Dropped is what was left out because it is read again; UnreadS how long the words
	// of it are that were not found again.
	Dropped  []Piece `json:"dropped"`
	DroppedS Seconds `json:"dropped_s"`
	UnreadS  Seconds `json:"unread_s"`
	// GainDB is how much louder the later raw was made than the earlier one.
	GainDB Figure `json:"gain_db"`
	// ColorDB is the largest difference of the two voices' octaves, RoomDB how much
	// louder the later raw's room is, GainDB included. Null if not known.
	ColorDB *Figure `json:"color_db"`
	RoomDB  *Figure `json:"room_db"`
	Says    string  `json:"says"`
}

// Piece is a part of a raw.
type Piece struct {
	Raw   int     `json:"raw"`
	FromS Seconds `json:"from_s"`
	ToS   Seconds `json:"to_s"`
}

// The checks that ask a person: one that fails is no limit missed, but somebody must
// listen.
const (
	nothingLost = "nothing_lost"
	readTwice   = "read_twice"
)

func (c Check) asksPerson() bool { return c.Name == nothingLost || c.Name == readTwice }

// mostUnreadS is how long the words that were left out and not found again may be
// without being asked about: a slip, hardly a sentence (our choice).
const mostUnreadS = 0.6

// doubtful tells whether somebody must hear that nothing is lost or said twice here.
func (j Join) doubtful() bool { return j.Kind == takes.Apart || float64(j.UnreadS) > mostUnreadS }

// JudgeTakes returns the two checks of how a chapter was put together: that no words
// were left out that are not read again, and that none seem to be read twice.
func JudgeTakes(chapter string, joins []Join, retakes []Retake) []Check {
	var lost []Join
	for _, j := range joins {
		if j.doubtful() {
			lost = append(lost, j)
		}
	}
	var twice []Retake
	for _, r := range retakes {
		if r.State == takes.Asked {
			twice = append(twice, r)
		}
	}
	return []Check{
		noPlaces(nothingLost, len(lost), func() string { return adviseLost(lost) }),
		noPlaces(readTwice, len(twice), func() string { return adviseTwice(chapter, twice) }),
	}
}

// noPlaces is a check that there are none.
func noPlaces(name string, n int, advise func() string) Check {
	measured, none := Figure(n), 0.0
	c := Check{Name: name, Limit: limit(nil, &none, "places"), Measured: &measured, Pass: n == 0}
	if !c.Pass {
		c.Advice = advise()
	}
	return c
}

// clock is where the first reading begins, in the finished file if it is there.
func (r Retake) clock() string { return PlaceOf(float64(r.FromS), r.FinishedAtS).Clock }
