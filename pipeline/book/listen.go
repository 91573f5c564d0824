package book

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"lectern/pipeline/report"
)

// A place is heard from leadS before it to afterS behind it: a sentence before, and two
// after. Our choice.
const (
	leadS  = 5
	afterS = 10
)

// WriteListen writes listen.txt: the places of a book to hear, chapter by chapter in the
// book's order, instead of all of it. reports are those the book was judged by. An error
// is one of w.
func WriteListen(w io.Writer, b *Book, reports []*report.Report) error {
	type chapter struct {
		File
		places []Place
	}
	var chapters []chapter
	places, heardS, allS := 0, 0.0, report.Seconds(0)
	for _, f := range b.finished(func(File) bool { return true }) {
		allS += *f.DurationS
		r := reportOf(reports, f)
		if r == nil {
			continue
		}
		c := chapter{f, Places(r)}
		places, heardS = places+len(c.places), heardS+listeningS(c.places, *f.DurationS)
		if len(c.places) > 0 {
			chapters = append(chapters, c)
		}
	}
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "%s: where to listen\nAs of %s.\n\n", plain(b.Book), day(b.MadeAt))
	if places == 0 {
		out.WriteString(wrapped("", "", saysNothingToHear(allS)))
		return finish(out)
	}
	out.WriteString(wrapped("", "", saysToHear(places, heardS, allS)))
	for _, c := range chapters {
		fmt.Fprintf(out, "\n%s (revision %d, %s)\n", plain(c.Name), c.Revision, report.Clock(float64(*c.DurationS)))
		for _, p := range c.places {
			first := fmt.Sprintf("%8s  ", report.Clock(float64(p.AtS)))
			for _, says := range p.Says {
				out.WriteString(wrapped(first, strings.Repeat(" ", 10), plain(says)))
				first = strings.Repeat(" ", 10)
			}
		}
	}
	return finish(out)
}

func finish(out *bufio.Writer) error {
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write listen.txt: %w", err)
	}
	return nil
}

// listeningS is how long it takes to hear places of a file of durationS: what lies under
// two of them is heard once.
func listeningS(places []Place, durationS report.Seconds) float64 {
	var s, heardTo float64
	for _, p := range places {
		from := max(heardTo, float64(p.AtS)-leadS)
		to := min(float64(durationS), float64(p.UntilS)+afterS)
		s += max(0, to-from)
		heardTo = max(heardTo, to)
	}
	return s
}

// reportOf is the report of a finished file, nil if it is not among them.
func reportOf(reports []*report.Report, f File) *report.Report {
	for _, r := range reports {
		if r.State == report.StateFinished && r.Revision == f.Revision && fold(r.Chapter) == fold(f.Name) {
			return r
		}
	}
	return nil
}
