package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// Nothing goes wrong in a page, nothing hostile runs, nothing is asked for but the page
// itself, and nothing stands out at the sides, on a phone or on a desk, by day or by night.
func TestPagesInBrowser(t *testing.T) {
	browser := browser(t)
	for name, path := range pages(t) {
		for _, scheme := range []string{"light", "dark"} {
			for _, width := range []int64{360, 1400} {
				ctx, s := tab(t, browser, path, scheme, width)
				if got := evaluate[string](t, ctx, `String(window.broken)`); got != "undefined" {
					t.Errorf("%s: a hostile word ran: %s", name, got)
				}
				wide := evaluate[int64](t, ctx, `document.documentElement.scrollWidth`)
				if wide > width {
					t.Errorf("%s: %d dots wide on a screen of %d; too wide: %s", name, wide, width, evaluate[string](t, ctx, tooWide))
				}
				ground := evaluate[string](t, ctx, `getComputedStyle(document.documentElement).backgroundColor`)
				if want := map[string]string{"light": "rgb(247, 242, 231)", "dark": "rgb(28, 25, 22)"}[scheme]; ground != want {
					t.Errorf("%s: the ground is %s in %s, want %s: the style is not taken", name, ground, scheme, want)
				}
				s.mu.Lock()
				if len(s.errors) > 0 {
					t.Errorf("%s: the browser complains: %s", name, strings.Join(s.errors, "; "))
				}
				if got := s.requests; len(got) == 0 || slices.ContainsFunc(got, func(u string) bool { return u != fileURL(path) && !strings.HasPrefix(u, "data:") }) {
					t.Errorf("%s: asks for %.200q", name, got)
				}
				s.mu.Unlock()
				chromedp.Cancel(ctx)
			}
		}
	}
}

// tooWide names the first element that reaches beyond the screen.
const tooWide = `(() => {
  for (const e of document.querySelectorAll('body *')) {
    if (e.getBoundingClientRect().right > innerWidth + 1 && !e.closest('svg svg')) return e.tagName + '.' + (e.getAttribute('class') || '') + ' ' + e.textContent.slice(0, 60);
  }
  return 'none found';
})()`

// A click on a mark, on a row, on the picture, or on one of the two buttons plays from
// there, and what played before falls silent.
func TestJumpAndPlay(t *testing.T) {
	browser := browser(t)
	ctx, s := tab(t, browser, pages(t)["playable"], "light", 1000)
	plays := func(what, audio string, fromS, toS float64) {
		t.Helper()
		_, err := chromedp.Run(ctx, chromedp.Poll[bool](`!(`+audio+`).paused && (`+audio+`).currentTime > `+plain(fromS+0.05)))
		if err != nil {
			t.Fatalf("%s: does not play from %g: %v; it is at %v, %s", what, fromS, err,
				evaluate[float64](t, ctx, audio+".currentTime"), evaluate[string](t, ctx, `document.getElementById('say').textContent`))
		}
		if at := evaluate[float64](t, ctx, audio+".currentTime"); at >= toS {
			t.Errorf("%s: plays at %g, want %g to %g", what, at, fromS, toS)
		}
		if n := evaluate[int](t, ctx, `Array.from(document.querySelectorAll('audio')).filter((a) => !a.paused).length`); n != 1 {
			t.Errorf("%s: %d play at once", what, n)
		}
	}
	first, second := `document.querySelectorAll('audio:not(.clip)')[0]`, `document.querySelectorAll('audio:not(.clip)')[1]`
	places := placesOf(playable().Reports[0].Report)
	last := places[len(places)-2]
	do(t, ctx, chromedp.Click(chromedp.CSS(`#f1 .mark[href="#`+"f1p"+numbers([]int{last.Number})+`"]`)))
	plays("a mark", first, last.FromS, last.FromS+3)
	if got := evaluate[string](t, ctx, `document.querySelector('[aria-current]').id`); got != "f1p"+numbers([]int{last.Number}) {
		t.Errorf("the row of another place is marked: %s", got)
	}
	do(t, ctx, chromedp.Click(chromedp.CSS(`#f2p3 .says`)))
	plays("a row", second, places[2].FromS, places[2].FromS+3)
	do(t, ctx, chromedp.Focus(chromedp.CSS(`#f1p2 a`)), chromedp.KeyEvent("\r"))
	plays("the Enter key", first, places[1].FromS, places[1].FromS+3)
	do(t, ctx, chromedp.Click(chromedp.CSS(`#f1 svg[data-length]`)))
	plays("the middle of the picture", first, playableS/2-0.1, playableS/2+3)
	do(t, ctx, chromedp.Click(chromedp.CSS(`#f2 [data-clip]`)))
	plays("before", `document.querySelectorAll('audio.clip')[1]`, 0, 2)
	do(t, ctx, chromedp.Click(chromedp.CSS(`#f2 [data-to]`)))
	plays("after", second, 6, 8)
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](second+`.paused && Math.abs(`+second+`.currentTime - 8) < 0.6`)); err != nil {
		t.Errorf("after: does not stop at its end: %v", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.errors) > 0 {
		t.Errorf("the browser complains: %s", strings.Join(s.errors, "; "))
	}
	folder := fileURL(filepath.Dir(pages(t)["playable"]))
	folder = folder[strings.LastIndex(folder, "/"):]
	for _, u := range s.requests {
		if !strings.HasPrefix(u, "data:") && (!strings.HasPrefix(u, "file:") || !strings.Contains(u, folder)) {
			t.Errorf("asks for %s", u)
		}
	}
}

