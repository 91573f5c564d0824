package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// All advice stands in this one file, long as it is, so that it can be read through
// and translated in one go: what is wrong, how bad it is, what to do about
// it in her room. Sentences for a narrator: no jargon without its meaning. A
// check may be of a raw recording as well as of a finished file, so no sentence
// takes it for the one or the other.

const (
	adviseSilent     = "The file is silent. Check that the microphone was on and the right input was recorded, then record it again."
	adviseNoLoudness = "No loudness can be told of this file: it is silent or nearly so, or shorter than half a second. Listen to it; if it is the wrong file, record or export the right one."
	adviseNoSpeech   = "No speech was found in the file, so it has no beginning and no end. Listen to it; if it is the wrong file, record or export the right one."
	// softNoHarm ends the advice on a file that is too soft.
	softNoHarm = "In a raw recording that is no harm: Lectern raises it. In a finished file a few very loud moments hold it down: listen for a bump, a pop or a shout, read that place again more softly, and drop the take again."
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
	return fmt.Sprintf("On the whole the reading is %s dB too soft: its average level (RMS) is %s dB, and the limit is %g. %s", near(limit-v, 0), near(v, limit), limit, softNoHarm)
}

func adviseTruePeak(v, limit float64, _ bool) string {
	return fmt.Sprintf("The loudest moment, as a player makes it of the file (its true peak), is at %s dB, %s dB over the limit of %g. %s", near(v, limit), near(v-limit, 0), limit, setRight)
}

