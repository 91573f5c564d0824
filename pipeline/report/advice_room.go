package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The sentences of a room test.

const (
	// recordRoom is what to do for a test that can be judged.
	recordRoom = "record 10 s of silence and drop it in as `room test.wav`."
	roomCure   = "switch off the fan or the computer near the microphone, come closer to it, then " + recordRoom
)

// SaysRoomPasses tells of a room that keeps the limit by itself.
func SaysRoomPasses(figure string, db, limit float64) string {
	return fmt.Sprintf("Your room passes: its %s would be about %s dB in the finished file; the limit is %g.", figure, near(db, limit), limit)
}

// SaysRoomJustPasses tells of a room that keeps the limit only because the pauses
// are made softer.
func SaysRoomJustPasses(figure string, db, limit, easedDB float64) string {
	return fmt.Sprintf("Your room just passes: its %s would be about %s dB in the finished file, and the limit is %g; Lectern makes the pauses softer by about %.0f dB to keep it, but under your words the room stays as loud. It sounds better if you make the room quieter: %s", figure, near(db, limit), limit, math.Ceil(easedDB), roomCure)
}

// SaysRoomFails tells how far a room is from passing; easedDB is by how much the
// pauses can be made softer.
func SaysRoomFails(figure string, db, limit, easedDB float64) string {
	help := ""
	if easedDB > 0 {
		help = fmt.Sprintf(", more than the %g dB by which Lectern can make the pauses softer", easedDB)
	}
	name := strings.ToUpper(figure[:1]) + figure[1:]
	return fmt.Sprintf("%s %s dB; the limit is %g. Your room is about %.0f dB too loud%s: %s", name, near(db, limit), limit, math.Ceil(db-limit), help, roomCure)
}

// SaysRoomTooShort tells of a test that holds too little of the room.
func SaysRoomTooShort(s, leastS float64) string {
	return fmt.Sprintf("There are only %.1f seconds of nothing but your room in this recording, and it takes at least %g to judge it. Keep still, %s", s, leastS, recordRoom)
}

// SaysRoomMuted tells of a test in which the room was not recorded.
func SaysRoomMuted() string {
	return "Where nothing is said the recording holds no sound at all, not even that of a quiet room: the microphone was off, or something mutes the pauses. Put that right, " + recordRoom
}

// SaysRoomStill warns of a room that is hardly to be had.
func SaysRoomStill() string {
	return "It is so quiet that the microphone may have been off: listen whether anything is heard at all."
}

// SaysRoomRestless tells of a room in which something stirs most of the time.
func SaysRoomRestless() string {
	return "For most of the time something is heard in it that comes and goes, and it is counted here as part of the room. If it was you, keep still and test again."
}

// SaysVoiceAssumed tells at which level the room was judged: one that is usual.
func SaysVoiceAssumed(dbfs float64) string {
	return fmt.Sprintf("This is reckoned for a normal speaking level, a voice of about %.0f dB in the recording. Say two or three sentences in the next test, after 10 s of silence, and it is reckoned for your own voice.", dbfs)
}

// SaysVoiceOfBook tells that it was the level of the book's chapters.
func SaysVoiceOfBook(chapters string, dbfs float64) string {
	return fmt.Sprintf("This is reckoned for the level at which you spoke in %s, a voice of about %.0f dB in the recording.", chapters, dbfs)
}

// SaysVoiceOfTest tells that it was the level of the test's own words.
func SaysVoiceOfTest(dbfs float64) string {
	return fmt.Sprintf("This is reckoned for the level at which you speak in this test, a voice of about %.0f dB in the recording.", dbfs)
}

// HeardInRoom is what stands out in a room.
type HeardInRoom struct {
	HumHz  int // of the mains; 0 for none
	Hiss   bool
	Rumble bool
	// RumbleStays tells that the settings leave rumble in.
	RumbleStays bool
	// Clicks and Thumps are their times.
	Clicks, Thumps []string
}