// The same holds where the folder is shared by a server: the page plays, and asks for
// nothing but what lies beside it.
func TestPlaysFromServer(t *testing.T) {
	browser := browser(t)
	server := httptest.NewServer(http.FileServer(http.Dir(filepath.Dir(pages(t)["playable"]))))
	defer server.Close()
	s := &seen{}
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithListener(s.add))
	t.Cleanup(cancel)
	do(t, ctx,
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
			return err
		}),
		chromedp.Navigate(server.URL+"/"),
		chromedp.Click(chromedp.CSS("#f2p3 a")),
	)
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](`!document.querySelectorAll('audio:not(.clip)')[1].paused && document.querySelectorAll('audio:not(.clip)')[1].currentTime > 4`)); err != nil {
		t.Errorf("does not play: %v", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.errors) > 0 {
		t.Errorf("the browser complains: %s", strings.Join(s.errors, "; "))
	}
	for _, u := range s.requests {
		if u != server.URL+"/" && !strings.HasPrefix(u, server.URL+"/04%20100%25%20%231%20&%20a+b") && !strings.HasPrefix(u, "data:") {
			t.Errorf("asks for %s", u)
		}
	}
}

// The Tab key reaches all that can be used, and what it reaches is seen to be reached.
func TestKeyboardReachesAll(t *testing.T) {
	browser := browser(t)
	all := pages(t)
	for _, name := range []string{"playable", "index", "hostile book"} {
		ctx, _ := tab(t, browser, all[name], "light", 1000)
		count := evaluate[int](t, ctx, `
			window.want = Array.from(document.querySelectorAll('a[href], button, summary, input, select, audio[controls], [tabindex]')).filter((e) => e.checkVisibility());
			window.got = new Set(); window.unseen = new Set(); window.want.length`)
		if count < 10 {
			t.Fatalf("%s: only %d to reach", name, count)
		}
		for range 8 * count { // a player takes several
			do(t, ctx, chromedp.KeyEvent("\t"))
			done := evaluate[bool](t, ctx, `(() => {
				const e = document.activeElement;
				if (e === document.body) return window.got.size > 0;
				window.got.add(e);
				const style = getComputedStyle(e), use = e.querySelector('use');
				if (style.outlineStyle === 'none' && !(use && e.matches('.mark') && getComputedStyle(use).strokeWidth === '5px')) window.unseen.add(e);
				return false;
			})()`)
			if done {
				break
			}
		}
		if left := evaluate[string](t, ctx, `window.want.filter((e) => !window.got.has(e)).map((e) => e.outerHTML.slice(0, 90)).join(' | ')`); left != "" {
			t.Errorf("%s: Tab does not reach %s", name, left)
		}
		if bare := evaluate[string](t, ctx, `Array.from(window.unseen).map((e) => e.outerHTML.slice(0, 90)).join(' | ')`); bare != "" {
			t.Errorf("%s: one does not see that Tab has reached %s", name, bare)
		}
	}
}

