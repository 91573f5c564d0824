package config

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// Names says how the files of one chapter are named: patterns of words, in which NAME
// stands for the chapter and N for the number.
type Names struct {
	Take   string `toml:"take"`
	Part   string `toml:"part"`
	Pickup string `toml:"pickup"`
}

// The words of a pattern that stand for something: the chapter, and the number.
const (
	chapterWord = "NAME"
	NumberWord  = "N"
)

// Pattern is one of Names, taken apart: the words in front of NAME and those behind it,
// in NFC. NumberWord is among them.
type Pattern struct{ Before, After []string }

// ReadPattern takes a pattern apart. The words lie between spaces, - and _. The returned
// text tells why it is none, and is empty if all is well.
func ReadPattern(text string) (p Pattern, why string) {
	words := strings.FieldsFunc(norm.NFC.String(text), func(r rune) bool { return r == '-' || r == '_' || unicode.IsSpace(r) })
	own := 0
	for _, w := range words {
		switch {
		case w == chapterWord || w == NumberWord:
		case strings.ContainsFunc(w, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsMark(r) }):
			return p, "has a word that is not of letters alone"
		default:
			own++
		}
	}
	at := slices.Index(words, chapterWord)
	switch {
	case at < 0:
		return p, "has no NAME, which stands for the chapter"
	case !slices.Contains(words, NumberWord):
		return p, "has no N, which stands for the number"
	case count(words, chapterWord) > 1 || count(words, NumberWord) > 1:
		return p, "has NAME or N twice"
	case own == 0: // every chapter with a number at its end would be one
		return p, "has no word of its own beside NAME and N"
	}
	return Pattern{Before: words[:at], After: words[at+1:]}, ""
}

func count(words []string, word string) (n int) {
	for _, w := range words {
		if w == word {
			n++
		}
	}
	return n
}

// apart tells whether no file's name can fit both patterns. It can, whatever lies
// between, if the words one begins with are where the other begins, and the same at
// their ends.
func apart(a, b string) bool {
	p, bad := ReadPattern(a)
	q, worse := ReadPattern(b)
	if bad != "" || worse != "" {
		return false
	}
	front := min(len(p.Before), len(q.Before))
	back := min(len(p.After), len(q.After))
	return !slices.EqualFunc(p.Before[:front], q.Before[:front], strings.EqualFold) ||
		!slices.EqualFunc(p.After[len(p.After)-back:], q.After[len(q.After)-back:], strings.EqualFold)
}
