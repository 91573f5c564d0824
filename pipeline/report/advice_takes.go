package report

import (
	"fmt"
	"math"

	"lectern/pipeline/takes"
)

// readAcross is what to do about a sentence that is missing or heard twice at a join.
const readAcross = "read again from the sentence before to the sentence after, and drop that as a pickup."

// SaysJoin tells what was joined at j and what was left out; earlier and later name the
// two raws, as in "take 2".
func SaysJoin(j Join, earlier, later string) string {
	at, left := Clock(float64(j.AtS)), fmt.Sprintf("%.1f seconds", j.DroppedS)
	goesOn := len(j.Dropped) == 0 // behind what was put in
	var says string
	switch {
	case j.Kind == takes.Apart:
		return SaysJoined(float64(j.AtS), earlier, later)
	case j.Kind == takes.GoesOn:
		return fmt.Sprintf("At %s %s goes on where %s ends. Listen whether the pause between them is right.", at, later, earlier)
	case goesOn:
		return fmt.Sprintf("At %s %s goes on behind the passage from %s. Listen whether the two sound alike.", at, later, earlier)
	case j.Kind == takes.PickedUp:
		says = fmt.Sprintf("At %s %s takes the place of %s of %s.", at, later, left, earlier)
	case j.Kind == takes.Inserted:
		says = fmt.Sprintf("At %s %s follows %s: it reads a passage of it again, so %s of the earlier reading are left out.", at, later, earlier, left)
	default:
		says = fmt.Sprintf("At %s %s takes over from %s: it reads the end of it again, so %s of the earlier reading are left out.", at, later, earlier, left)
	}
	switch {
	case float64(j.UnreadS) > mostUnreadS:
		return says + fmt.Sprintf(" Of these, %.1f seconds were not found again, word for word. Listen there: if that was more than a slip, %s", j.UnreadS, readAcross)
	case j.UnreadS > 0:
		return says + fmt.Sprintf(" Of these, %.1f seconds were not found again, word for word: most likely the slip itself. Listen whether the sentence is whole.", j.UnreadS)
	}
	return says + " Listen whether the two sound alike."
}

// SaysJoined tells where two takes follow each other that have no words in common.
func SaysJoined(atS float64, earlier, later string) string {
	return fmt.Sprintf("At %s %s follows %s. They have no words in common, so nothing was left out. Listen there whether a sentence is missing or heard twice; if so, %s", Clock(atS), later, earlier, readAcross)
}

// Differs is how two raws differ at a join. ColorDB is 0 if their voices do not differ to
// speak of, and Hz then means nothing; so is RoomDB of their rooms, positive where the
// later one is louder.
type Differs struct{ ColorDB, Hz, RoomDB float64 }

// SaysStandsOut tells that a join will be heard, and what to do about it.
func SaysStandsOut(atS float64, earlier, later string, d Differs) string {
	var what, do []string
	if d.ColorDB != 0 {
		tones := "middle"
		switch {
		case d.Hz < 400:
			tones = "low"
		case d.Hz > 1500:
			tones = "high"
		}
		what = append(what, fmt.Sprintf("in its %s tones your voice is %.0f dB %s", tones, math.Abs(d.ColorDB), or(d.ColorDB > 0, "stronger", "weaker")))
		do = append(do, "from the same seat, as far from the microphone as before")
	}
	if d.RoomDB != 0 {
		what = append(what, fmt.Sprintf("the room is %.0f dB %s", math.Abs(d.RoomDB), or(d.RoomDB > 0, "louder", "quieter")))
		do = append(do, "with the same things switched on and off")
	}
	return fmt.Sprintf("At %s %s sounds unlike %s before it: %s. Listen there; if the change is heard, read that passage again %s.", Clock(atS), later, earlier, list(what), list(do))
}

// NothingInCommon is said of a recording that would replace one that says other words.
const NothingInCommon = "This recording has the name of a chapter that is finished, but has no words in common with it, so nothing was replaced. If it is another chapter, give it another name and drop it again. If it is meant to replace that chapter, take the chapter out of finished first (lectern withdraw, with the chapter's name), and drop it again."

// PickupAlone is said of a pickup that comes without its chapter.
const PickupAlone = "This is a pickup, a passage to be put into a chapter, but the chapter's own recording is not there. Give the chapter's takes together with it."

// SaysMarkAlone tells of a mark that nothing could be cut for.
func SaysMarkAlone(atS float64) string {
	return fmt.Sprintf("At %s there are two sharp sounds, as of a mark for a slip, but what you say behind them is not what you said before them. So nothing was cut, and the two sounds are still there. Listen there; if it was a mark, %s", Clock(atS), readAcross)
}

