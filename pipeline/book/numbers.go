package book

import (
	"slices"

	"lectern/config"
)

// mostChapters bounds what is counted: a file that is named after a day, 20261126, is
// no sign of twenty million missing chapters. Our choice.
const mostChapters = 2000

// toBe is how many chapters there are to be, nil if nobody has said.
func toBe(a config.About) *int {
	n := max(a.Chapters, len(a.Titles))
	if n <= 0 {
		return nil
	}
	return &n
}

// countChapters tells which chapters are missing and which are there more than once.
// Where nobody has said how many there are to be, the gaps below the highest number are
// missing, whatever else is.
func (b *Book) countChapters(toBe *int) {
	b.Chapters, b.Missing, b.Doubled = toBe, []int{}, []int{}
	finished := map[int]int{}
	highest := 0
	for _, f := range b.Files {
		if f.Kind != Chapter || f.Number == nil {
			continue
		}
		if *f.Number <= mostChapters {
			highest = max(highest, *f.Number)
		}
		if f.State != Finished {
			continue
		}
		finished[*f.Number]++
		if finished[*f.Number] == 2 {
			b.Doubled = append(b.Doubled, *f.Number)
		}
	}
	slices.Sort(b.Doubled)
	last := highest
	if toBe != nil {
		last = *toBe
	}
	for n := 1; n <= last; n++ {
		if finished[n] == 0 {
			b.Missing = append(b.Missing, n)
		}
	}
	if toBe != nil {
		complete := len(b.Missing)+len(b.Doubled) == 0
		b.Complete = &complete
	}
}

// beyond are the finished chapters with a higher number than there are to be.
func (b *Book) beyond() []File {
	if b.Chapters == nil {
		return nil
	}
	return b.finished(func(f File) bool {
		return f.Kind == Chapter && f.Number != nil && *f.Number > *b.Chapters
	})
}

// finished are the finished files of which holds is true.
func (b *Book) finished(holds func(File) bool) []File {
	var out []File
	for _, f := range b.Files {
		if f.State == Finished && holds(f) {
			out = append(out, f)
		}
	}
	return out
}
