package book

import (
	"fmt"
	"math"
	"strings"

	"lectern/pipeline/report"
)

// Every sentence that is said of a book stands in this one file: what is the matter, and
// what to do about it. They are for a producer, who need not know what a dB is.

// sayers tell of a chapter that lies apart in a level, and of the middle of all.
var sayers = map[string]func(name string, value, middle float64) string{
	rms:        saysLevel("average level (RMS)"),
	loudness:   saysLevel("loudness"),
	noiseFloor: saysRoom("noise floor"),
	roomTone:   saysRoom("room tone"),
}

func saysLevel(what string) func(string, float64, float64) string {
	return func(name string, value, middle float64) string {
		return fmt.Sprintf("%s is %.1f dB %s on the whole than the middle of the chapters: its %s is %.1f dB, theirs %.1f. Listen to it beside its neighbors; if it stands out, have it read again, as loud and as lively as they are.",
			quoted(name), math.Abs(value-middle), or(value > middle, "louder", "softer"), what, value, middle)
	}
}

func saysRoom(what string) func(string, float64, float64) string {
	return func(name string, value, middle float64) string {
		return fmt.Sprintf("In the pauses of %s the room is %.0f dB %s than in the middle of the chapters: its %s is %.1f dB, theirs %.1f. Listen to its pauses beside those of its neighbors; if the change is heard, have it read again with the same things switched on and off.",
			quoted(name), math.Abs(value-middle), or(value > middle, "louder", "quieter"), what, value, middle)
	}
}

func saysColor(name string, apart colorApart) string {
	tones := "middle"
	switch {
	case apart.Hz < 400:
		tones = "low"
	case apart.Hz > 1500:
		tones = "high"
	}
	return fmt.Sprintf("The voice in %s sounds unlike that in the other chapters: most of all, its %s tones are %.0f dB %s. Listen to it beside its neighbors; if the change is heard, have it read again from the same seat, as far from the microphone as before.",
		quoted(name), tones, math.Abs(apart.DB), or(apart.DB > 0, "stronger", "weaker"))
}

func saysTooShort(f File, words int, wantedS float64, ownPace bool) string {
	pace := or(ownPace, "at the pace of the other chapters", "at a usual pace")
	return fmt.Sprintf("%s lasts %s, but its %d words should take about %s %s, so some of them may be missing. Listen to its end and its joins with the text before you; if the number of words in about.toml is wrong, set it right there.",
		quoted(f.Name), report.Clock(float64(*f.DurationS)), words, report.Clock(wantedS), pace)
}

func saysEmpty() string {
	return "Nothing of this book is finished yet. Drop its recordings into its folder in the inbox."
}

// saysMissing tells of chapter numbers; titles are those of all chapters, if told.
func saysMissing(numbers []int, titles []string) string {
	if n := numbers[0]; len(numbers) == 1 {
		title := ""
		if n <= len(titles) && titles[n-1] != "" {
			title = " (" + plain(titles[n-1]) + ")"
		}
		return fmt.Sprintf("Chapter %d%s is missing. Drop its recording into the book's folder in the inbox.", n, title)
	}
	return fmt.Sprintf("Chapters %s are missing. Drop their recordings into the book's folder in the inbox.", spans(numbers))
}

func saysSetAside(p Pending) string {
	return strings.TrimSpace(fmt.Sprintf("A recording of %s was set aside, and nothing was made of it. %s", quoted(p.Name), capital(sentence(p.Says))))
}

func saysWaiting(p Pending) string {
	if p.Says == "" {
		return fmt.Sprintf("A recording of %s is not made into a finished file yet. Wait for it.", quoted(p.Name))
	}
	return fmt.Sprintf("A recording of %s is not made into a finished file yet: %s", quoted(p.Name), sentence(p.Says))
}

func saysFailed(name, summary string, advice []string) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s. %s", quoted(name), plain(summary), strings.Join(advice, " ")))
}

func saysDoubled(number int, names []string) string {
	return fmt.Sprintf("Chapter %d is there more than once: %s. Give one of them its right number (lectern rename) or take it out (lectern withdraw).", number, few(names))
}