// SaysRetake tells what seems to be read twice and what became of it. chapter is what the
// commands call the chapter.
func SaysRetake(r Retake, chapter string) string {
	cut := fmt.Sprintf("%.1f seconds", r.AgainS-r.FromS)
	switch {
	case r.State == takes.Asked && r.FinishedAgainS != nil:
		return fmt.Sprintf("What you say at %s you seem to say again at %s. Listen there: if the first is a slip, have it cut with: lectern cut \"%s\" %d; if it is meant: lectern keep \"%s\" %d.",
			r.clock(), Clock(float64(*r.FinishedAgainS)), chapter, r.Number, chapter, r.Number)
	case r.State == takes.Kept && r.FinishedAgainS != nil:
		return fmt.Sprintf("What you say at %s you say again at %s. Both are kept, as you said.", r.clock(), Clock(float64(*r.FinishedAgainS)))
	case r.FinishedAgainS == nil:
		return fmt.Sprintf("What you say at %s of the recording you say again at %s. A later take reads the place again, so neither is heard.", Clock(float64(r.FromS)), Clock(float64(r.AgainS)))
	case r.State == takes.Marked:
		return fmt.Sprintf("Before %s you made a slip and marked it with two sharp sounds: %s were cut, up to where you read it again. If it should be heard after all: lectern keep \"%s\" %d.", Clock(float64(*r.FinishedAgainS)), cut, chapter, r.Number)
	}
	return fmt.Sprintf("Before %s you made a slip: %s were cut, as you said, up to where you read it again.", Clock(float64(*r.FinishedAgainS)), cut)
}

// adviseLost tells where to listen that nothing was lost.
func adviseLost(joins []Join) string {
	if len(joins) == 1 {
		return joins[0].Says
	}
	var apart, unread []string
	for _, j := range joins {
		if at := Clock(float64(j.AtS)); j.Kind == takes.Apart {
			apart = append(apart, at)
		} else {
			unread = append(unread, at)
		}
	}
	says := ""
	if len(apart) > 0 {
		says = fmt.Sprintf("At %s a take begins that has no words in common with the one before it, so nothing was left out. ", list(few(apart)))
	}
	if len(unread) > 0 {
		says += fmt.Sprintf("At %s words were left out that were not found again, word for word, in the later reading. ", list(few(unread)))
	}
	return says + "Listen there whether a sentence is missing or heard twice; if so, " + readAcross
}

// adviseTwice tells what seems to be read twice, and the two commands.
func adviseTwice(chapter string, retakes []Retake) string {
	if len(retakes) == 1 {
		return retakes[0].Says
	}
	var places []string
	for _, r := range retakes {
		places = append(places, fmt.Sprintf("number %d at %s", r.Number, r.clock()))
	}
	return fmt.Sprintf("In %d places you seem to say again what you have just said: %s. Listen to them. Have a slip cut with: lectern cut \"%s\" NUMBER; where it is meant: lectern keep \"%s\" NUMBER.",
		len(retakes), list(few(places)), chapter, chapter)
}

// few shortens a long list of places.
func few(places []string) []string {
	const most = 8
	if len(places) <= most {
		return places
	}
	return append(places[:most:most], fmt.Sprintf("%d more", len(places)-most))
}

// SaysNoPlace tells that a passage of a pickup, from and to in seconds of it, cannot be
// placed, and why: a reason of package takes. number is that of the pickup, which may be
// one that was placed in an earlier revision.
func SaysNoPlace(number int, reason string, fromS, toS float64) string {
	where := fmt.Sprintf("The passage of pickup %d from %s to %s", number, Clock(fromS), Clock(toS))
	switch reason {
	case takes.SeveralFit:
		return where + " fits more than one place of the chapter, so nothing was changed. Read it again with one more sentence before and after it, or say in its name where it belongs, as in \"pickup 1 at 12m34\", and drop it again."
	case takes.TooUnlike:
		return where + " would take out words that it does not say itself, so nothing was changed. Read whole sentences again, from the one before to the one after, and drop it again."
	case takes.NoWords:
		return fmt.Sprintf("No words were found in pickup %d, so nothing was changed. Listen to it; if it is the wrong file, drop the right one.", number)
	}
	return where + " was not found in the chapter: nothing there begins and ends like it, so nothing was changed. Read whole sentences again, from the one before to the one after, and drop it again."
}