// SaysHeard lists what stands out in the room.
func SaysHeard(h HeardInRoom) string {
	var words []string
	if h.HumHz > 0 {
		words = append(words, fmt.Sprintf("a hum of the electric mains (%d swings a second)", h.HumHz))
	}
	if h.Hiss {
		words = append(words, "a hiss")
	}
	switch {
	case h.Rumble && h.RumbleStays:
		words = append(words, "a rumble too low to be heard well")
	case h.Rumble:
		words = append(words, "a rumble too low to be heard well, which Lectern takes out")
	}
	for _, k := range []struct {
		one, many string
		at        []string
	}{{"a click", "clicks", h.Clicks}, {"a thump", "thumps", h.Thumps}} {
		const most = 5
		switch n := len(k.at); {
		case n == 1:
			words = append(words, fmt.Sprintf("%s (at %s)", k.one, k.at[0]))
		case n > most:
			words = append(words, fmt.Sprintf("%d %s (the first at %s)", n, k.many, k.at[0]))
		case n > 1:
			words = append(words, fmt.Sprintf("%d %s (at %s)", n, k.many, list(k.at)))
		}
	}
	if len(words) == 0 {
		return "Nothing stands out in it: no hum, no hiss, no rumble, no clicks."
	}
	return "Heard in it: " + list(words) + "."
}

// AdviseHum and AdviseHiss are what to do about them in a room that is too loud.
const (
	AdviseHum  = "Against the hum: put the microphone and the computer on one socket strip, try the laptop on its battery, and move power supplies, dimmed lamps and cables away from the microphone."
	AdviseHiss = "Against the hiss: come closer to the microphone and turn its input down by as much as you become louder; look for air that blows, such as a fan or a heating."
)

// Other is how a room test differs from the chapters it is compared with: figures
// in dB, 0 for those that are no difference to speak of.
type Other struct{ RoomToVoiceDB, BrightnessDB, LevelDB float64 }

// SaysCompared tells how a test differs from the chapters.
func SaysCompared(chapters string, o Other) string {
	room := ""
	if o.RoomToVoiceDB != 0 {
		room = fmt.Sprintf("Room tone %.0f dB %s, ", math.Abs(o.RoomToVoiceDB), or(o.RoomToVoiceDB > 0, "higher", "lower"))
	}
	louder, quieter := o.RoomToVoiceDB > 0, o.RoomToVoiceDB < 0
	duller, brighter := o.BrightnessDB < 0, o.BrightnessDB > 0
	var says string
	switch {
	case louder && duller:
		says = fmt.Sprintf("%svoice duller: you are farther from the microphone than in %s, or you have a cold.", room, chapters)
	case louder && brighter:
		says = fmt.Sprintf("%svoice brighter: the microphone or its settings are not as they were in %s. Look whether it is the same one, in the same place.", room, chapters)
	case louder:
		says = fmt.Sprintf("%svoice of the same color: something in the room is on that was off in %s, or you speak more softly. Listen what it is and switch it off.", room, chapters)
	case quieter && duller:
		says = fmt.Sprintf("%svoice duller: you are closer to the microphone than in %s, or beside it.", room, chapters)
	case quieter && brighter:
		says = fmt.Sprintf("%svoice brighter: you are straighter in front of the microphone than in %s, or closer to it.", room, chapters)
	case quieter:
		says = fmt.Sprintf("%svoice of the same color: your room is quieter than in %s, or you speak up more. That does no harm.", room, chapters)
	case duller:
		says = fmt.Sprintf("Voice duller by %.0f dB, room tone the same: you speak past the microphone more than in %s, or you have a cold.", -o.BrightnessDB, chapters)
	case brighter:
		says = fmt.Sprintf("Voice brighter by %.0f dB, room tone the same: you speak into the microphone more directly than in %s.", o.BrightnessDB, chapters)
	default:
		says = fmt.Sprintf("Room tone and the color of your voice are as in %s.", chapters)
	}
	if o.LevelDB != 0 {
		says += fmt.Sprintf(" Your voice is %.0f dB %s than there; Lectern evens that.", math.Abs(o.LevelDB), or(o.LevelDB > 0, "louder", "softer"))
	}
	return says
}

// SaysTooFewWords tells that a test cannot be compared with the book.
func SaysTooFewWords() string {
	return "There are too few words in it to compare your voice with the chapters of this book. Read for half a minute, as you read the book."
}

// Chapters names chapters in words: "chapter 3", "chapters 1 to 4" if the numbers
// they begin with follow each other, else by their names. numbers are those, "" for
// a name without one.
func Chapters(names, numbers []string) string {
	in := make([]int, len(numbers))
	for i, n := range numbers {
		v, err := strconv.Atoi(n)
		if err != nil || i > 0 && v != in[i-1]+1 {
			const most = 3
			if len(names) > most {
				return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
			}
			return list(names)
		}
		in[i] = v
	}
	if len(in) == 1 {
		return fmt.Sprintf("chapter %d", in[0])
	}
	return fmt.Sprintf("chapters %d to %d", in[0], in[len(in)-1])
}
