package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"lectern/watcher/internal/durable"
)

// secret is what lies outside the inbox and must stay there.
const secret = "not hers"

// leaks tells whether anything outside was moved, changed, or read into the workspace:
// the inbox alone may hold links to it.
func leaks(ws *Workspace, outside ...string) error {
	for _, path := range outside {
		if data, err := os.ReadFile(path); err != nil || string(data) != secret {
			return fmt.Errorf("the file outside: %q (%w)", data, errors.Join(err))
		}
	}
	for _, root := range []string{ws.Working, ws.Finished, ws.Archive, ws.SetAside} {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return ignoreMissing(err)
			}
			data, err := os.ReadFile(path) // through a link, if one got here
			if strings.Contains(string(data), secret) {
				return fmt.Errorf("%s holds what lies outside", path)
			}
			return ignoreMissing(err)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// swapping exchanges two names again and again until stop is called, which returns how
// often it did.
func swapping(a, b string) (stop func() int) {
	end, count := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for {
			select {
			case <-end:
				count <- n
				return
			default:
			}
			// An error while one of them was just taken.
			if unix.Renameat2(unix.AT_FDCWD, a, unix.AT_FDCWD, b, unix.RENAME_EXCHANGE) == nil {
				n++
			}
		}
	}()
	return func() int {
		close(end)
		return <-count
	}
}

// Row 31: a recording, or its whole folder, changes places with a link to something
// outside, again and again while the daemon looks at it and takes it.
func TestFaultSwappedForALink(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(2)) // or the two would take turns
	for _, c := range []struct{ what, name, target string }{
		{"a recording that is a link half of the time", "Tides/01.wav", "outside/01.wav"},
		{"a book folder that is a link half of the time", "Tides", "outside"},
	} {
		swaps, made, refused, wrong := 0, 0, 0, 0
		for rounds := 0; rounds < 1000 && (swaps < inShort(1000, 10000) || made < inShort(10, 100) || refused < inShort(10, 100)); rounds++ {
			ws := memoryWorkspace(t)
			check(t, os.Mkdir(filepath.Join(ws.Root, "outside"), 0o750))
			hidden := filepath.Join(ws.Root, "outside", "01.wav")
			check(t, os.WriteFile(hidden, []byte(secret), 0o600))
			link, real := filepath.Join(ws.Root, "link"), filepath.Join(ws.Inbox, c.name)
			check(t, os.Symlink(filepath.Join(ws.Root, c.target), link))
			sum := drop(t, ws, "Tides/01.wav", "ferry")
			d := readyDaemon(t, ws, &durable.Disk{})
			stop := swapping(real, link)
			for range 100 {
				d.scanAll(time.Now())
				done, err := claimSwapped(t, d)
				if err != nil {
					wrong++
					t.Error(err)
				}
				if done {
					made++
					break
				}
				refused++
			}
			swaps += stop()
			if info, err := os.Lstat(link); err == nil && info.Mode()&fs.ModeSymlink == 0 {
				check(t, ignoreMissing(os.Remove(real))) // the link
				check(t, os.Rename(link, real))
			}
			wrong += amiss(t, errors.Join(leaks(ws, hidden), invariant(ws, map[string]int{sum: 1}, false)))
			check(t, os.RemoveAll(ws.Root))
		}
		row(t, "31", c.what, swaps, 0, wrong, "made %d times, refused %d times, nothing from outside", made, refused)
		if made == 0 || refused == 0 {
			t.Error("one of the two ends never came: this test proves little")
		}
	}
}

// claimSwapped tries to claim Tides/01.wav as it looks now, and to make it. It tells
// whether it was made.
func claimSwapped(t *testing.T, d *daemon) (bool, error) {
	b := d.batchOf("Tides", []*tracked{d.track("Tides", "01.wav")}, "")
	info, err := os.Lstat(filepath.Join(d.ws.Inbox, "Tides", "01.wav"))
	if err != nil || !info.Mode().IsRegular() {
		return false, nil
	}
	b.Raws[0].Look = lookAt(info)
	j, err := d.claim(b)
	for try := 0; j != nil && try < 20; try++ {
		if err = d.work(t.Context(), j); err == nil {
			return true, nil
		}
		if !exists(j.Dir) {
			return false, nil // given back
		}
	}
	if j != nil {
		return false, fmt.Errorf("it came to no end: %w", err)
	}
	return false, nil
}

// Row 31: links of every kind, lying still.
func TestFaultLinks(t *testing.T) {
	inBubble(t, testHands(), nil, func(b *bubble) {
		hidden := filepath.Join(b.ws.Root, "outside.wav")
		check(b, os.WriteFile(hidden, []byte(secret), 0o600))
		check(b, os.Mkdir(filepath.Join(b.ws.Inbox, "Tides"), 0o770))
		kinds := map[string]string{
			"shadow.wav": "/etc/shadow", "outside.wav": hidden, "inbox.wav": b.ws.Inbox, "above.wav": "..",
			"itself.wav": filepath.Join(b.ws.Inbox, "itself.wav"), "nowhere.wav": "/nowhere/at/all", "Book": b.ws.Root,
		}
		for name, target := range kinds {
			for _, folder := range []string{"", "Tides"} {
				check(b, os.Symlink(target, filepath.Join(b.ws.Inbox, folder, name)))
			}
		}
		b.after(time.Hour)
		b.wantLine(2*len(kinds), "refused, because it is a link")
		wrong := amiss(b, leaks(b.ws, hidden))
		if got := handedOver(b, b.ws); len(got) > 0 {
			wrong++
			b.Errorf("handed over: %s", listed(got))
		}
		row(b, "31", "links to /etc/shadow, outside, the inbox, above, themselves, nowhere", 2*len(kinds), 0, wrong, "each refused in one line")
	})
}
