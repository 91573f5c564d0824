package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// All advice stands in this file: what is wrong, how bad it is, what to do about
// it in her room. Sentences for a narrator: no jargon without its meaning. A
// check may be of a raw recording as well as of a finished file, so no sentence
// takes it for the one or the other.

const (
	adviseSilent   = "The file is silent. Check that the microphone was on and the right input was recorded, then record it again."
	adviseNoSpeech = "No speech was found in the file, so it has no beginning and no end. Listen to it; if it is the wrong file, record or export the right one."
	// setRight ends the advice on what mastering alone puts right.
	setRight = "Lectern sets this right when it makes the chapter from your recording."
)

func adviseSamplePeak(v, limit float64, _ bool) string {
	return fmt.Sprintf("The loudest moment is at %s dB, %s dB over the limit of %g. %s", near(v, limit), near(v-limit, 0), limit, setRight)
}

func adviseRMS(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("On the whole the reading is %s dB too loud: its average level (RMS) is %s dB, and the limit is %g. %s", near(v-limit, 0), near(v, limit), limit, setRight)
	}
	return fmt.Sprintf("On the whole the reading is %s dB too soft: its average level (RMS) is %s dB, and the limit is %g. In a raw recording that is no harm: Lectern raises it. In a finished file a few very loud moments hold it down: listen for a bump, a pop or a shout, read that place again more softly, and drop the take again.", near(limit-v, 0), near(v, limit), limit)
}

func adviseNoiseFloor(v, limit float64, _ bool) string {
	return fmt.Sprintf("Even at its quietest your room is about %.0f dB too loud: its noise floor is %s dB, and the limit is %g. Switch off the fan, or move the computer away from the microphone, come closer to the microphone, then read the chapter again.", math.Ceil(v-limit), near(v, limit), limit)
}

func adviseRoomTone(v, limit float64, _ bool) string {
	return fmt.Sprintf("The room heard in your pauses is about %.0f dB too loud: its room tone is %s dB, and the limit is %g. Switch off what hums or blows, keep still in the pauses, come closer to the microphone, then read the chapter again.", math.Ceil(v-limit), near(v, limit), limit)
}

func adviseHead(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("It takes %.2f seconds until the first word; at most %g are allowed. %s", v, limit, setRight)
	}
	return fmt.Sprintf("There are only %.2f seconds of quiet room before the first word; at least %g are asked for. %s", v, limit, setRight)
}

func adviseTail(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("The file goes on for %.2f seconds after the last word; at most %g are allowed. %s", v, limit, setRight)
	}
	return fmt.Sprintf("There are only %.2f seconds of quiet room after the last word; at least %g are asked for. %s", v, limit, setRight)
}

func adviseBitrate(f Format) advisor {
	return func(v, limit float64, _ bool) string {
		if !f.ConstantRate {
			return fmt.Sprintf("The MP3 spends more bits on some moments than on others, %.0f kilobits per second on average; the same number all along is asked for (a constant bit rate). %s", v, setRight)
		}
		return fmt.Sprintf("The MP3 has %g kilobits per second (its bit rate); %g are asked for. %s", v, limit, setRight)
	}
}

func adviseSampleRate(v, limit float64, _ bool) string {
	return fmt.Sprintf("The file has %.0f samples per second (its sample rate); %.0f are asked for. %s", v, limit, setRight)
}

func adviseChannels(v, _ float64, _ bool) string {
	return fmt.Sprintf("The file has %.0f channels; a file with one (mono) is asked for. %s", v, setRight)
}

// near writes v with one decimal, or with as many more as it takes, up to three,
// not to look like the limit it missed.
func near(v, limit float64) string {
	for decimals := 1; ; decimals++ {
		text := strconv.FormatFloat(v, 'f', decimals, 64)
		if decimals == 3 || text != strconv.FormatFloat(limit, 'f', decimals, 64) {
			return text
		}
	}
}

func adviseLength(pauseS float64) advisor {
	return func(v, limit float64, _ bool) string {
		return fmt.Sprintf("The chapter lasts %s; the limit is %s. Split it in two: the longest pause near the middle is at %s.", Clock(v*60), Clock(limit*60), Clock(pauseS))
	}
}

// The findings.

// SaysClipped tells of samples that stand at the recorder's ceiling.
func SaysClipped(places int, atS float64) string {
	if places == 1 {
		return fmt.Sprintf("At %s the sound was too loud for the recorder (it hit its ceiling), and its peak is cut off. Listen to it; if it crackles, turn the microphone down a little and read the sentence again.", Clock(atS))
	}
	return fmt.Sprintf("In %d places, the first at %s, the sound was too loud for the recorder (it hit its ceiling), and its peaks are cut off. Listen to them; if they crackle, turn the microphone down a little and read those sentences again.", places, Clock(atS))
}

