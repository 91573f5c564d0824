package config

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// word is one thing that an about.toml says of the book: title, or chapter in sample.
type word struct {
	table, name string // table is "" for one that stands by itself
	allowed     string
	// put lays a value into the About; why is empty if all is well.
	put func(a *About, v any) (why string)
}

// Bounds of what may be told, our choice: wide enough for any book we can think of,
// narrow enough that a slip of the keyboard is caught. Tags cut a text after as many
// characters.
const (
	maxTextLetters = 250
	leastYear      = 1000
	mostYear       = 9999
	mostChapters   = 999 // a file's name holds no higher number of a chapter
	mostWords      = 1_000_000
)

const (
	allowedText = "one line of at most 250 letters in quotes"
	allowedFile = "the name of a file in the book's folder, in quotes, as in \"03 The Ferry\""
	allowedTime = "minutes and seconds in quotes, as in \"1:10\""
)

// aboutWords is everything an about.toml may say of the book.
var aboutWords = []word{
	{"", "title", allowedText, text(func(a *About) *string { return &a.Title })},
	{"", "author", allowedText, text(func(a *About) *string { return &a.Author })},
	{"", "narrator", allowedText, text(func(a *About) *string { return &a.Narrator })},
	{"", "publisher", allowedText, text(func(a *About) *string { return &a.Publisher })},
	{"", "year", "a year of four digits, without quotes", putYear},
	{"", "language", "the English name of a language, or its code, as in \"English\" or \"en\"", putLanguage},
	{"", "chapters", "how many there are (1 to 999), or the list of their titles, as in [\"Low Water\", \"The Causeway\"]", putChapters},
	{"", "words", "a list of how many words each chapter has, as in [2310, 2450], with 0 for one you do not know", putWords},
	{"", "credits", "the names of two files, as in { opening = \"00 Opening credits\", closing = \"Closing credits\" }", notTable},
	{"credits", "opening", allowedFile, fileName(func(a *About) *string { return &a.Opening })},
	{"credits", "closing", allowedFile, fileName(func(a *About) *string { return &a.Closing })},
	{"", "sample", "a chapter and where in it, as in { chapter = \"03 The Ferry\", from = \"1:10\", to = \"4:30\" }, or only the chapter, as in \"03 The Ferry\"", fileName(func(a *About) *string { return &a.Sample.Chapter })},
	{"sample", "file", allowedFile, fileName(func(a *About) *string { return &a.Sample.File })},
	{"sample", "chapter", allowedFile, fileName(func(a *About) *string { return &a.Sample.Chapter })},
	{"sample", "from", allowedTime, clock(func(a *About) *float64 { return &a.Sample.FromS })},
	{"sample", "to", allowedTime, clock(func(a *About) *float64 { return &a.Sample.ToS })},
}

func findWord(table, name string) *word {
	i := slices.IndexFunc(aboutWords, func(w word) bool { return w.table == table && w.name == name })
	if i < 0 {
		return nil
	}
	return &aboutWords[i]
}

func wordsIn(table string) string { return strings.Join(namesOfWords(table), ", ") }

// bookWords are the names an about.toml may hold beside its sections.
func bookWords() []string { return namesOfWords("") }

func namesOfWords(table string) (names []string) {
	for _, w := range aboutWords {
		if w.table == table {
			names = append(names, w.name)
		}
	}
	return names
}

// isTable tells whether there are words inside w.
func (w *word) isTable() bool { return len(namesOfWords(w.name)) > 0 }

func (w *word) lay(a *About, v any) (refusal string) {
	if why := w.put(a, v); why != "" {
		return fmt.Sprintf("%s = %s %s; allowed is %s", w.name, show(v), why, w.allowed)
	}
	return ""
}

func text(at func(*About) *string) func(*About, any) string {
	return func(a *About, v any) (why string) {
		*at(a), why = oneLine(v)
		return why
	}
}

// oneLine reads a text without the spaces around it; "" is one that is not told.
func oneLine(v any) (line, why string) {
	line, ok := v.(string)
	line = strings.TrimSpace(line)
	switch {
	case !ok:
		return "", "is not text in quotes"
	case strings.ContainsFunc(line, func(r rune) bool { return r == '\n' || r == '\r' || r == '\u2028' || r == '\u2029' }):
		return "", "has more than one line"
	case strings.ContainsFunc(line, unicode.IsControl):
		return "", "has a character that cannot be seen"
	case utf8.RuneCountInString(line) > maxTextLetters:
		return "", fmt.Sprintf("has %d letters", utf8.RuneCountInString(line))
	}
	return line, ""
}