func saysDoubledKind(kind string, names []string) string {
	return fmt.Sprintf("There is more than one file with the %s: %s. Take out those that are not meant (lectern withdraw).", kind, few(names))
}

func saysBeyond(f File, chapters int) string {
	return fmt.Sprintf("%s has the number %d, but the book is to have %s. Give it its right number (lectern rename), or set chapters right in about.toml.", quoted(f.Name), *f.Number, count(chapters, "chapter"))
}

func saysNoCredits(kind string) string {
	return fmt.Sprintf("There are no %s yet. Record them and drop them into the book's folder in the inbox; if they have another name, write it into about.toml.", kind)
}

func saysNoSample() string {
	return "There is no sample yet. Write into about.toml which chapter it is to be cut from, or drop a recording named Sample into the book's folder in the inbox."
}

func saysUntold() string {
	return "Nobody has said how many chapters the book is to have, so it cannot be told whether it is complete. Write it into about.toml in the book's folder in the inbox, as in: chapters = 12."
}

// saysMadeOtherwise tells of files that were not made like the others, or not as they
// would be made now.
func saysMadeOtherwise(book string, names []string, what string, all bool) string {
	if all {
		return fmt.Sprintf("All files of the book were made %s than now. They match one another; if what holds now is meant for this book, have all of it made again: lectern remake %s.", what, quoted(book))
	}
	were, them := "were", "them"
	if len(names) == 1 {
		were, them = "was", "it"
	}
	return fmt.Sprintf("%s %s made %s than the rest of the book. Have %s made again, so that all of it sounds alike: lectern remake %s.", few(names), were, what, them, quoted(book))
}

func saysListen(f File) string {
	if f.Places == 0 {
		return fmt.Sprintf("Listen to %s before you hand it over: its report tells why.", quoted(f.Name))
	}
	return fmt.Sprintf("Listen to %s in %s before you hand it over: listen.txt tells where, and what for.", quoted(f.Name), count(f.Places, "place"))
}

func saysNothingToHear(allS report.Seconds) string {
	if allS == 0 {
		return "Nothing is finished yet, so there is nothing to hear."
	}
	return "There is no place to hear: nothing was joined, cut or laid in, and nothing was found. Numbers cannot judge a performance; that is left to you."
}

func saysToHear(places int, heardS float64, allS report.Seconds) string {
	minutes := int(math.Ceil(heardS / 60))
	instead := fmt.Sprintf(", instead of %s hours", hoursClock(allS))
	switch {
	case float64(minutes)*60 >= float64(allS): // no shorter than all of it
		instead = ""
	case allS < 3600:
		instead = fmt.Sprintf(", instead of %s minutes", report.Clock(float64(allS)))
	}
	return fmt.Sprintf("%s, about %s%s. Times are those in the finished files; begin to play a few seconds earlier.",
		count(places, "place"), count(minutes, "minute"), instead)
}

// toListenFor is what a finding says, and what to listen for where it does not say that.
func toListenFor(f report.Finding) string {
	if f.Kind == "tone_laid_in" {
		return f.Says + " Listen whether it sounds like the pauses of the reading."
	}
	return f.Says
}

// saysChanged tells what changed since a hand-over.
func saysChanged(changed, retagged []Changed) string {
	list := func(of []Changed) string {
		var what []string
		for _, c := range of {
			what = append(what, c.Says)
		}
		return strings.Join(what, ", ")
	}
	says := "Nothing has changed since."
	if len(changed) > 0 {
		says = "Changed since: " + list(changed) + "."
	}
	if len(retagged) > 0 {
		says += " The same sound with other words in the file (title, cover or place): " + list(retagged) + "."
	}
	return says
}

// label is what a file is called in such a list: the number of a chapter, which is
// enough, or its name.
func label(name, kind string, number *int) string {
	if kind == Chapter && number != nil {
		return fmt.Sprintf("%02d", *number)
	}
	return plain(name)
}

func or(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}
