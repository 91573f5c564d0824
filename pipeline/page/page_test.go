package page

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
)

func drawBook(t testing.TB, in BookInput) string {
	t.Helper()
	var out bytes.Buffer
	if err := WriteBook(&out, in); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func drawIndex(t testing.TB, in IndexInput) string {
	t.Helper()
	var out bytes.Buffer
	if err := WriteIndex(&out, in); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// everyPage draws each kind of page, plain and hostile.
func everyPage(t testing.TB) map[string]string {
	return map[string]string{
		"book": drawBook(t, inventedBook()), "index": drawIndex(t, inventedIndex()),
		"hostile book": drawBook(t, hostileBook()), "hostile index": drawIndex(t, hostileIndex()),
		"empty book":  drawBook(t, BookInput{Book: &book.Book{Book: "Empty"}, AsOf: asOf}),
		"empty index": drawIndex(t, IndexInput{AsOf: asOf}),
	}
}

// The policy names exactly the style and the script that are in the page, and neither
// holds anything that must be let in besides.
func TestPolicyLetsInNothingElse(t *testing.T) {
	policy := regexp.MustCompile(`Content-Security-Policy" content="([^"]*)"`)
	for name, page := range everyPage(t) {
		told := html.UnescapeString(policy.FindStringSubmatch(page)[1])
		if !strings.HasPrefix(told, "default-src 'none'; ") || strings.Contains(told, "unsafe") || strings.Contains(told, "*") {
			t.Errorf("%s: policy %q", name, told)
		}
		for _, tag := range []string{"style", "script"} {
			parts := regexp.MustCompile(`(?s)<`+tag+`\b[^>]*>(.*?)</`+tag+`>`).FindAllStringSubmatch(page, -1)
			if len(parts) != 1 {
				t.Fatalf("%s: %d %s elements", name, len(parts), tag)
			}
			s := sha256.Sum256([]byte(parts[0][1]))
			if want := fmt.Sprintf("%s-src 'sha256-%s';", tag, base64.StdEncoding.EncodeToString(s[:])); !strings.Contains(told, want) {
				t.Errorf("%s: policy %q lacks %s", name, told, want)
			}
		}
		unquoted := regexp.MustCompile(`"[^"]*"`).ReplaceAllString(page, `""`)
		if found := regexp.MustCompile(`<[^>]* (style|on[a-z]+)=`).FindString(unquoted); found != "" {
			t.Errorf("%s: an attribute the policy forbids: %s", name, found)
		}
	}
}

// Every address leads to a file beside or below the page, to the page above, or into the
// page itself.
func TestAddressesStayInTheFolder(t *testing.T) {
	address := regexp.MustCompile(` (?:href|src)="([^"]*)"`)
	for name, page := range everyPage(t) {
		ids := map[string]bool{}
		for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			if ids[m[1]] {
				t.Errorf("%s: id %s stands twice", name, m[1])
			}
			ids[m[1]] = true
		}
		for _, m := range address.FindAllStringSubmatch(page, -1) {
			to := html.UnescapeString(m[1])
			u, err := url.Parse(to)
			switch {
			case err != nil:
				t.Errorf("%s: %s: %v", name, to, err)
			case to == "data:," || to == "../index.html":
			case strings.HasPrefix(to, "#"):
				if !ids[to[1:]] {
					t.Errorf("%s: %s leads nowhere", name, to)
				}
			case !strings.HasPrefix(to, "./") || u.Scheme != "" || u.Host != "" || u.RawQuery != "" || strings.Contains(to, ".."):
				t.Errorf("%s: %s leads out of the folder", name, to)
			}
		}
	}
}

func TestLinkEscapesNames(t *testing.T) {
	for _, name := range hostile() {
		u, err := url.Parse(link("listen", name+".before.mp3"))
		if err != nil {
			t.Errorf("%q: %v", name, err)
			continue
		}
		if want := "./listen/" + name + ".before.mp3"; u.Path != want || u.Fragment != "" || u.RawQuery != "" {
			t.Errorf("%q leads to %q", name, u.Path)
		}
	}
	if got, want := link("03 The Ferry.mp3"), "./03%20The%20Ferry.mp3"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// A text that turns its direction around turns nothing else around.
func TestOwnDirection(t *testing.T) {
	for text, want := range map[string]string{
		"03 The Ferry": "03 The Ferry", "\u2067abc": "\u2067abc\u2069", "\u2066a\u2067b\u2069c": "\u2066a\u2067b\u2069c\u2069",
		"a\u2069b": "ab", "a\u2069\u2068b\u2069": "a\u2068b\u2069", "a\u2029b": "a b",
	} {
		if got := own(text); got != want {
			t.Errorf("own(%q) = %q, want %q", text, got, want)
		}
	}
	for name, page := range everyPage(t) {
		for _, m := range regexp.MustCompile(`(?s)<bdi[^>]*>(.*?)</bdi>`).FindAllStringSubmatch(page, -1) {
			if strings.ContainsAny(own(m[1]), "\u2066\u2067\u2068") && own(m[1]) != m[1] {
				t.Errorf("%s: %q is not closed", name, m[1])
			}
		}
	}
}

// No page tells where on a disk it lies.
func TestNoAbsolutePaths(t *testing.T) {
	absolute := regexp.MustCompile(`(?:^|[\s"'(>=])(/[\p{L}\d._-]+/|[A-Za-z]:\\|file:/)`)
	for name, page := range everyPage(t) {
		text := regexp.MustCompile(`(?s)<(style|script)>.*?</`).ReplaceAllString(page, "")
		if found := absolute.FindString(text); found != "" {
			t.Errorf("%s: %q", name, found)
		}
	}
}

// Hostile names are shown as they are, and no element comes of them.
func TestHostileNamesAreText(t *testing.T) {
	for name, page := range map[string]string{"book": drawBook(t, hostileBook()), "index": drawIndex(t, hostileIndex())} {
		for _, word := range []string{"<img", "<!--", "<script>window", "<style>*"} {
			if strings.Contains(page, word) {
				t.Errorf("%s: %s came through", name, word)
			}
		}
		text := html.UnescapeString(page)
		for _, word := range hostile() {
			if !strings.Contains(text, own(word)) {
				t.Errorf("%s: %q is not shown", name, word)
			}
		}
	}
}

// What the reader must be told is there, in words.
func TestBookPageTells(t *testing.T) {
	page := html.UnescapeString(drawBook(t, inventedBook()))
	for _, want := range []string{
		"5 things to do before handing over", "Chapter 7 is missing.", "03 (revision 2)", "14:02, 26 November 2026",
		"missing 7; there twice 4", "13 of 15", "Being copied: 62 of 100 parts", "set aside",
		"Level (RMS), dB", "09 The Drowned Meadow: −18.2", "05 A Debt of Nine Herring: −54.6",
		"at most −60 dBFS", "Switch off the fan", "misses the limit for noise floor and room tone",
		"03 The Ferry pickup 1.wav", "2026-11-25, revision 2: pickup 1 put in",
		`src="./03%20The%20Ferry.mp3"`, `href="./listen/03%20The%20Ferry.before.mp3"`, `href="./03%20The%20Ferry.mp3#t=61.4,71.4"`,
		report.JudgedBy,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not tell %q", want)
		}
	}
	ready := inventedBook()
	ready.Book.ToDo = nil
	if !strings.Contains(drawBook(t, ready), "Ready to hand over") {
		t.Error("a book with nothing to do is not said to be ready")
	}
	ready.Book.ToDo = []book.ToDo{{Kind: book.DoListen, Says: "Listen to 3 places in 03 The Ferry."}}
	if page := drawBook(t, ready); !strings.Contains(page, "Nothing is in the way of handing over; 1 thing to look at first") {
		t.Error("a book in whose way nothing stands is not said to be so")
	}
}

func TestIndexPageTells(t *testing.T) {
	page := html.UnescapeString(drawIndex(t, inventedIndex()))
	for _, want := range []string{
		"1 of 2 books ready to hand over; 1 recording was set aside", "14:02, 26 November 2026", "./A%20Ledger%20of%20Small%20Tides/index.html",
		"Chapter 7 is missing.", "and 2 more", "4:12:00", "12 High Water.wav", "a single piece", "11 The Auditor.wav",
		"Audition for the Lighthouse", "quiet enough",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not tell %q", want)
		}
	}
}

