package config

import (
	"fmt"
	"slices"
)

// About is what a book's about.toml says about the book itself. Everything is optional;
// nothing in it changes a sample.
type About struct {
	Title, Author, Narrator, Publisher string
	Language                           string // as written: a name or a code, such as en
	Year                               int    // 0: not told
	// Chapters is how many chapters there are to be, 0 if not told; Titles are theirs in
	// order, if they were told.
	Chapters int
	Titles   []string
	// Words are how many words each chapter has, in order; none if not told.
	Words []int
	// Opening and Closing are the names of the files with the credits, without ending;
	// "" leaves it to the file names.
	Opening, Closing string
	Sample           Sample
}

// Sample is which part of the book is to be its sample.
type Sample struct {
	// File is the name of a file that is the sample as it is, without ending.
	File string
	// Chapter is the chapter the sample is cut from; "" if there is none to cut.
	Chapter string
	// FromS and ToS are where in the finished chapter, -1 where not told.
	FromS, ToS float64
}

// aboutFile is a book's about.toml.
func aboutFile(book string) file {
	return file{name: book + "/about.toml", sections: bookSections, words: bookWords()}
}

// ReadAbout reads the words of a book's about.toml, whose text is data. Anything wrong
// with them gives an *Error that names the book and the line; what stands in a section
// that ReadBook reads is left to it.
func ReadAbout(book string, data []byte) (About, error) {
	f := aboutFile(book)
	values, entries, err := f.parse(data)
	if err != nil {
		return About{}, err
	}
	a := About{Sample: Sample{FromS: -1, ToS: -1}}
	for _, e := range entries {
		if refusal := f.tell(e, values, &a); refusal != "" {
			return About{}, f.fault(e.line, refusal)
		}
	}
	given, lines := linesOf(entries)
	for _, r := range aboutRules {
		if why := r.broken(&a); why != "" {
			return About{}, f.fault(lines[r.blamed(given)], why)
		}
	}
	return a, nil
}

// tell puts one entry into a. The returned text is empty if all is well.
func (f file) tell(e entry, values map[string]any, a *About) string {
	name, value := e.path[0], values[e.path[0]]
	table, isTable := value.(map[string]any)
	w := findWord("", name)
	switch {
	case slices.Contains(f.sections, name):
		if len(e.path) > 1 && slices.Contains(f.words, e.path[1]) {
			return misplaced(e.path[1], table[e.path[1]], name)
		}
		return "" // ReadBook's
	case w == nil:
		return f.refuseTop(e, value)
	case !isTable || !w.isTable():
		return w.lay(a, value)
	case len(e.path) == 1:
		return "" // the heading itself
	}
	inner := findWord(name, e.path[1])
	switch {
	case inner == nil && slices.Contains(f.words, e.path[1]):
		return misplaced(e.path[1], table[e.path[1]], name)
	case inner == nil:
		return fmt.Sprintf("%s = %s means nothing in %s; allowed there are %s", e.path[1], show(table[e.path[1]]), name, wordsIn(name))
	}
	return inner.lay(a, table[e.path[1]])
}