func adviseLoudness(v, limit float64, over bool) string {
	if over {
		return fmt.Sprintf("To the ear the reading is %s dB too loud on the whole: its loudness is %s, and the limit is %g. %s", near(v-limit, 0), near(v, limit), limit, setRight)
	}
	return fmt.Sprintf("To the ear the reading is %s dB too soft on the whole: its loudness is %s, and the limit is %g. %s", near(limit-v, 0), near(v, limit), limit, softNoHarm)
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

// A Place is where a finding is heard, in words.
type Place struct {
	// Clock is the time in the finished file, or in the recording if CutAway.
	Clock string
	// CutAway tells that the place is not in the finished file.
	CutAway bool
}

// PlaceOf names a place of a recording; finishedAtS is nil if it was cut away.
func PlaceOf(atS float64, finishedAtS *Seconds) Place {
	if finishedAtS == nil {
		return Place{Clock(atS), true}
	}
	return Place{Clock(float64(*finishedAtS)), false}
}

// at begins a sentence.
func (p Place) at() string {
	if p.CutAway {
		return fmt.Sprintf("At %s of the recording, which is cut away in the finished file,", p.Clock)
	}
	return fmt.Sprintf("At %s", p.Clock)
}

// what each kind of place is called when there are several, and what to do about
// them.
var several = map[string]struct{ what, do string }{
	"clipped":         {"the sound was too loud for the recorder (it hit its ceiling)", "If they crackle, turn the microphone down a little and read those sentences again."},
	"clipped_lowered": {"peaks were cut off when this was recorded or exported, and the sound made softer afterwards", "If they crackle, turn the microphone down a little and read those sentences again."},
	"soft_clipped":    {"the loudest moments are pressed flat, as by an input that is turned up too far", "If they sound harsh, turn the microphone down a little and read those sentences again."},
	"click":           {"there is a click in a pause", "If they disturb, keep your hand off the mouse and take a sip of water before you read on; then read those places again."},
	"thump":           {"there is a thump in a pause, as when the table or the stand is touched", "If they disturb, read those places again."},
	"drop_out":        {"the sound breaks off for a moment", "If a word is damaged, read those sentences again, and look whether the recorder or its cable lost contact."},
	"repeated":        {"a tiny piece of sound is repeated, as when the recorder stutters", "If you hear it, close other programs while you record, and read those sentences again."},
	"long_pause":      {"there is a far longer pause than you usually leave", "If one of them is not meant, shorten it in the take and drop the take again."},
	"room_change":     {"the sound of the room changes", "If you hear the change, look what was switched on or opened there."},
	"tone_change":     {"your voice changes its color", "If both sides do not sound alike, read one side again from the same seat."},
	"mark_alone":      {"there are two sharp sounds, as of a mark for a slip, with nothing read again behind them", "Where one was a mark, read again from the sentence before to the sentence after, and drop that as a pickup."},
	"join_stands_out": {"one recording goes over into another that sounds different", "Where you hear it, read that passage again from the same seat, as far from the microphone as before."},
}

// SaysSeveral sums up places of one kind; ok is false if it has no such sentence.
func SaysSeveral(kind string, clocks []string) (says string, ok bool) {
	s, ok := several[kind]
	if !ok {
		return "", false
	}
	const most = 8
	where := list(clocks)
	if len(clocks) > most {
		where = fmt.Sprintf("%s and %d more", strings.Join(clocks[:most], ", "), len(clocks)-most)
	}
	return fmt.Sprintf("In %d places %s: at %s. Listen to them. %s", len(clocks), s.what, where, s.do), true
}

// SaysClipped tells of samples that stand at the recorder's ceiling.
func SaysClipped(p Place) string {
	return p.at() + " the sound was too loud for the recorder (it hit its ceiling), and its peak is cut off. Listen to it; if it crackles, turn the microphone down a little and read the sentence again."
}

// SaysClippedLowered tells of peaks that were cut off before the file was made softer.
func SaysClippedLowered(p Place) string {
	return p.at() + " a peak was cut off when this was recorded or exported, and the sound was made softer afterwards, so that it does not show in the level. Listen to it; if it crackles, turn the microphone down a little and read the sentence again."
}

// SaysSoftClipped tells of peaks that are pressed flat.
func SaysSoftClipped(p Place) string {
	return p.at() + " the loudest moments are pressed flat, as by an input that is turned up too far or a device that limits. Listen to it; if it sounds harsh, turn the microphone down a little and read the sentence again."
}

// SaysDropOut tells that the sound breaks off in the middle.
func SaysDropOut(p Place, ms float64) string {
	return fmt.Sprintf("%s the sound breaks off for %.1f milliseconds. Listen to it; if a word is damaged, read the sentence again, and look whether the recorder or its cable lost contact.", p.at(), ms)
}

// SaysRepeated tells of a piece of sound that comes twice.
func SaysRepeated(p Place, ms float64) string {
	return fmt.Sprintf("%s a piece of sound of %.1f milliseconds is repeated exactly, as when the recorder stutters. Listen to it; if you hear it, close other programs while you record, and read the sentence again.", p.at(), ms)
}

// SaysNarrowBand tells of a source that has no high sounds.
func SaysNarrowBand(hz float64) string {
	return fmt.Sprintf("The highest sounds are missing (all above about %.0f swings a second), as through a telephone or a wireless headset, although the file has room for them. It will sound dull beside other chapters. Record with a microphone that is joined by a cable, and set the recorder to 44100 or 48000 samples a second.", math.Round(hz/100)*100)
}

// SaysHum tells of mains hum.
func SaysHum(mainsHz int, raisedDBFS float64, harmonicsHz []float64) string {
	tones := make([]string, len(harmonicsHz))
	for i, hz := range harmonicsHz {
		tones[i] = fmt.Sprintf("%.0f", hz)
	}
	how := "A soft"
	switch {
	case raisedDBFS >= -50:
		how = "A loud"
	case raisedDBFS >= -60:
		how = "A clear"
	}
	return fmt.Sprintf("%s hum runs through the recording: that of the electric mains, %d swings a second (heard at %s), at about %.0f dB in the finished file. Put the microphone and the computer on one socket strip, try the laptop on its battery, and move power supplies, dimmed lamps and cables away from the microphone.", how, mainsHz, list(tones), raisedDBFS)
}

// SaysRumble tells of sound too low to hear.
func SaysRumble(overRoomDB float64) string {
	how := "some rumble"
	if overRoomDB >= 12 {
		how = "a strong rumble"
	}
	return fmt.Sprintf("Below the voice there is %s, %.0f dB louder than the rest of the room: traffic, steps, or a table that shakes. You hardly hear it, but it counts as noise. Lectern takes it out of the finished file as far as its setting rumble_hz says; set the microphone on something soft, away from the computer's table, and switch on its low cut if it has one.", how, overRoomDB)
}

// SaysClick tells of a click in a pause.
func SaysClick(p Place, raisedDBFS float64) string {
	how := "a click"
	if raisedDBFS >= -20 {
		how = "a loud click"
	}
	return fmt.Sprintf("%s there is %s in the pause, as of a mouse or the lips (its peak is about %.0f dB in the finished file). Listen to it; if it disturbs, keep your hand off the mouse, take a sip of water, and read that place again.", p.at(), how, raisedDBFS)
}

// SaysThump tells of a thump in a pause.
func SaysThump(p Place, raisedDBFS float64) string {
	how := "a thump"
	if raisedDBFS >= -20 {
		how = "a loud thump"
	}
	return fmt.Sprintf("%s there is %s in the pause, as when the table or the stand is touched (its peak is about %.0f dB in the finished file). Listen to it; if it disturbs, read that place again.", p.at(), how, raisedDBFS)
}

// SaysLongPause tells of a pause far longer than the others; usualS is 0 where
// there are too few to compare with.
func SaysLongPause(p Place, s, usualS float64) string {
	usual := ""
	if usualS > 0 {
		usual = fmt.Sprintf("; nine of ten of yours are shorter than %.1f", usualS)
	}
	return fmt.Sprintf("%s there is a pause of %.1f seconds%s. Listen whether a sentence is missing; if the pause is not meant, shorten it in the take and drop the take again.", p.at(), s, usual)
}

// SaysSoftSpeech tells that the voice does not stand far enough over its room.
func SaysSoftSpeech(overDB, needDB float64) string {
	return fmt.Sprintf("Your voice stands only %.0f dB over the sound of your room, and it takes about %.0f. Made as loud as it must be, the room becomes loud as well. Come closer to the microphone (a hand's width and a half), speak up, and switch off what hums or blows.", overDB, needDB)
}

// SaysRoomChange tells where the room gets another sound.
func SaysRoomChange(p Place, db float64) string {
	how := "louder"
	if db < 0 {
		how = "softer"
	}
	return fmt.Sprintf("%s the room around your voice becomes %.0f dB %s, as when a window is opened or a device switched on or off. Listen across that place; if you hear the change, look what it was, and read one side again.", p.at(), math.Abs(db), how)
}

// SaysToneChange tells where the voice gets another color.
func SaysToneChange(p Place, db, brightnessDB float64) string {
	how := "changes its color"
	switch {
	case brightnessDB >= 2:
		how = "becomes brighter"
	case brightnessDB <= -2:
		how = "becomes duller"
	}
	return fmt.Sprintf("%s your voice %s (by up to %.0f dB), as when you sit closer to the microphone or farther away, or beside it. Listen across that place; if the two sides do not sound alike, read one of them again from the same seat.", p.at(), how, math.Abs(db))
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
	return fmt.Sprintf("There was too little clean room tone %s (a breath, a noise or the edge of the recording was too close), so %.1f seconds of it were made to sound like the quiet places of the same recording. Leave two seconds of quiet before the first word and after the last.", where, s)
}

// SaysSilenceInside tells of digital silence inside the reading.
func SaysSilenceInside(places int, s, atS float64, borrowed bool) string {
	where := fmt.Sprintf("at %s", Clock(atS))
	if places > 1 {
		where = fmt.Sprintf("in %d places, the first at %s", places, Clock(atS))
	}
	what := "The tone of your room"
	if !borrowed {
		what = "The recording holds nothing of your empty room, so a very soft made sound"
	}
	return fmt.Sprintf("The sound breaks off completely inside the reading, for %.1f seconds %s, as when something mutes the pauses or the recorder drops out. %s was laid in there. Listen whether a word is missing, and turn off whatever mutes the pauses.", s, where, what)
}

// SaysNoiseLeft tells how much is missing after the pauses were eased as far as allowed.
func SaysNoiseLeft(easedDB, missingDB float64) string {
	return fmt.Sprintf("The pauses were made softer by %.1f dB, as far as the settings allow, and the room heard in them is still %.1f dB too loud. Make the room itself quieter: switch off what hums or blows, and come closer to the microphone.", easedDB, missingDB)
}

// SaysDamaged tells where an MP3 is damaged.
func SaysDamaged(atS float64, offset int64, what string) string {
	return fmt.Sprintf("The file is damaged at %s (at byte %d of it): %s. Copy it again, or make it again from the recording.", Clock(atS), offset, strings.TrimSuffix(what, "."))
}

func or(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}