// fileName reads the name of a file, whose ending may stand or be left out.
func fileName(at func(*About) *string) func(*About, any) string {
	return func(a *About, v any) string {
		line, why := oneLine(v)
		if why == "" && strings.ContainsAny(line, `/\`) {
			why = "names a folder too"
		}
		if i := len(line) - len(".wav"); i > 0 && (strings.EqualFold(line[i:], ".wav") || strings.EqualFold(line[i:], ".mp3")) {
			line = strings.TrimSpace(line[:i])
		}
		*at(a) = line
		return why
	}
}

func notTable(_ *About, _ any) string { return "is not possible" }

func putYear(a *About, v any) string {
	n, ok := v.(int64)
	switch {
	case !ok:
		return "is not a whole number"
	case n < leastYear || n > mostYear:
		return "is not possible"
	}
	a.Year = int(n)
	return ""
}

func putLanguage(a *About, v any) (why string) {
	if a.Language, why = oneLine(v); why != "" {
		return why
	}
	if a.Language != "" && LanguageCode(a.Language) == "" {
		return "is not a language we know"
	}
	return ""
}

func putChapters(a *About, v any) string {
	switch v := v.(type) {
	case int64:
		if v < 1 || v > mostChapters {
			return "is not possible"
		}
		a.Chapters = int(v)
	case []any:
		if len(v) == 0 || len(v) > mostChapters {
			return fmt.Sprintf("is a list of %d titles", len(v))
		}
		for i, title := range v {
			line, why := oneLine(title)
			if why != "" {
				return fmt.Sprintf("is not possible, since title %d in it, %s, %s", i+1, show(title), why)
			}
			a.Titles = append(a.Titles, line)
		}
		a.Chapters = len(a.Titles)
	default:
		return "is neither a whole number nor a list"
	}
	return ""
}

func putWords(a *About, v any) string {
	list, ok := v.([]any)
	if !ok {
		return "is not a list"
	}
	if len(list) > mostChapters {
		return fmt.Sprintf("is a list of %d chapters", len(list))
	}
	for i, v := range list {
		n, ok := v.(int64)
		if !ok || n < 0 || n > mostWords {
			return fmt.Sprintf("is not possible, since number %d in it, %s, is no number of words", i+1, show(v))
		}
		a.Words = append(a.Words, int(n))
	}
	return ""
}

// aboutRule is a condition that several words must meet together.
type aboutRule struct {
	names  []string // as linesOf names them
	broken func(*About) (says string)
}

// blamed is the last of given that the rule speaks of.
func (r aboutRule) blamed(given []string) (id string) {
	for _, g := range given {
		if slices.Contains(r.names, g) {
			id = g
		}
	}
	return id
}

// A sample is 1 to 5 minutes long: common practice, no source.
const (
	sampleLeastS = 60
	sampleMostS  = 300
)

var aboutRules = []aboutRule{
	{[]string{"chapters", "words"}, func(a *About) string {
		if a.Chapters > 0 && len(a.Words) > a.Chapters {
			return fmt.Sprintf("words tells of %d chapters while chapters says that there are %d; allowed is one number for each chapter at most", len(a.Words), a.Chapters)
		}
		return ""
	}},
	{[]string{"sample.file", "sample.chapter", "sample.from", "sample.to"}, func(a *About) string {
		s := a.Sample
		switch {
		case s.File != "" && (s.Chapter != "" || s.FromS >= 0 || s.ToS >= 0):
			return "a sample that is a file of its own is not cut out of a chapter; allowed is file alone, or chapter with from and to"
		case s.File == "" && s.Chapter == "" && (s.FromS >= 0 || s.ToS >= 0):
			return "from and to say nothing without the chapter that they lie in; allowed is all three, as in { chapter = \"03 The Ferry\", from = \"1:10\", to = \"4:30\" }"
		}
		return ""
	}},
	{[]string{"sample.from", "sample.to"}, func(a *About) string {
		from, to := a.Sample.FromS, a.Sample.ToS
		lasts := to - max(from, 0) // a chapter begins at 0
		switch {
		case to < 0:
			return ""
		case lasts <= 0:
			return "the sample ends before it begins; allowed is to later than from"
		case lasts < sampleLeastS || from >= 0 && lasts > sampleMostS:
			return fmt.Sprintf("the sample would last %s; allowed is 1 to 5 minutes", minutes(lasts))
		}
		return ""
	}},
}
