package page

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

// longBook has forty chapters, each with joins and findings and with more columns than are
// drawn.
func longBook() BookInput {
	in := BookInput{Book: &book.Book{Book: "A Ledger of Small Tides"}, AsOf: asOf}
	for n := range 40 {
		r := inventedReport(fmt.Sprintf("%02d %s", n+1, titles[n%len(titles)]), 2400, uint64(n))
		r.Curves = inventedCurves(2400, 6000, uint64(n))
		joinTakes(r)
		in.Reports = append(in.Reports, filed(r))
		in.Book.Files = append(in.Book.Files, fileOf(r, book.Chapter, titles[n%len(titles)], n+1, n+1))
	}
	return in
}

// The sizes that were promised: a page of forty chapters under 3 MB, a picture under 60 kB.
func TestSizes(t *testing.T) {
	page := drawBook(t, longBook())
	t.Logf("a page of 40 chapters: %d kB", len(page)/1000)
	if len(page) >= 3_000_000 {
		t.Errorf("the page has %d bytes", len(page))
	}
	pictures := regexp.MustCompile(`(?s)<figure class="picture">.*?</figure>`).FindAllString(page, -1)
	if len(pictures) != 40 {
		t.Fatalf("%d pictures", len(pictures))
	}
	largest := 0
	for _, p := range pictures {
		largest = max(largest, len(p))
	}
	t.Logf("the largest picture: %.1f kB", float64(largest)/1000)
	if largest >= 60_000 {
		t.Errorf("a picture has %d bytes", largest)
	}
}

// The worst that can be in a report: sound that leaps from column to column, and a place
// every second.
func TestSizeOfTheWorst(t *testing.T) {
	r := inventedReport("03 The Ferry", 3600, 1)
	c := r.Curves
	for i := range c.High {
		c.High[i], c.Low[i] = byte(int8(i%2*126)), byte(int8(-127+i%2*100))
		c.Loudness[i], c.GainDB[i] = byte(40+i%2*100), byte(int8(-127+i%2*254))
	}
	for s := range 3600 {
		at := report.Seconds(s)
		r.Finished.Findings = append(r.Finished.Findings, report.Finding{Kind: "click", FinishedAtS: &at, Says: "A click."})
	}
	in := BookInput{Book: &book.Book{Files: []book.File{fileOf(r, book.Chapter, "The Ferry", 3, 1)}}, Reports: []book.Filed{filed(r)}, AsOf: asOf}
	page := drawBook(t, in)
	picture := regexp.MustCompile(`(?s)<figure class="picture">.*?</figure>`).FindString(page)
	t.Logf("the worst picture: %.1f kB", float64(len(picture))/1000)
	if len(picture) >= 60_000 {
		t.Errorf("the picture has %d bytes", len(picture))
	}
	if !strings.Contains(page, "And 3400 more") {
		t.Error("the page does not tell how many places it leaves out")
	}
}

// A page of forty chapters must be drawn in under two seconds.
func BenchmarkWriteBook(b *testing.B) {
	in := longBook()
	for b.Loop() {
		drawBook(b, in)
	}
}