// With scripts off all is there, and the places are links into the MP3.
func TestScriptsOff(t *testing.T) {
	browser := browser(t)
	path := pages(t)["book"]
	with, _ := tab(t, browser, path, "light", 1000)
	without, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	do(t, without,
		chromedp.EmulateViewport(1000, 900),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
			return err
		}),
		chromedp.Navigate(fileURL(path)),
	)
	const shown = `document.body.innerText`
	a, b := evaluate[string](t, with, shown), evaluate[string](t, without, shown)
	if a != b || !strings.Contains(b, "5 things to do") {
		t.Errorf("without scripts the page says %d letters, with them %d", len(b), len(a))
	}
	if got := evaluate[string](t, without, `document.querySelector('.places a').href`); !strings.Contains(got, ".mp3#t=") {
		t.Errorf("a place leads to %s", got)
	}
}

// Printed, the page has pages, all of its text, and nothing to press.
func TestPrint(t *testing.T) {
	browser := browser(t)
	ctx, _ := tab(t, browser, pages(t)["book"], "dark", 1000)
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is not installed here; the print was made but not read")
	}
	path := filepath.Join(t.TempDir(), "book.pdf")
	if err := os.WriteFile(path, pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(string(out)), " ")
	for _, want := range []string{"5 things to do", "Chapter 7 is missing", "Quiet before the first word", "kept in the archive as", "pickup 1 put in", "How strong the sound is on average"} {
		if !strings.Contains(text, want) {
			t.Errorf("the print lacks %q", want)
		}
	}
	if n := strings.Count(string(out), "\f"); n < 3 || n > 60 {
		t.Errorf("the print has %d pages", n)
	}
	if strings.Contains(text, "equally loud") {
		t.Error("the print has buttons")
	}
}

// An accessibility checker finds nothing. LECTERN_AXE is the path of its axe.min.js.
func TestAccessibility(t *testing.T) {
	at := os.Getenv("LECTERN_AXE")
	if at == "" {
		t.Skip("LECTERN_AXE is not set to the path of axe.min.js")
	}
	checker, err := os.ReadFile(at)
	if err != nil {
		t.Fatal(err)
	}
	browser := browser(t)
	for name, path := range pages(t) {
		for scheme, width := range map[string]int64{"light": 360, "dark": 1400} {
			{
				ctx, _ := tab(t, browser, path, scheme, width)
				evaluate[bool](t, ctx, `for (const d of document.querySelectorAll('details')) d.open = true; true`)
				evaluate[bool](t, ctx, string(checker)+`; true`)
				type outcome struct {
					Passes int
					Faults []string
				}
				got := evaluate[outcome](t, ctx, `axe.run(document, {rules: {'target-size': {enabled: true}}}).then((r) => ({
					Passes: r.passes.length,
					Faults: r.violations.map((v) => v.id + ': ' + v.nodes.length + ' times, ' + v.nodes[0].html.slice(0, 200) + ' ' + v.nodes[0].failureSummary),
				}))`, chromedp.EvalAwaitPromise)
				if got.Passes < 15 {
					t.Errorf("%s, %s: only %d rules were looked at", name, scheme, got.Passes)
				}
				for _, fault := range got.Faults {
					t.Errorf("%s, %s, %d wide: %s", name, scheme, width, fault)
				}
				chromedp.Cancel(ctx)
			}
		}
	}
}
