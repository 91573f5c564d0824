package book

import (
	"fmt"
	"math"
	"time"

	"lectern/config"
	"lectern/pipeline/report"
)

// Input is everything a book is judged by.
type Input struct {
	Name   string // the book's folder, as the narrator spelled it
	Folder string // its folder in finished
	About  config.About
	// Reports are those of the finished chapters. What is not finished, a room test or a
	// chapter that was withdrawn, is passed over.
	Reports []Filed
	// Waiting and SetAside may name a chapter that is finished as well: a new recording of
	// it, then.
	Waiting  []Pending
	SetAside []Pending
	// Trouble is what is wrong with the book's own words, in whole sentences.
	Trouble []string
	Handed  *Handover // the latest hand-over, nil if there was none
	Now     time.Time
	Version string
	// Chain and SettingsSHA256 are what a chapter would be made by now; 0 and "" if that
	// is not known.
	Chain          int
	SettingsSHA256 string
	MadeOf         string
}

// Filed is a report and the name of its files in finished/BOOK, without ending.
type Filed struct {
	Stem   string
	Report *report.Report
}

// Pending is a chapter, as its recording's name says it, that waits or was set aside,
// and why.
type Pending struct{ Name, Says string }

// Judge tells what a book is worth. It is a pure function.
func Judge(in Input) *Book {
	a := in.About
	b := &Book{
		Schema: Schema, Book: in.Name, Folder: in.Folder, Title: a.Title, Author: a.Author, Narrator: a.Narrator,
		Publisher: a.Publisher, Year: a.Year, Language: a.Language,
		MadeAt: in.Now.UTC().Truncate(time.Second), Version: in.Version, MadeOf: in.MadeOf,
	}
	b.Files = listFiles(in)
	b.Verdict = worstVerdict(b.Files)
	b.FinishedS = finishedS(b.Files)
	b.FinishedHours, b.FinishedClock = hours(b.FinishedS), hoursClock(b.FinishedS)
	b.countChapters(toBe(a))
	b.Credits = credits(b.Files)
	b.compare()
	b.weighWords(a.Words)
	b.HandedOver = since(in.Handed, b.Files)
	b.ToDo = toDo(b, in)
	return b
}

// Finished counts the files that are there.
func (b *Book) Finished() int { return len(b.finished(func(File) bool { return true })) }

// worstVerdict is the worst of the files that are there, nil if there is none.
func worstVerdict(files []File) *string {
	rank := map[string]int{report.Pass: 1, report.Listen: 2, report.Fail: 3}
	worst := ""
	for _, f := range files {
		if rank[f.Verdict] > rank[worst] {
			worst = f.Verdict
		}
	}
	if worst == "" {
		return nil
	}
	return &worst
}

// finishedS is how long the finished files are together, without the sample: what is
// paid for.
func finishedS(files []File) report.Seconds {
	var s report.Seconds
	for _, f := range files {
		if f.State == Finished && f.Kind != Sample {
			s += *f.DurationS
		}
	}
	return s
}

// hours are seconds in hours, rounded to two decimals.
func hours(s report.Seconds) report.Figure {
	return report.Figure(math.Round(float64(s)/36) / 100)
}

// hoursClock writes seconds as h:mm:ss.
func hoursClock(s report.Seconds) string {
	t := int(math.Round(float64(s)))
	return fmt.Sprintf("%d:%02d:%02d", t/3600, t/60%60, t%60)
}

// credits names the first finished file of each kind.
func credits(files []File) Credits {
	var c Credits
	at := map[string]*string{Opening: &c.Opening, Closing: &c.Closing, Sample: &c.Sample}
	for _, f := range files {
		if name := at[f.Kind]; name != nil && *name == "" && f.State == Finished {
			*name = f.Name
		}
	}
	return c
}
