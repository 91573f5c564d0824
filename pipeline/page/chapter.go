package page

import (
	"strings"
	"time"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

// chapter is one file's part of a page.
type chapter struct {
	ID, Name, Tongue string
	Heading          heading
	State            state
	Says             string // why it is not finished, or how it stands
	Changed          bool   // since the hand-over
	// Of a finished one:
	IsFinished bool
	MP3        string // its address
	Report     string
	Duration   string
	Revision   int
	Made       moment
	Picture    *picture
	Places     []place
	MorePlaces int
	Whole      []string
	Before     *before
	Checks     []check
	Missed     int
	Raws       []raw
	History    []string
}

// heading is what a file is called on the page.
type heading struct{ Kind, Title string }

// before are ten seconds as they were, and where the same words are in the MP3.
type before struct {
	Clip, After string // addresses
	FromS, ToS  float64
	Clock       string
	Says        string
}

// check is one limit in words.
type check struct {
	Name, Wanted, Measured, Advice string
	State                          state
}

// raw is a recording the file was made from.
type raw struct {
	Name, Role, Format, Duration, Archived string
	Unused                                 bool
}

// headingOf tells what a file is called: "Chapter 3" and its title.
func headingOf(f book.File) heading {
	h := heading{Title: f.Title}
	switch {
	case f.Number != nil:
		h.Kind = "Chapter " + numbers([]int{*f.Number})
	case f.Kind != book.Other && f.Kind != "":
		h.Kind = strings.ToUpper(f.Kind[:1]) + f.Kind[1:]
		if strings.EqualFold(h.Title, h.Kind) {
			h.Title = ""
		}
	}
	if h.Title == "" && h.Kind == "" {
		h.Title = f.Name
	}
	return h
}

// finishedChapter tells all of a finished file from its report.
func finishedChapter(id, stem string, r *report.Report, asOf time.Time) chapter {
	mp3 := link(stem + ".mp3")
	places := placesOf(r)
	stands := stateOf(r.Verdict)
	stands.Says = r.Summary()
	c := chapter{
		ID: id, Name: r.Chapter, Heading: heading{Title: r.Chapter},
		State:      stands,
		IsFinished: true, MP3: mp3, Report: link(stem + ".json"),
		Duration: report.Clock(float64(r.Finished.DurationS)), Revision: r.Revision, Made: momentOf(r.MadeAt, asOf),
		Whole: ofTheWhole(r), Before: beforeOf(r, stem, mp3), History: r.History,
	}
	if len(places) > mostPlaces {
		c.MorePlaces = len(places) - mostPlaces
		places = places[:mostPlaces]
	}
	for i := range places {
		places[i].ID = id + "p" + numbers([]int{places[i].Number})
		places[i].Link = mp3 + "#t=" + plain(places[i].FromS)
	}
	c.Places = places
	c.Picture = pictureOf(r, id, places)
	for _, k := range r.Checks {
		told := checkOf(k)
		if !k.Pass {
			c.Missed++
		}
		c.Checks = append(c.Checks, told)
	}
	for _, w := range r.Raws {
		c.Raws = append(c.Raws, raw{
			Name: w.Name, Role: roleWords(w), Format: w.Format,
			Duration: report.Clock(float64(w.DurationS)), Archived: w.ArchivedAs, Unused: w.Unused,
		})
	}
	return c
}

func checkOf(k report.Check) check {
	told := check{Name: inWords(checkNames, k.Name), Wanted: limitWords(k.Limit), Measured: "none", Advice: k.Advice, State: state{"good", "✓", "kept"}}
	if k.Measured != nil {
		told.Measured = withUnit(*k.Measured, k.Limit.Unit)
	}
	switch {
	case k.Pass:
	case k.Name == "nothing_lost" || k.Name == "read_twice":
		told.State = state{"ear", "◆", "listen"}
	default:
		told.State = state{"bad", "✕", "missed"}
	}
	return told
}

// roleWords tells what a recording was: "take 2", "the chapter".
func roleWords(w report.Raw) string {
	if w.Role == "chapter" {
		return "the whole"
	}
	if w.Number == 0 {
		return w.Role
	}
	return w.Role + " " + numbers([]int{w.Number})
}

func beforeOf(r *report.Report, stem, mp3 string) *before {
	b := r.Before
	if b == nil {
		return nil
	}
	from, to := float64(b.FinishedAtS), float64(b.FinishedAtS+b.DurationS)
	return &before{
		Clip:  link("listen", stem+".before.mp3"),
		After: mp3 + "#t=" + plain(from) + "," + plain(to),
		FromS: from, ToS: to, Clock: report.Clock(from),
		Says: count(int(float64(b.DurationS)+0.5), "second", "seconds"),
	}
}

// plain writes seconds as an address has them.
func plain(s float64) string { return strings.TrimPrefix(figure(s), "−") }
