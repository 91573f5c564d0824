package report

import (
	"fmt"
	"math"
	"strings"
)

// All advice stands in this file: what is wrong, how bad it is, what to do about
// it in her room. Sentences for a narrator: no jargon without its meaning.

const (
	adviseSilent   = "The file is silent. Check that the microphone was on and the right input was recorded, then record it again."
	adviseNoSpeech = "No speech was found in the file, so it has no beginning and no end. Listen to it; if it is the wrong file, record or export the right one."
)

func adviseSamplePeak(v, limit float64, _ bool) string {
	return fmt.Sprintf("The loudest moment is at %.2f dB; the limit is %.1f. It is %.2f dB too loud: make the file again from the raw take.", v, limit, v-limit)
}

func adviseRMS(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("The reading is %.1f dB too loud on average: %.1f dB, and the limit is %.1f. Make the file again from the raw take.", v-limit, v, limit)
	}
	return fmt.Sprintf("The reading is %.1f dB too soft on average: %.1f dB, and the limit is %.1f. A few very loud moments may keep it down: listen for a bump, a pop or a shout, read that place again softer, and drop the take again.", limit-v, v, limit)
}

func adviseNoiseFloor(v, limit float64, _ bool) string {
	return fmt.Sprintf("Noise floor %.1f dB; the limit is %.0f. Your room is about %.0f dB too loud: switch off the fan or the computer near the microphone, come closer to the microphone, then read the chapter again.", v, limit, math.Ceil(v-limit))
}

func adviseRoomTone(v, limit float64, _ bool) string {
	return fmt.Sprintf("Room tone (what is heard in the pauses, breaths included) %.1f dB; the limit is %.0f. It is about %.0f dB too loud: turn your head away to breathe in, switch off what hums or blows, come closer to the microphone, then read the chapter again.", v, limit, math.Ceil(v-limit))
}

func adviseHead(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("It takes %.2f s until the first word; at most %.2f s are allowed. Make the file again from the raw take.", v, limit)
	}
	return fmt.Sprintf("Only %.2f s of room tone before the first word; at least %.2f s are asked for. Make the file again from the raw take.", v, limit)
}

func adviseTail(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("The file goes on for %.2f s after the last word; at most %.2f s are allowed. Make the file again from the raw take.", v, limit)
	}
	return fmt.Sprintf("Only %.2f s of room tone after the last word; at least %.2f s are asked for. Make the file again from the raw take.", v, limit)
}

func adviseBitrate(f Format) advisor {
	return func(v, limit float64, _ bool) string {
		if !f.ConstantRate {
			return fmt.Sprintf("The bit rate changes along the file (%.0f kbps on average); a constant rate is asked for. Make the file again from the raw take.", v)
		}
		return fmt.Sprintf("The bit rate is %.0f kbps; %.0f kbps is asked for. Make the file again from the raw take.", v, limit)
	}
}

func adviseSampleRate(v, limit float64, _ bool) string {
	return fmt.Sprintf("The sample rate is %.0f Hz; %.0f Hz is asked for. Make the file again from the raw take.", v, limit)
}

func adviseChannels(v, _ float64, _ bool) string {
	return fmt.Sprintf("The file has %.0f channels; a mono file, with one, is asked for. Make the file again from the raw take.", v)
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
		return fmt.Sprintf("The recording hit its ceiling at %s: the loudest moment there is cut off and may crackle. Listen to that place; if it crackles, turn the microphone down a little and read the sentence again.", Clock(atS))
	}
	return fmt.Sprintf("The recording hit its ceiling at %d places, the first at %s: the loudest moments are cut off and may crackle. Turn the microphone down a little and read these places again.", places, Clock(atS))
}

// SaysOffset tells of a constant offset.
func SaysOffset(percent float64) string {
	return fmt.Sprintf("The recording does not swing around zero (it is off by %.1f %%). This was taken out and cannot be heard, but it points to a faulty cable or input.", percent)
}

// SaysDeadChannel tells that one side was not recorded.
func SaysDeadChannel(side string) string {
	return fmt.Sprintf("Only the %s channel holds your voice; the other one is empty. The %s one was used. You can record in mono.", side, side)
}

// SaysCancel tells that the channels would cancel out.
func SaysCancel(side string) string {
	return fmt.Sprintf("The two channels are turned against each other and would cancel out when mixed. Only the %s one was used. Check the cable or the setting that swaps polarity, or record in mono.", side)
}

// SaysUnlike tells that the two channels differ.
func SaysUnlike(side string) string {
	return fmt.Sprintf("The two channels do not hold the same sound, as with two microphones. Only the %s one, the clearer, was used. Record in mono.", side)
}

// SaysUnfinished tells that the recorder did not close the file.
func SaysUnfinished() string {
	return "The recorder never finished writing this file, as when it is unplugged. Everything that is in it was used; check that the last sentence is whole."
}

// SaysTruncated tells that a file is shorter than it says it is.
func SaysTruncated(percent float64) string {
	return fmt.Sprintf("The file is cut short: only %.0f %% of what it announces is there. What is there was used; check that the last sentence is whole.", percent)
}

// SaysNonFinite tells of samples that are not numbers.
func SaysNonFinite(n int64) string {
	return fmt.Sprintf("%d samples of the recording are not numbers and were replaced by silence. Listen for clicks, and export the take again.", n)
}

// SaysToneLaidIn tells that room tone had to be made.
func SaysToneLaidIn(s float64, where string, borrowed bool) string {
	if !borrowed {
		return fmt.Sprintf("The recording holds no room tone at all, only digital silence or words, so a very soft made noise was laid in %s (%.1f s). Record a few seconds of your empty room before and after reading, and turn off anything that mutes the pauses.", where, s)
	}
	return fmt.Sprintf("There was too little clean room tone %s, so %.1f s were laid in from elsewhere in the same recording. Leave two seconds of quiet before the first word and after the last.", where, s)
}

// SaysSilenceInside tells of digital silence inside the reading.
func SaysSilenceInside(places int, s, atS float64) string {
	return fmt.Sprintf("The recording holds %.1f s of digital silence inside the reading, in %d places, the first at %s, as when something mutes the pauses or drops out. Room tone was laid in there. Turn off whatever mutes the pauses.", s, places, Clock(atS))
}

// SaysNoiseLeft tells how much is missing after the pauses were eased as far as allowed.
func SaysNoiseLeft(easedDB, missingDB float64) string {
	return fmt.Sprintf("The pauses were made softer by %.1f dB, as far as the settings allow, and the room is still %.1f dB too loud.", easedDB, missingDB)
}

// SaysDamaged tells where an MP3 is damaged.
func SaysDamaged(atS float64, offset int64, what string) string {
	return fmt.Sprintf("The file is damaged at %s (byte %d): %s. Make or copy the file again.", Clock(atS), offset, strings.TrimSuffix(what, "."))
}

// SaysUndecodable tells where the sound of an MP3 breaks off.
func SaysUndecodable(atS float64) string {
	return fmt.Sprintf("The sound cannot be decoded from %s on. Make or copy the file again.", Clock(atS))
}

// SaysJoined tells where one take follows another.
func SaysJoined(atS float64) string {
	return fmt.Sprintf("Two takes were put one after the other at %s. Listen there: if you began again at an earlier sentence, it is heard twice.", Clock(atS))
}
