package book

import (
	"cmp"
	"slices"
	"strings"

	"lectern/config"
)

// Placed is a chapter at its place in the book.
type Placed struct {
	Name
	Chapter string // as the narrator spelled it
	// Place in the book's order, from 1; 0 for the sample, which has none.
	Place int
}

// Order puts chapters, each named once, in the book's order: the opening credits, what
// has the number 0, the chapters by number, the rest by name, the closing credits, the
// sample. The place of a chapter that is missing stays free, and so does that of credits
// which about.toml names; chapters of one number share a place, and so do several
// credits of one kind.
func Order(chapters []string, a config.About) []Placed {
	order, _ := orderOf(chapters, a)
	return order
}

// groups of a book's files, in the book's order.
const (
	opening = iota
	front
	numbered
	rest
	closing
	sample
)

func groupOf(n reading) int {
	switch {
	case n.Kind == Opening:
		return opening
	case n.Kind == Chapter:
		return numbered
	case n.Kind == Closing:
		return closing
	case n.Kind == Sample:
		return sample
	case n.isFront:
		return front
	}
	return rest
}

// orderOf is Order, with how many places the book has as far as is known.
func orderOf(chapters []string, a config.About) (order []Placed, places int) {
	type item struct {
		Placed
		group int
		key   string
	}
	reader := newNameReader(a)
	items := make([]item, len(chapters))
	for i, chapter := range chapters {
		n := reader.read(chapter)
		items[i] = item{Placed{Name: n.Name, Chapter: chapter}, groupOf(n), foldName(chapter)}
	}
	numberOf := func(i item) int {
		if i.Number == nil {
			return 0
		}
		return *i.Number
	}
	slices.SortFunc(items, func(x, y item) int {
		return cmp.Or(cmp.Compare(x.group, y.group), cmp.Compare(numberOf(x), numberOf(y)), compareNatural(x.key, y.key), cmp.Compare(x.Chapter, y.Chapter))
	})
	var size [sample + 1]int // places of each group
	for _, i := range items {
		switch i.group {
		case numbered: // the last place is the highest number
			size[numbered] = max(*i.Number, a.Chapters)
		case opening, closing:
			size[i.group] = 1
		case front, rest:
			size[i.group]++
		}
	}
	if a.Opening != "" {
		size[opening] = 1
	}
	if a.Closing != "" {
		size[closing] = 1
	}
	var before [sample + 1]int // places before each group
	for g := range sample {
		before[g+1] = before[g] + size[g]
	}
	var within [sample + 1]int
	for _, i := range items {
		switch i.group {
		case numbered:
			i.Place = before[numbered] + *i.Number
		case opening, closing:
			i.Place = before[i.group] + 1
		case front, rest:
			within[i.group]++
			i.Place = before[i.group] + within[i.group]
		}
		order = append(order, i.Placed)
	}
	return order, before[sample]
}

// compareNatural compares two names as a person would: 2 before 10.
func compareNatural(a, b string) int {
	for a != "" && b != "" {
		x, y := run(a), run(b)
		a, b = a[len(x):], b[len(y):]
		if isDigit(x[0]) && isDigit(y[0]) {
			x, y = strings.TrimLeft(x, "0"), strings.TrimLeft(y, "0")
			if c := cmp.Compare(len(x), len(y)); c != 0 {
				return c
			}
		}
		if c := cmp.Compare(x, y); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(a), len(b))
}

// run is what s begins with: all digits up to the next other letter, or the reverse.
func run(s string) string {
	for i := range len(s) {
		if isDigit(s[i]) != isDigit(s[0]) {
			return s[:i]
		}
	}
	return s
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }
