// Package takes knows which raws belong to one chapter and what each of them is
// to it.
package takes

import (
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
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
	// numbered is a stem that ends in "take 2", "- part 3", "_pickup1", and for a
	// pickup perhaps in the place it belongs to, "at 12m34".
	numbered = regexp.MustCompile(`(?i)^(.*?)[\s_-]+(take|part|pickup)[\s_]*(\d{1,4})(?:\s+at\s+\d{1,3}m\d{2})?$`)
	// copied is a stem that ends the way computers name a second copy.
	copied = regexp.MustCompile(`(?i)^(.*?)(?:\s*\(\d{1,3}\)|\s+-\s+copy(?:\s*\(\d{1,3}\))?|[\s._-]+\(?[^()]*\bconflict(?:ed)?\b.*)$`)
	// leading is the number a stem begins with, "03 The Ferry" or "Chapter 3 - ...".
	leading = regexp.MustCompile(`(?i)^(?:chapter\s+)?(\d{1,4})\b`)
)

// Parse reads a file name. The ending is not looked at. What follows the words of a
// room test is part of its name, whatever it is: "room test take 2" and "room test
// (1)" are room tests of their own.
func Parse(name string) Name {
	stem := strings.TrimSpace(strings.TrimSuffix(name, filepath.Ext(name)))
	n := Name{Chapter: stem, Role: Chapter}
	if roomTest.MatchString(stem) {
		n.Role = RoomTest
		return n
	}
	if m := copied.FindStringSubmatch(stem); m != nil && m[1] != "" {
		n.CopyOf = Parse(m[1] + ".wav").Chapter
	}
	if m := numbered.FindStringSubmatch(stem); m != nil && m[1] != "" {
		n.Chapter, n.Role = strings.TrimSpace(m[1]), strings.ToLower(m[2])
		n.Number, _ = strconv.Atoi(m[3]) // at most four digits
	}
	return n
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
