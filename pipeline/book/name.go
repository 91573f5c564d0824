package book

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"lectern/config"
)

// Name is what the name of a chapter's file says.
type Name struct {
	Kind string
	// Number is that of a chapter, from 1; nil for every other kind.
	Number *int
	// Title is the name without its number, or what about.toml has for it; never empty
	// unless the name is.
	Title string
}

// ReadName reads the name of a chapter's file, without ending. The rule:
//
//  1. A file that about.toml names as credits or as the sample is that. Where it names
//     none, a file called "Opening credits", "Closing credits" (or "End credits") or
//     "Sample" is that. A number may stand in front, and " - " may part
//     the words from others: "00 Opening credits", "A Ledger of Small Tides - Sample".
//  2. A file called as a chapter in about.toml's list of titles, with or without a number, is
//     that chapter. Capitals, spaces and signs do not count.
//  3. Any other file is the chapter whose number stands behind the word Chapter, or Ch:
//     "Chapter 3 - The Ferry", "Tides ch. 03"; else the one whose number its name begins with:
//     "03 The Ferry", "3. The Ferry", "03-The Ferry", "03_The_Ferry"; else the one whose
//     number stands behind its only word: "Kapitel 3", "Kapitel 3 - Die Fähre". That word is
//     not Part, Book, Volume, Appendix or Interlude, which number something else.
//  4. A number has one to three digits and stands by itself: "1984 was wet", "3rd Watch" and
//     "2.5 Fathoms" have none.
//  5. A file with none of these, or with the number 0, belongs to the book and is no numbered
//     chapter.
func ReadName(chapter string, a config.About) Name {
	return newNameReader(a).read(chapter).Name
}

// nameReader reads names by what one about.toml says.
type nameReader struct {
	about   config.About
	byTitle map[string]int // the number of each title that stands only once
}

func newNameReader(a config.About) nameReader {
	r := nameReader{a, map[string]int{}}
	for i, title := range a.Titles {
		key := wordsOf(title)
		if _, twice := r.byTitle[key]; twice || key == "" {
			r.byTitle[key] = 0
			continue
		}
		r.byTitle[key] = i + 1
	}
	return r
}

// reading is a Name with what only the order asks of it.
type reading struct {
	Name
	isFront bool // it has the number 0
}

func (r nameReader) read(chapter string) reading {
	number, title, byWord := readNumber(strings.ReplaceAll(chapter, "_", " "))
	n := reading{Name: Name{Kind: Other, Title: title}, isFront: number == 0}
	if kind := r.namedKind(chapter); kind != "" {
		n.Kind = kind
		return n
	}
	if kind := r.calledKind(chapter); kind != "" && !byWord {
		n.Kind = kind
		return n
	}
	for _, text := range []string{chapter, title} {
		if told := r.byTitle[wordsOf(text)]; told > 0 {
			number = told
			break
		}
	}
	if number <= 0 {
		return n
	}
	n.Kind, n.Number, n.isFront = Chapter, &number, false
	if told := r.toldTitle(n.Name); told != "" {
		n.Title = told
	}
	return n
}

// toldTitle is what about.toml calls a chapter, "" if nothing.
func (r nameReader) toldTitle(n Name) string {
	if n.Number == nil || *n.Number > len(r.about.Titles) {
		return ""
	}
	return r.about.Titles[*n.Number-1]
}

// namedKind is what about.toml says that a file is, "" if nothing.
func (r nameReader) namedKind(chapter string) string {
	switch name := foldName(chapter); {
	case name == "":
	case name == foldName(r.about.Opening):
		return Opening
	case name == foldName(r.about.Closing):
		return Closing
	case name == foldName(r.about.Sample.File):
		return Sample
	}
	return ""
}

// calledKind is what a file's own words say that it is, if about.toml does not name
// another for it.
func (r nameReader) calledKind(chapter string) string {
	for _, part := range partedBy.Split(chapter, -1) {
		words := strings.Fields(wordsOf(part))
		if len(words) > 0 && strings.Trim(words[0], "0123456789") == "" {
			words = words[1:]
		}
		switch strings.Join(words, " ") {
		case "opening credits":
			if r.about.Opening == "" {
				return Opening
			}
		case "closing credits", "end credits":
			if r.about.Closing == "" {
				return Closing
			}
		case "sample":
			if r.about.Sample.File == "" {
				return Sample
			}
		}
	}
	return ""
}

var (
	// partedBy is a dash between two parts of a name.
	partedBy = regexp.MustCompile(`[\s_]+[-–—][\s_]+`)
	// behindChapter is a number behind the word Chapter, wherever it stands.
	behindChapter = regexp.MustCompile(`(?i)(?:^|[^\pL\pM\pN])ch(?:ap(?:ter)?)?[\s.#-]*(\d+)`)
	inFront       = regexp.MustCompile(`^\s*(\d+)`)
	// behindOneWord is a number behind a single word, as chapters are called in other
	// languages.
	behindOneWord = regexp.MustCompile(`^\s*(\pL[\pL\pM]*)\.?[\s-]+(\d+)\s*(?:$|[-–—.:)])`)
)

// otherDivisions number something else than chapters.
var otherDivisions = []string{"part", "book", "volume", "appendix", "interlude"}

// readNumber finds the number of a chapter in a name, -1 if there is none, and the
// title behind it. byWord tells that the word Chapter stands before it.
func readNumber(name string) (number int, title string, byWord bool) {
	whole := strings.TrimSpace(name)
	for _, at := range behindChapter.FindAllStringSubmatchIndex(name, -1) {
		if n, rest := numberAt(name, at[2], at[3]); n >= 0 {
			return n, orWhole(rest, whole), true
		}
	}
	if at := inFront.FindStringSubmatchIndex(name); at != nil {
		n, rest := numberAt(name, at[2], at[3])
		return n, orWhole(rest, whole), false
	}
	if at := behindOneWord.FindStringSubmatchIndex(name); at != nil && !slices.Contains(otherDivisions, foldName(name[at[2]:at[3]])) {
		n, rest := numberAt(name, at[4], at[5])
		return n, orWhole(rest, whole), false
	}
	return -1, whole, false
}

// numberAt reads the digits from begin to end, -1 if they are no chapter's number, and
// what follows them.
func numberAt(name string, begin, end int) (n int, rest string) {
	rest = name[end:]
	after := []rune(rest + "  ")[:2]
	standsAlone := unicode.IsSpace(after[0]) || strings.ContainsRune("-–—.:)", after[0]) && !unicode.IsDigit(after[1])
	if end-begin > 3 || !standsAlone {
		return -1, ""
	}
	n, _ = strconv.Atoi(name[begin:end]) // three digits at most
	return n, strings.TrimLeftFunc(rest, func(r rune) bool { return unicode.IsSpace(r) || strings.ContainsRune("-–—.:)", r) })
}

func orWhole(title, whole string) string {
	if title = strings.TrimSpace(title); title == "" {
		return whole
	}
	return title
}

// foldName returns the name of a file for comparing: two spellings that some disk takes
// for one are one.
func foldName(name string) string {
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(strings.TrimSpace(name))))
}

// wordsOf are the folded words of a text, of letters and digits alone, with one space
// between them.
func wordsOf(text string) string {
	return strings.Join(strings.FieldsFunc(foldName(text), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsMark(r) && !unicode.IsNumber(r)
	}), " ")
}
