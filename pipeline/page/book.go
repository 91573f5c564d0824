package page

import (
	"fmt"
	"slices"
	"strings"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

// bookPage is what book.tmpl shows.
type bookPage struct {
	frame
	Book      *book.Book
	Tongue    string
	State     state
	ToDo      []toDo
	Finished  int
	All       int
	Complete  string
	Handed    *handed
	Levels    *levels
	Rows      []row
	Spread    []spread
	Outliers  []string
	Chapters  []chapter
	ListensTo bool // some file has places to hear
}

// toDo is one thing to do, with the part of the page that tells more.
type toDo struct{ Says, Link string }

// handed tells of the latest hand-over.
type handed struct {
	moment
	Says    string
	Changed []string
}

// row is a file in the table of files.
type row struct {
	ID, Name, Duration, Level, Noise string
	Heading                          heading
	State                            state
	Places                           int
	Apart                            bool
}

// spread is how far the chapters lie apart in one figure.
type spread struct{ Name, Lowest, Middle, Highest, Unit string }

func newBookPage(in BookInput) bookPage {
	b := in.Book
	title := b.Title
	if title == "" {
		title = b.Book
	}
	p := bookPage{frame: newFrame(title, in.AsOf), Book: b, Tongue: tongue(b.Language), All: len(b.Files), Complete: completeness(b)}
	reports := map[string]*report.Report{}
	for _, f := range in.Reports {
		reports[f.Stem] = f.Report
	}
	p.State, p.Handed = bookState(b), handedOf(b, in)
	p.Levels = levelsOf(b, reports)
	changed := changedNames(b)
	parts, apart := map[string]string{}, apartNames(b)
	for i, f := range b.Files {
		id := fmt.Sprintf("f%d", i+1)
		parts[f.Name] = id
		c := chapterOf(id, f, reports[f.Stem], in)
		c.Changed, c.Tongue = changed[f.Name], p.Tongue
		if c.IsFinished {
			p.Finished++
		}
		p.Chapters = append(p.Chapters, c)
		p.Rows = append(p.Rows, rowOf(c, f, apart[f.Name]))
	}
	for _, t := range b.ToDo {
		told := toDo{Says: t.Says}
		if id, ok := parts[t.Name]; ok {
			told.Link = "#" + id
		}
		p.ToDo = append(p.ToDo, told)
	}
	for _, s := range b.Spread {
		p.Spread = append(p.Spread, spread{
			inWords(figureNames, s.Figure), figure(float64(s.Lowest)), figure(float64(s.Middle)), figure(float64(s.Highest)), s.Unit,
		})
	}
	for _, o := range b.Outliers {
		p.Outliers = append(p.Outliers, o.Says)
	}
	return p
}

// bookState is the line on top of a book.
func bookState(b *book.Book) state {
	blocks := slices.ContainsFunc(b.ToDo, func(t book.ToDo) bool { return t.Blocks })
	switch {
	case len(b.ToDo) > 0 && !blocks:
		s := stateOf(report.Listen)
		s.Says = "Nothing is in the way of handing over; " + count(len(b.ToDo), "thing to look at first", "things to look at first")
		return s
	case blocks:
		return state{"bad", "✕", count(len(b.ToDo), "thing to do before handing over", "things to do before handing over")}
	case b.Verdict == nil:
		return state{"wait", "…", "Nothing is finished yet"}
	}
	return state{"good", "✓", "Ready to hand over"}
}

// completeness tells whether every chapter is there.
func completeness(b *book.Book) string {
	if b.Complete == nil {
		return "not known; about.toml does not tell how many chapters there are"
	}
	var wrong []string
	if len(b.Missing) > 0 {
		wrong = append(wrong, "missing "+numbers(b.Missing))
	}
	if len(b.Doubled) > 0 {
		wrong = append(wrong, "there twice "+numbers(b.Doubled))
	}
	switch {
	case len(wrong) > 0:
		return "no: " + strings.Join(wrong, "; ")
	case !*b.Complete:
		return "no"
	}
	return "yes, every chapter is there once"
}

func handedOf(b *book.Book, in BookInput) *handed {
	if b.HandedOver == nil {
		return nil
	}
	h := &handed{moment: momentOf(b.HandedOver.At, in.AsOf), Says: count(b.HandedOver.Files, "file", "files")}
	for _, c := range b.HandedOver.Changed {
		h.Changed = append(h.Changed, c.Says)
	}
	return h
}

func changedNames(b *book.Book) map[string]bool {
	names := map[string]bool{}
	if b.HandedOver != nil {
		for _, c := range b.HandedOver.Changed {
			names[c.Name] = true
		}
	}
	return names
}

func apartNames(b *book.Book) map[string]bool {
	names := map[string]bool{}
	for _, o := range b.Outliers {
		names[o.Name] = true
	}
	return names
}

// chapterOf tells of a file of a book, finished or not. Of one whose report is not at
// hand no more is known than the book says.
func chapterOf(id string, f book.File, r *report.Report, in BookInput) chapter {
	if f.State == book.Finished && r != nil {
		c := finishedChapter(id, f.Stem, r, in.AsOf)
		c.Heading, c.Name = headingOf(f), f.Name
		return c
	}
	c := chapter{ID: id, Name: f.Name, Heading: headingOf(f), State: stateOf(f.State), Says: f.Says}
	if f.State == book.Finished {
		c.State, c.Says = stateOf(f.Verdict), "Its report could not be read."
	}
	return c
}

func rowOf(c chapter, f book.File, apart bool) row {
	w := row{ID: c.ID, Name: f.Name, Heading: c.Heading, State: stateOf(f.State), Places: f.Places, Apart: apart}
	if f.State == book.Finished {
		w.State = stateOf(f.Verdict)
	}
	if f.DurationS != nil {
		w.Duration = report.Clock(float64(*f.DurationS))
	}
	if f.Figures != nil {
		w.Level, w.Noise = level(f.Figures.RMSDBFS), level(f.Figures.NoiseFloorDBFS)
	}
	return w
}
