// Package takes knows which raws belong to one chapter and what each of them is
// to it.
package takes

import (
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"golang.org/x/text/unicode/norm"

	"lectern/config"
)

// Name is what a raw's file name says.
type Name struct {
	// Chapter is the name of the finished file without its ending, as the
	// narrator spelled it.
	Chapter string
	// Role is chapter, take, part, pickup or room test; Number the number behind the
	// word, 0 for a plain name and for a room test.
	Role   string
	Number int
	// AtS is where a pickup says it belongs in the finished chapter, in seconds; -1 if
	// the name says nothing of it.
	AtS float64
	// CopyOf is the chapter the file looks like a copy of ("03 The Ferry (1)"),
	// empty for an ordinary name. It is one only if that chapter is there.
	CopyOf string
}

// The roles a raw can have.
const (
	Chapter = "chapter"
	Take    = "take"
	Part    = "part"
	Pickup  = "pickup"
	// RoomTest is no part of a chapter: it is measured, not mastered.
	RoomTest = "room test"
)

var (
	// roomTest is a stem that begins with the words "room test" or "mic test", parted
	// and followed by a space, _ or -: "Room Tests of Hope" is a chapter.
	roomTest = regexp.MustCompile(`(?i)^(?:room|mic)[\s_-]+test(?:[\s_-]|$)`)
	// endsInPlace is a stem that ends in the place a pickup belongs to, "at 12m34" or
	// "at 1h02m34".
	endsInPlace = regexp.MustCompile(`(?i)^(.*?)[\s_-]+at[\s_-]+(?:(\d{1,2})h)?(\d{1,3})m(\d{1,2})s?$`)
	// copied is a stem that ends the way computers name a second copy.
	copied = regexp.MustCompile(`(?i)^(.*?)(?:\s*\(\d{1,3}\)|\s+-\s+copy(?:\s*\(\d{1,3}\))?|[\s._-]+\(?[^()]*\bconflict(?:ed)?\b.*)$`)
	// leading is the number a stem begins with, "03 The Ferry" or "Chapter 3 - ...".
	leading = regexp.MustCompile(`(?i)^(?:chapter\s+)?(\d{1,4})\b`)
)

// Names reads file names.
type Names struct{ patterns []namePattern }

// namePattern is how the files of one role are named.
type namePattern struct {
	role    string
	matches *regexp.Regexp // with the groups name and number
}

// NewNames returns what reads names as the settings say. They are some that config has
// let in.
func NewNames(n config.Names) Names {
	return Names{[]namePattern{{Take, compileName(n.Take)}, {Part, compileName(n.Part)}, {Pickup, compileName(n.Pickup)}}}
}

// wordGap is what lies between two words of a name.
const wordGap = `[\s_-]+`

// compileName makes an expression of a pattern: "NAME take N" fits "03 The Ferry - take 2",
// and "03 The Ferry_take2" too, since a number may follow its word at once.
func compileName(text string) *regexp.Regexp {
	p, _ := config.ReadPattern(text)
	expr := `(?i)^`
	if len(p.Before) > 0 {
		expr += expressionOf(p.Before) + wordGap
	}
	expr += `(?P<name>.*?)`
	if len(p.After) > 0 {
		expr += wordGap + expressionOf(p.After)
	}
	return regexp.MustCompile(expr + `$`)
}

func expressionOf(words []string) string {
	expr := ""
	for i, w := range words {
		isNumber := w == config.NumberWord
		switch {
		case i > 0 && (isNumber || words[i-1] == config.NumberWord):
			expr += `[\s_-]*`
		case i > 0:
			expr += wordGap
		}
		if isNumber {
			expr += `(?P<number>\d{1,4})`
		} else { // some disks take letters with their marks apart
			expr += `(?:` + regexp.QuoteMeta(w) + `|` + regexp.QuoteMeta(norm.NFD.String(w)) + `)`
		}
	}
	return expr
}

// Parse reads a file name. The ending is not looked at. What follows the words of a
// room test is part of its name, whatever it is: "room test take 2" and "room test
// (1)" are room tests of their own.
func (names Names) Parse(name string) Name {
	stem := strings.TrimSpace(strings.TrimSuffix(name, filepath.Ext(name)))
	n := Name{Chapter: stem, Role: Chapter, AtS: -1}
	if roomTest.MatchString(stem) {
		n.Role = RoomTest
		return n
	}
	if m := copied.FindStringSubmatch(stem); m != nil && m[1] != "" {
		n.CopyOf = names.Parse(m[1] + ".wav").Chapter
	}
	for _, p := range names.patterns {
		text, atS := stem, -1.0
		if p.role == Pickup {
			text, atS = cutPlace(stem)
		}
		m := p.matches.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		chapter := strings.TrimSpace(m[p.matches.SubexpIndex("name")])
		if chapter == "" {
			continue
		}
		n.Chapter, n.Role, n.AtS = chapter, p.role, atS
		n.Number, _ = strconv.Atoi(m[p.matches.SubexpIndex("number")]) // at most four digits
	}
	return n
}

// PlaceS returns where the name of a pickup says that it belongs in the finished
// chapter, in seconds; -1 if it says nothing of it.
func PlaceS(name string) float64 {
	_, atS := cutPlace(strings.TrimSpace(strings.TrimSuffix(name, filepath.Ext(name))))
	return atS
}

// cutPlace parts a stem from the place behind it.
func cutPlace(stem string) (rest string, atS float64) {
	m := endsInPlace.FindStringSubmatch(stem)
	if m == nil {
		return stem, -1
	}
	seconds := 0
	for _, digits := range m[2:] {
		n, _ := strconv.Atoi(digits) // at most three of them, or none
		seconds = 60*seconds + n
	}
	return m[1], float64(seconds)
}

// TrackNumber returns the number a chapter's name begins with, without leading
// zeros, or "" if there is none.
func TrackNumber(chapter string) string {
	m := leading.FindStringSubmatch(chapter)
	if m == nil {
		return ""
	}
	if t := strings.TrimLeft(m[1], "0"); t != "" {
		return t
	}
	return "0"
}
