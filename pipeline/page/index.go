package page

import (
	"fmt"
	"strings"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

// indexPage is what index.tmpl shows.
type indexPage struct {
	frame
	State    state
	Hours    string
	Books    []bookRow
	Singles  []chapter
	Waiting  []Unfinished
	SetAside []Unfinished
	Rooms    []room
}

// bookRow is a book in the table of books.
type bookRow struct {
	Title, Author, Link, Tongue string
	State                       state
	Files, Hours                string
	ToDo                        []string
	More                        int
}

// room is the answer to a room test.
type room struct {
	Book, Name string
	State      state
	Made       moment
	Says       []string
}

// fewToDo is how many things to do of a book the page over all books tells; its own page
// tells the rest.
const fewToDo = 3

func newIndexPage(in IndexInput) indexPage {
	p := indexPage{frame: newFrame("Finished", in.AsOf), Waiting: in.Waiting, SetAside: in.SetAside}
	ready, seconds := 0, 0.0
	for _, b := range in.Books {
		row := bookRowOf(b)
		if row.State.Class == "good" {
			ready++
		}
		seconds += float64(b.FinishedS)
		p.Books = append(p.Books, row)
	}
	p.Hours = hours(seconds)
	p.State = indexState(len(in.Books), ready, len(in.SetAside))
	for i, f := range in.Singles {
		p.Singles = append(p.Singles, finishedChapter(fmt.Sprintf("s%d", i+1), f.Stem, f.Report, in.AsOf))
	}
	for _, r := range in.Rooms {
		told := room{Book: r.Book, Name: r.Chapter, Made: momentOf(r.MadeAt, in.AsOf), Says: r.RoomTest.Says, State: state{"bad", "✕", "too loud"}}
		if r.RoomTest.Passes {
			told.State = state{"good", "✓", "quiet enough"}
		}
		p.Rooms = append(p.Rooms, told)
	}
	return p
}

// indexState is the line on top of the page over all books.
func indexState(books, ready, setAside int) state {
	aside := ""
	if setAside > 0 {
		aside = "; " + count(setAside, "recording was", "recordings were") + " set aside"
	}
	switch {
	case books == 0 && setAside == 0:
		return state{"wait", "…", "No book is here yet"}
	case books == 0:
		return state{"bad", "✕", "No book is here yet" + aside}
	case ready == books && setAside == 0:
		return state{"good", "✓", count(books, "book, ready", "books, all ready") + " to hand over"}
	}
	return state{"bad", "✕", fmt.Sprintf("%d of %s ready to hand over", ready, count(books, "book", "books")) + aside}
}

func bookRowOf(b *book.Book) bookRow {
	row := bookRow{
		Title: b.Title, Author: b.Author, Link: link(b.Folder, "index.html"), Tongue: tongue(b.Language),
		State: bookState(b), Hours: b.FinishedClock,
	}
	if row.Title == "" {
		row.Title = b.Book
	}
	finished := 0
	for _, f := range b.Files {
		if f.State == book.Finished {
			finished++
		}
	}
	row.Files = fmt.Sprintf("%d of %d", finished, len(b.Files))
	for i, t := range b.ToDo {
		if i == fewToDo {
			row.More = len(b.ToDo) - fewToDo
			break
		}
		row.ToDo = append(row.ToDo, t.Says)
	}
	return row
}

// hours writes a length as h:mm:ss, whatever it is.
func hours(seconds float64) string {
	s := report.Clock(seconds)
	if strings.Count(s, ":") == 1 {
		s = "0:" + strings.Repeat("0", 5-len(s)) + s
	}
	return s
}
