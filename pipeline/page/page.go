// Package page draws the pages a person reads: one for each book, one over all books.
//
//	book.Book, reports -> WriteBook  -> finished/BOOK/index.html
//	all books, singles -> WriteIndex -> finished/index.html
//
// A page is one file that needs nothing but the MP3s beside it. The pictures are SVG
// drawn here; the script only plays and jumps. Every word from outside goes through
// html/template, and the page's own policy lets nothing in but the one style and the one
// script it carries.
package page

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"time"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

// BookInput is what a book's page is drawn from.
type BookInput struct {
	Book *book.Book
	// Reports are those of the finished files.
	Reports []book.Filed
	// AsOf is when the page is made. All times are shown in its time zone.
	AsOf time.Time
}

// IndexInput is what the page over all books is drawn from.
type IndexInput struct {
	Books []*book.Book
	// Singles are the finished pieces of no book.
	Singles []book.Filed
	// Waiting and SetAside are the recordings that are not finished, of books and singles.
	Waiting, SetAside []Unfinished
	// Rooms are the answers to room tests.
	Rooms []*report.RoomTestReport
	AsOf  time.Time
}

// Unfinished is a recording that waits or was set aside.
type Unfinished struct {
	Book string // "" for a single piece
	Name string
	Says string // why
}

var (
	//go:embed *.tmpl page.css page.js
	files embed.FS

	templates = template.Must(template.New("page").Funcs(template.FuncMap{"own": own}).ParseFS(files, "*.tmpl"))
)

// WriteBook writes a book's page, finished/BOOK/index.html.
func WriteBook(w io.Writer, in BookInput) error {
	return write(w, "book.tmpl", newBookPage(in))
}

// WriteIndex writes the page over all books, finished/index.html.
func WriteIndex(w io.Writer, in IndexInput) error {
	return write(w, "index.tmpl", newIndexPage(in))
}

// write writes nothing if the page cannot be drawn whole.
func write(w io.Writer, name string, data any) error {
	var out bytes.Buffer
	if err := templates.ExecuteTemplate(&out, name, data); err != nil {
		return fmt.Errorf("draw page: %w", err)
	}
	if _, err := w.Write(out.Bytes()); err != nil {
		return fmt.Errorf("write page: %w", err)
	}
	return nil
}

// frame is what every page has.
type frame struct {
	Title  string
	Policy string
	Style  template.CSS
	Script template.JS
	AsOf   moment
	// JudgedBy is said on every page, as in every report.
	JudgedBy string
	Legend   []keyOf
}

// keyOf explains a shape.
type keyOf struct {
	Kind   string
	Number int // none
	Says   string
}

func newFrame(title string, asOf time.Time) frame {
	style, script := text("page.css"), text("page.js")
	return frame{
		Title:    title,
		JudgedBy: report.JudgedBy,
		Legend: []keyOf{
			{Kind: hear, Says: "listen: it may need you"}, {Kind: joined, Says: "a join of two takes"},
			{Kind: pickup, Says: "a pickup begins or ends"}, {Kind: again, Says: "seems to be read twice, or was"},
			{Kind: noted, Says: "good to know"},
		},
		Style:  template.CSS(style),
		Script: template.JS(script),
		AsOf:   momentOf(asOf, asOf),
		// Only this very style and script, and only recordings: those that lie beside the
		// page. A page opened from a folder has no origin, so by the standard "self" names
		// nothing there (some browsers are kinder), and file: stands beside it. The one
		// picture is an empty icon, without which a browser would ask the server for one.
		Policy: "default-src 'none'; style-src " + sum(style) + "; script-src " + sum(script) +
			"; media-src 'self' file:; img-src data:; base-uri 'none'; form-action 'none'",
	}
}

func text(name string) string {
	data, err := files.ReadFile(name)
	if err != nil {
		panic(err) // it is embedded
	}
	return string(data)
}

// sum names a text in a policy (Content Security Policy Level 3, hash-source).
func sum(text string) string {
	s := sha256.Sum256([]byte(text))
	return "'sha256-" + base64.StdEncoding.EncodeToString(s[:]) + "'"
}

// moment is a time for people and for machines.
type moment struct{ Day, Clock, Machine string }

func momentOf(t, asOf time.Time) moment {
	t = t.In(asOf.Location())
	return moment{t.Format("2 January 2006"), t.Format("15:04"), t.Format(time.RFC3339)}
}