// SaysOffset tells of a constant offset.
func SaysOffset(percent float64) string {
	return fmt.Sprintf("The recording carries a constant offset of %.1f %% of the loudest a file can hold, a pull to one side that cannot be heard. Lectern takes it out, but it points to a faulty cable or input.", percent)
}

// SaysDeadChannel tells that one side was not recorded.
func SaysDeadChannel(side string) string {
	return fmt.Sprintf("Only the %s channel holds your voice; the other one is empty. The %s one is used. Record with one channel (mono) if you can.", side, side)
}

// SaysCancel tells that the channels would cancel out.
func SaysCancel(side string) string {
	return fmt.Sprintf("The two channels are turned against each other and would cancel each other out if mixed, so only the %s one is used. Check the cable and any switch that inverts a channel, or record with one channel (mono).", side)
}

// SaysUnlike tells that the two channels differ.
func SaysUnlike(side string) string {
	return fmt.Sprintf("The two channels do not hold the same sound, as when each has its own microphone, so only the %s one is used, where your voice stands out more clearly. Listen whether it was the right one; record with one channel (mono) if you can.", side)
}

// SaysUnfinished tells that the recorder did not close the file.
func SaysUnfinished() string {
	return "The recorder never finished writing this file, as when it is unplugged or the program ends. All that is in it is used. Listen whether the last sentence is whole; if not, read it again."
}

// SaysTruncated tells that a file is shorter than it says it is.
func SaysTruncated(percent float64) string {
	return fmt.Sprintf("The file is cut short: only %.0f %% of what its beginning announces is there. What is there is used. Copy or export the take again; if this is all there is, listen whether the last sentence is whole.", percent)
}

// SaysNonFinite tells of samples that are not numbers.
func SaysNonFinite(n int64) string {
	return fmt.Sprintf("Some points of the recording (%d samples) hold no valid value and are replaced by silence. Export the take again; if this stays, listen for clicks.", n)
}

// SaysToneLaidIn tells that room tone had to be made.
func SaysToneLaidIn(s float64, where string, borrowed bool) string {
	if !borrowed {
		return fmt.Sprintf("The recording holds nothing of your empty room, only words or complete silence, so %.1f seconds of a very soft made sound were laid in %s. Record a few seconds of your quiet room before and after reading, and turn off whatever mutes the pauses.", s, where)
	}
	return fmt.Sprintf("There was too little clean room tone %s, so %.1f seconds of it were made to sound like the quiet places of the same recording. Leave two seconds of quiet before the first word and after the last.", where, s)
}

// SaysSilenceInside tells of digital silence inside the reading.
func SaysSilenceInside(places int, s, atS float64) string {
	where := fmt.Sprintf("at %s", Clock(atS))
	if places > 1 {
		where = fmt.Sprintf("in %d places, the first at %s", places, Clock(atS))
	}
	return fmt.Sprintf("The sound breaks off completely inside the reading, for %.1f seconds %s, as when something mutes the pauses or the recorder drops out. The tone of your room was laid in there. Listen whether a word is missing, and turn off whatever mutes the pauses.", s, where)
}

// SaysNoiseLeft tells how much is missing after the pauses were eased as far as allowed.
func SaysNoiseLeft(easedDB, missingDB float64) string {
	return fmt.Sprintf("The pauses were made softer by %.1f dB, as far as the settings allow, and the room heard in them is still %.1f dB too loud. Make the room itself quieter: switch off what hums or blows, and come closer to the microphone.", easedDB, missingDB)
}

// SaysDamaged tells where an MP3 is damaged.
func SaysDamaged(atS float64, offset int64, what string) string {
	return fmt.Sprintf("The file is damaged at %s (at byte %d of it): %s. Copy it again, or make it again from the recording.", Clock(atS), offset, strings.TrimSuffix(what, "."))
}

// SaysUndecodable tells where the sound of an MP3 breaks off.
func SaysUndecodable(atS float64) string {
	return fmt.Sprintf("The file cannot be played from %s on. Copy it again, or make it again from the recording.", Clock(atS))
}

// SaysJoined tells where one take follows another.
func SaysJoined(atS float64) string {
	return fmt.Sprintf("At %s one take ends and the next begins. Listen there: if you went back to an earlier sentence, it is heard twice.", Clock(atS))
}
