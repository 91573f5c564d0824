package page

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"golang.org/x/text/language"

	"lectern/pipeline/book"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// state is a verdict or a state as a sign and a word, so that neither color nor sign
// stands alone.
type state struct{ Class, Sign, Says string }

var states = map[string]state{
	report.Pass:   {"good", "✓", "within all limits"},
	report.Listen: {"ear", "◆", "listen first"},
	report.Fail:   {"bad", "✕", "misses a limit"},
	book.Waiting:  {"wait", "…", "waits"},
	book.SetAside: {"bad", "✕", "set aside"},
}

// stateOf tells a verdict, or how far a file is that has none.
func stateOf(word string) state {
	if s, ok := states[word]; ok {
		return s
	}
	return state{"wait", "…", word}
}

// checkNames are the checks' names as a narrator would say them.
var checkNames = map[string]string{
	"sample_peak":  "Loudest moment",
	"true_peak":    "Loudest moment, as played",
	"rms":          "Level (RMS)",
	"loudness":     "Loudness",
	"noise_floor":  "Noise floor",
	"room_tone":    "Room tone",
	"head":         "Quiet before the first word",
	"tail":         "Quiet after the last word",
	"bitrate":      "Bit rate",
	"sample_rate":  "Sample rate",
	"channels":     "Channels",
	"length":       "Length",
	"nothing_lost": "Nothing left out",
	"read_twice":   "Nothing read twice",
}

// figureNames are the figures' names over the book.
var figureNames = map[string]string{
	"rms_dbfs":         "Level (RMS)",
	"integrated_lufs":  "Loudness",
	"noise_floor_dbfs": "Noise floor",
	"room_tone_dbfs":   "Room tone",
	"tone_color_db":    "Tone color",
}

// inWords names a check or a figure; one that is not known here is spelled out.
func inWords(names map[string]string, key string) string {
	if name, ok := names[key]; ok {
		return name
	}
	words := strings.ReplaceAll(key, "_", " ")
	if words == "" {
		return words
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// figure writes a number with at most two decimals and a true minus.
func figure(v float64) string {
	return strings.Replace(strconv.FormatFloat(float64(int64(v*100+half(v)))/100, 'f', -1, 64), "-", "−", 1)
}

func half(v float64) float64 {
	if v < 0 {
		return -0.5
	}
	return 0.5
}

// level writes a level with one decimal, or that there is none.
func level(v meter.DB) string {
	if v.IsSilent() {
		return "none"
	}
	return strings.Replace(v.String(), "-", "−", 1)
}

// withUnit writes a number with its unit, which of one thing is not many.
func withUnit(v report.Figure, unit string) string {
	if v == 1 && (unit == "channels" || unit == "places") {
		unit = strings.TrimSuffix(unit, "s")
	}
	return strings.TrimSpace(figure(float64(v)) + " " + unit)
}

// limitWords tells a limit: "at most −60 dBFS", "−23 to −18 dBFS", "none".
func limitWords(l report.Limit) string {
	switch {
	case l.Min == nil && l.Max == nil:
		return "no limit"
	case l.Max != nil && *l.Max == 0 && (l.Min == nil || *l.Min == 0):
		return "no " + l.Unit
	case l.Min == nil:
		return "at most " + withUnit(*l.Max, l.Unit)
	case l.Max == nil:
		return "at least " + withUnit(*l.Min, l.Unit)
	case *l.Min == *l.Max:
		return withUnit(*l.Max, l.Unit)
	}
	return figure(float64(*l.Min)) + " to " + withUnit(*l.Max, l.Unit)
}

// link is the address of a file that lies in or below the page's folder. The dot in
// front keeps a name with a colon from being taken for another kind of address.
func link(folders ...string) string {
	for i, name := range folders {
		folders[i] = url.PathEscape(name)
	}
	return "./" + strings.Join(folders, "/")
}

// tongue is the language of a book as HTML wants it, "" if it is not told or not known.
func tongue(told string) string {
	tag, err := language.Parse(told)
	if err != nil || tag == language.Und {
		return ""
	}
	return tag.String()
}

// own makes a text from outside ready to stand in a bdi element, where it turns no other
// text around. The element ends with a mark that closes the latest part opened in it, so
// each part the text opens must be closed in it, and none that it does not open (UAX #9,
// BD9).
func own(text string) string {
	const (
		firstOpening, lastOpening, closing = '\u2066', '\u2068', '\u2069'
		paragraph                          = '\u2029' // ends every part
	)
	opened := 0
	closed := strings.Map(func(r rune) rune {
		switch {
		case r >= firstOpening && r <= lastOpening:
			opened++
		case r == closing && opened == 0:
			return -1
		case r == closing:
			opened--
		case r == paragraph:
			return ' '
		}
		return r
	}, text)
	return closed + strings.Repeat(string(closing), opened)
}

// count writes a number of things.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// numbers writes chapter numbers: "3, 7 and 12".
func numbers(list []int) string {
	words := make([]string, len(list))
	for i, n := range list {
		words[i] = strconv.Itoa(n)
	}
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
