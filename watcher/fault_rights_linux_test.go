package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"

	"lectern/watcher/internal/durable"
)

// Row 31: the folder of a book turns into a link while its recording is in work, and
// the recording has to go back; and the same when one that was set aside is tried again.
func TestFaultGivenBackThroughALink(t *testing.T) {
	tries, wrong := inShort(5, 50), 0
	for range tries {
		ws := memoryWorkspace(t)
		outside := filepath.Join(ws.Root, "outside")
		check(t, os.Mkdir(outside, 0o770))
		sum := drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
		bad := drop(t, ws, "Harbor/01.wav", badRaw)
		d := readyDaemon(t, ws, &durable.Disk{})
		jobs := map[string]*job{}
		for _, b := range d.queue {
			j, err := d.claim(b)
			check(t, err)
			jobs[b.Book] = j
		}
		check(t, d.work(t.Context(), jobs["Harbor"])) // set aside

		book := filepath.Join(ws.Inbox, "Tides")
		check(t, os.Rename(book, filepath.Join(ws.Root, "moved")))
		check(t, os.Symlink(outside, book))
		if err := d.unclaim(jobs["Tides"]); err == nil {
			wrong++
			t.Error("given back through a link")
		}
		check(t, os.Remove(book))
		check(t, d.unclaim(jobs["Tides"]))

		check(t, os.Remove(filepath.Join(ws.Inbox, "Harbor")))
		check(t, os.Symlink(outside, filepath.Join(ws.Inbox, "Harbor")))
		var refused *RefusedError
		if err := ws.TryAgain(Aside{Book: "Harbor", Name: "01.wav"}); !errors.As(err, &refused) || !strings.Contains(refused.Says, "is a link") {
			wrong++
			t.Errorf("tried again through a link: %v", err)
		}
		if names, err := namesIn(outside); err != nil || len(names) > 0 {
			wrong++
			t.Errorf("outside lie %q (%v)", names, err)
		}
		if !exists(filepath.Join(ws.Inbox, "Tides", "03 The Ferry.wav")) {
			wrong++
			t.Error("the recording is not back in its folder")
		}
		wrong += amiss(t, invariant(ws, map[string]int{sum: 1, bad: 1}, true))
		check(t, os.RemoveAll(ws.Root))
	}
	row(t, "31", "a book folder that has become a link when a recording goes back to it", tries, 0, wrong, "nothing put outside; back once it is a folder")
}

// Row 32: each of the things by which somebody else still holds a recording, alone.
func TestFaultHeldBySomebodyElse(t *testing.T) {
	needRoot(t)
	const nobody = 65534
	tries, wrong := 0, 0
	for what, hold := range map[string]func(path, outside string) error{
		"a second name":    func(path, outside string) error { return os.Link(path, outside) },
		"another owner":    func(path, _ string) error { return os.Chown(path, nobody, nobody) },
		"runs as its user": func(path, _ string) error { return os.Chmod(path, 0o755|fs.ModeSetuid) },
		"its group":        func(path, _ string) error { return os.Chmod(path, 0o755|fs.ModeSetgid) },
	} {
		for i := range inShort(2, 10) {
			tries++
			ws := memoryWorkspace(t)
			name, end := "03 The Ferry.wav", filepath.Join(ws.Archive, "03 The Ferry.r1.wav")
			content := fmt.Sprint("ferry ", i)
			if i%2 == 1 {
				content = badRaw
				end = filepath.Join(ws.SetAside, name)
			}
			sum := drop(t, ws, name, content)
			before, err := os.Stat(filepath.Join(ws.Inbox, name))
			check(t, err)
			check(t, hold(filepath.Join(ws.Inbox, name), filepath.Join(ws.Root, "outside")))
			check(t, drive(ws, &durable.Disk{}))
			after, err := os.Stat(end)
			check(t, err)
			if after.Mode() != 0o440 || sharesInode(after) || os.SameFile(before, after) {
				wrong++
				t.Errorf("%s: filed with mode %v, still theirs: %v", what, after.Mode(), os.SameFile(before, after))
			}
			wrong += amiss(t, invariant(ws, map[string]int{sum: 1}, true))
			check(t, os.RemoveAll(ws.Root))
		}
	}
	row(t, "32", "a second name, another owner, setuid, setgid, each alone; made and set aside", tries, 0, wrong, "copied, mode 0440")
}