// A report of an earlier version has no curves; one that lies has too few.
func TestNoCurves(t *testing.T) {
	for _, c := range []*report.Curves{nil, {}, {ColumnS: 1, Low: []byte{1}}, {ColumnS: 1, Low: []byte{255}, High: []byte{1}}} {
		r := inventedReport("03 The Ferry", 60, 1)
		r.Curves, r.Before = c, nil
		in := BookInput{Book: &book.Book{Book: "A Ledger of Small Tides", Files: []book.File{fileOf(r, book.Chapter, "The Ferry", 3, 1)}}, Reports: []book.Filed{filed(r)}, AsOf: asOf}
		drawn := strings.Contains(drawBook(t, in), "There is no picture")
		if whole := c != nil && len(c.High) > 0; drawn == whole {
			t.Errorf("curves %+v: says there is no picture: %v", c, drawn)
		}
	}
}

// A file called like what it is needs no title beside it.
func TestHeadingIsSaidOnce(t *testing.T) {
	for title, want := range map[string]string{"Opening credits": "", "opening Credits": "", "Before the Tide": "Before the Tide"} {
		if h := headingOf(book.File{Name: "00 " + title, Kind: book.Opening, Title: title}); h.Kind != "Opening credits" || h.Title != want {
			t.Errorf("%s: %+v", title, h)
		}
	}
}
