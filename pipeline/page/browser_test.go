package page

import (
	"context"
	"io"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	devtools "github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"lectern/encode"
	"lectern/pipeline/book"
)

// browser starts a real browser for one test. It skips where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser is not started in a short run")
	}
	names := []string{"chromium", "chromium-browser", "google-chrome"}
	if !slices.ContainsFunc(names, func(name string) bool { _, err := exec.LookPath(name); return err == nil }) {
		t.Skip("no Chromium is installed here")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Minute) // so that a browser that hangs is no test that hangs
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewContext(ctx, chromedp.WithAllocatorOptions(chromedp.NoSandbox))
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start the browser: %v", err)
	}
	return ctx
}

// seen is what a tab reports of itself.
type seen struct {
	mu       sync.Mutex
	errors   []string
	requests []string
}

func (s *seen) add(ev any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch ev := ev.(type) {
	case *log.EventEntryAdded:
		s.errors = append(s.errors, ev.Entry.Text)
	case *devtools.EventExceptionThrown:
		s.errors = append(s.errors, ev.ExceptionDetails.Text)
	case *devtools.EventConsoleAPICalled:
		s.errors = append(s.errors, "console: "+string(ev.Type))
	case *network.EventRequestWillBeSent:
		s.requests = append(s.requests, ev.Request.URL)
	}
}

// tab opens a page in a tab of its own. scheme is light or dark, width in dots.
func tab(t *testing.T, browser context.Context, path, scheme string, width int64) (context.Context, *seen) {
	t.Helper()
	s := &seen{}
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithListener(s.add))
	t.Cleanup(cancel)
	do(t, ctx,
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			if _, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{}); err != nil {
				return err
			}
			_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
			})
			return err
		}),
		chromedp.EmulateViewport(width, 900),
		chromedp.Navigate(fileURL(path)),
	)
	return ctx, s
}

func fileURL(path string) string {
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(path)}
	return u.String()
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func evaluate[T any](t *testing.T, ctx context.Context, expression string, opts ...chromedp.EvaluateOption) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, opts...))
	if err != nil {
		t.Fatalf("%v, in %.80s", err, expression)
	}
	return v
}

// playableS is how long the recordings are that the browser plays.
const playableS = 24

// playable is a book of two short chapters that can be played.
func playable() BookInput {
	in := BookInput{AsOf: asOf, Book: &book.Book{Book: "100% #1 & Tides", Title: "A Ledger of Small Tides", Author: "Odile Marsh"}}
	for i, name := range []string{"03 The Ferry", "04 100% #1 & a+b;c=d"} {
		r := inventedReport(name, playableS, uint64(i))
		joinTakes(r)
		r.Before.FinishedAtS, r.Before.DurationS = 6, 2
		in.Reports = append(in.Reports, filed(r))
		in.Book.Files = append(in.Book.Files, fileOf(r, book.Chapter, name, i+3, i+1))
	}
	in.Book.ToDo = []book.ToDo{{Kind: "listen", Name: "03 The Ferry", Says: "Listen to 4 places in 03 The Ferry."}}
	return in
}

// pages lays out a folder of finished books as the browser finds it and returns the paths
// of the pages in it.
func pages(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	paths := map[string]string{}
	lay := func(name, folder, page string) string {
		in := filepath.Join(dir, filepath.FromSlash(folder))
		if err := os.MkdirAll(filepath.Join(in, "listen"), 0o755); err != nil {
			t.Fatal(err)
		}
		paths[name] = filepath.Join(in, "index.html")
		if err := os.WriteFile(paths[name], []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
		return in
	}
	short := playable()
	in := lay("playable", "finished/"+short.Book.Book, drawBook(t, short))
	for _, r := range short.Reports {
		hum(t, filepath.Join(in, r.Report.Finished.Name), playableS)
		hum(t, filepath.Join(in, "listen", r.Stem+".before.mp3"), 2)
	}
	lay("index", "finished", drawIndex(t, inventedIndex()))
	lay("book", "finished/book", drawBook(t, inventedBook()))
	lay("hostile book", "hostile/book", drawBook(t, hostileBook()))
	lay("hostile index", "hostile", drawIndex(t, hostileIndex()))
	return paths
}

// hum writes an MP3 of a soft tone.
func hum(t *testing.T, path string, seconds int) {
	t.Helper()
	n := 0
	source := func(dst []float32) (int, error) {
		for i := range dst {
			if n == seconds*44100 {
				return i, io.EOF
			}
			dst[i] = float32(0.05 * math.Sin(2*math.Pi*220*float64(n)/44100))
			n++
		}
		return len(dst), nil
	}
	if _, err := encode.Write(context.Background(), path, source, encode.Options{BitrateKbps: 192}); err != nil {
		t.Fatal(err)
	}
}