// The rights of everything that is ever written, whatever the umask.
func TestFaultRightsOfWhatIsWritten(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0))
	outer, err := os.MkdirTemp(memoryDisk(), "rights")
	check(t, err)
	defer os.RemoveAll(outer)
	root := filepath.Join(outer, "books")
	ws := openWorkspace(t, root, "finished", "archive")
	looked, wrong := 0, 0
	look := func(dir string) {
		check(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return ignoreMissing(err)
			}
			info, err := e.Info()
			if err != nil {
				return ignoreMissing(err)
			}
			looked++
			most := fs.FileMode(0o640)
			switch {
			case e.IsDir() && strings.HasPrefix(path, ws.Inbox):
				most = 0o770
			case e.IsDir():
				most = 0o750
			}
			if info.Mode().Perm()&^most != 0 {
				wrong++
				t.Errorf("%q has mode %v, at most %v is right", path, info.Mode(), most)
			}
			return nil
		}))
	}
	hands := testHands()
	inner := hands.Make
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		job.Progress(0.5)
		look(ws.Working)
		made, err := inner(ctx, job)
		for _, path := range []string{made.File, made.Beside} { // the hands' own
			err = errors.Join(err, ignoreMissing(os.Chmod(path, 0o640)))
		}
		return made, err
	}
	ev := newEvents(t)
	s := quickly(t, ev.notice)
	s.Jobs = 1 // what is counted belongs to one Make at a time
	s.LockDir = filepath.Join(outer, "lock")
	stop, _ := watch(t, ws, s, hands)
	for _, content := range []string{"one", "two"} {
		for name, content := range map[string]string{"Tides/Loud.wav": content, "Single.wav": content, "Tides/Bad.wav": badRaw, "room test.wav": content} {
			drop(t, ws, name, content)
		}
		ev.wait(4, Finished, SetAside)
		waitIdle(t, ws)
	}
	check(t, os.RemoveAll(filepath.Join(ws.Inbox, "Tides")))
	check(t, ws.TryAgain(Aside{Book: "Tides", Name: "Bad.wav"}))
	ev.wait(1, SetAside)
	waitIdle(t, ws)
	for _, name := range []string{"book.json", "handover/2026-11-26 141500.json"} {
		check(t, ws.WriteBookFile("Tides", name, []byte("{}")))
	}
	look(outer)
	stop()
	for _, folder := range []string{ws.Finished, ws.Archive, ws.SetAside} {
		if names, err := namesIn(folder); err != nil || len(names) == 0 {
			t.Errorf("nothing was written to %s: this proves little (%v)", filepath.Base(folder), err)
		}
	}
	row(t, "-", "rights of everything written, with a umask of 0", looked, 0, wrong, "files at most 0640, folders 0750, those of the inbox 0770")
}

// What is said of a recording may quote what its owner wrote. It does no harm in the
// note, the line of log, or the report's own text.
func TestFaultHostileSentences(t *testing.T) {
	says := []string{
		"a title \x1b]0;owned\x07", "cleared \x1b[2J", "back \u202eot uoy", "two\nlines", "a return\rhidden",
		"not UTF-8 \xff\xfe", "nothing \x00", "\u2028 apart", "<script>alert(1)</script>", `"quoted"}`, "C1 \u009b31m", "isolate \u2066x",
	}
	hands := testHands()
	wrong := 0
	for i, text := range says {
		hands.Make = func(context.Context, Job) (Made, error) { return Made{}, &BadRaw{Says: text} }
		inBubble(t, hands, nil, func(b *bubble) {
			drop(b, b.ws, "01.wav", fmt.Sprint("one ", i))
			b.after(time.Minute)
			note, err := os.ReadFile(filepath.Join(b.ws.SetAside, "01"+pleaseRead))
			check(b, err)
			var report setAsideReport
			check(b, readJSON(filepath.Join(b.ws.SetAside, "01.json"), &report))
			texts := map[string]string{"the note": string(note), "the report": report.Says}
			for n, l := range b.lines.All() {
				texts[fmt.Sprint("line ", n)] = l.Message
			}
			for what, text := range texts {
				for _, r := range text {
					if !unicode.IsPrint(r) && !(r == '\n' && what == "the note") {
						wrong++
						b.Errorf("%s of %q holds %U", what, says[i], r)
						break
					}
				}
			}
			if strings.Count(string(note), "\n") != 6 {
				wrong++
				b.Errorf("the note of %q has other lines than ours:\n%q", says[i], note)
			}
			if n := b.lines.FilterMessageSnippet("set aside").Len(); n != 1 {
				wrong++
				b.Errorf("%d lines tell of %q", n, says[i])
			}
		})
	}
	row(t, "-", "what is said quotes escape sequences, turned writing, line ends", len(says), 0, wrong, "printed characters only in note, report, log")
}
