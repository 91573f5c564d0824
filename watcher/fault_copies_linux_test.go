package watcher

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// copying is one way in which a recording arrives. begin starts it and returns what is
// to happen at each of its steps; after the last one it is all there.
type copying struct {
	row, what string
	pause     time.Duration // between two steps
	steps     int
	copies    int
	tells     bool // its header tells how long it will be
	begin     func(t testing.TB, path, content string) (step func(i int))
}

// part returns the ith of n parts of a text.
func part(content string, i, n int) string {
	return content[i*len(content)/n : (i+1)*len(content)/n]
}

// held is a copy whose writer keeps the file open until it is done.
func held(steps int) func(t testing.TB, path, content string) func(int) {
	return func(t testing.TB, path, content string) func(int) {
		f, err := os.Create(path)
		check(t, err)
		return func(i int) {
			_, err := f.WriteString(part(content, i, steps))
			check(t, err)
			if i == steps-1 {
				check(t, f.Close())
			}
		}
	}
}

// reopened is a copy whose writer opens the file for each part.
func reopened(steps int) func(t testing.TB, path, content string) func(int) {
	return func(t testing.TB, path, content string) func(int) {
		return func(i int) {
			f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o640)
			check(t, err)
			_, err = f.WriteString(part(content, i, steps))
			check(t, err)
			check(t, f.Close())
		}
	}
}

// preallocated is a copy that has its full size at once and is filled afterwards; at
// the end it gets an old date.
func preallocated(steps int) func(t testing.TB, path, content string) func(int) {
	return func(t testing.TB, path, content string) func(int) {
		f, err := os.Create(path)
		check(t, err)
		check(t, unix.Fallocate(int(f.Fd()), 0, 0, int64(len(content))))
		return func(i int) {
			_, err := f.WriteString(part(content, i, steps))
			check(t, err)
			if i == steps-1 {
				check(t, f.Close())
				long := time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
				check(t, os.Chtimes(path, long, long))
			}
		}
	}
}

// atOnce is a copy that appears in one step.
func atOnce(appear func(t testing.TB, path, content string)) func(t testing.TB, path, content string) func(int) {
	return func(t testing.TB, path, content string) func(int) {
		return func(int) { appear(t, path, content) }
	}
}

func beside(t testing.TB, path, content string) string {
	other := filepath.Join(filepath.Dir(filepath.Dir(filepath.Dir(path))), "outside "+filepath.Base(path))
	check(t, os.WriteFile(other, []byte(content), 0o640))
	return other
}

func dated(year int) func(t testing.TB, path, content string) {
	return func(t testing.TB, path, content string) {
		check(t, os.WriteFile(path, []byte(content), 0o640))
		at := time.Date(year, 6, 1, 0, 0, 0, 0, time.UTC)
		check(t, os.Chtimes(path, at, at))
	}
}

// Rows 16 to 20 and 38, at the default patience, on a clock that jumps.
func TestFaultCopies(t *testing.T) {
	few, many := inShort(3, 20), inShort(5, 100)
	for _, c := range []copying{
		{"16", "slow copy, a part every 2 s for 10 minutes, held open", 2 * time.Second, 300, few, false, held(300)},
		{"16", "slow copy, opened for each part", 2 * time.Second, 300, few, true, reopened(300)},
		{"17", "copy that pauses for 5 minutes, held open", 5 * time.Minute, 2, few, false, held(2)},
		{"17", "copy that is closed for 5 minutes, its header incomplete", 5 * time.Minute, 2, few, true, reopened(2)},
		{"18", "preallocated copy, filled slowly, an old date at the end", 10 * time.Second, 30, few, false, preallocated(30)},
		{"20", "moved in", 0, 1, many, false, atOnce(func(t testing.TB, path, content string) {
			check(t, os.Rename(beside(t, path, content), path))
		})},
		{"20", "linked in", 0, 1, many, false, atOnce(func(t testing.TB, path, content string) {
			check(t, os.Link(beside(t, path, content), path))
		})},
		{"20", "copied with its date of 2020", 0, 1, many, false, atOnce(dated(2020))},
		{"20", "copied under a temporary name, then renamed", 0, 1, many, false, atOnce(func(t testing.TB, path, content string) {
			check(t, os.WriteFile(path+".part", []byte(content), 0o640))
			check(t, os.Rename(path+".part", path))
		})},
		{"38", "dated 2099", 0, 1, few, false, atOnce(dated(2099))},
		{"38", "dated 1970", 0, 1, few, false, atOnce(dated(1970))},
	} {
		t.Run(c.what, func(t *testing.T) {
			early, lost, wrong := 0, 0, 0
			inBubble(t, testHands(), nil, func(b *bubble) {
				check(b, os.Mkdir(filepath.Join(b.ws.Inbox, "Tides"), 0o770))
				dropped := map[string]int{}
				var steps []func(int)
				for i := range c.copies {
					content := strings.Repeat("x", 4000+i) // nothing in it tells its length
					if c.tells {
						content = promise(4000 + i)
					}
					dropped[sumOf([]byte(content))] = 1
					steps = append(steps, c.begin(b, filepath.Join(b.ws.Inbox, "Tides", fmt.Sprintf("%03d.wav", i)), content))
				}
				for s := range c.steps {
					for _, step := range steps {
						step(s)
					}
					if s < c.steps-1 {
						b.after(c.pause)
						early = max(early, b.count(Claimed))
					}
				}
				b.after(time.Minute)
				lost = c.copies - b.count(Finished)
				wrong += amiss(b, invariant(b.ws, dropped, true))
			})
			row(t, c.row, c.what, c.copies, lost, wrong+early, "%d claimed early", early)
		})
	}
}

// Row 19: whoever writes still holds the file when it is claimed, and goes on.
func TestFaultWriterAcrossTheClaim(t *testing.T) {
	tries, noticed, wrong := inShort(5, 50), 0, 0
	inBubble(t, testHands(), nil, func(b *bubble) {
		dropped := map[string]int{}
		b.cancel() // this one is driven by hand
		b.after(time.Second)
		for i := range tries {
			name := fmt.Sprintf("Tides/%02d.wav", i)
			half := strings.Repeat("a", 1000+i)
			drop(b, b.ws, name, half)
			d := newDaemon(b.ws, Settings{Quiet: time.Second, FreeMarginBytes: 1, unlocked: true}.withDefaults(), testHands(), testLog())
			now := time.Now()
			for range looksMin {
				d.scanAll(now)
				now = now.Add(time.Second)
			}
			d.gather(now)
			f, err := os.OpenFile(filepath.Join(b.ws.Inbox, name), os.O_APPEND|os.O_WRONLY, 0)
			check(b, err)
			j, err := d.claim(d.queue[0])
			check(b, err)
			if err := d.work(context.Background(), j); err != nil {
				noticed++ // it is still open
			}
			_, err = f.WriteString("and the rest")
			check(b, err)
			check(b, f.Close())
			for tries := 0; exists(j.Dir) && tries < 5; tries++ {
				_ = d.work(context.Background(), j) // waits until it has been the same twice
			}
			dropped[sumOf([]byte(half+"and the rest"))] = 1
		}
		wrong += amiss(b, invariant(b.ws, dropped, true))
	})
	row(t, "19", "written to across the claim", tries, 0, wrong, "noticed %d times, made of the whole", noticed)
}

// Row 27: the same name again, at every moment of the first one's life.
func TestFaultSameNameAgain(t *testing.T) {
	n := inShort(5, 100)
	var making atomic.Bool
	hands := testHands()
	inner := hands.Make
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		if making.Load() {
			time.Sleep(10 * time.Second) // of the bubble's clock
		}
		return inner(ctx, job)
	}
	wrong := 0
	inBubble(t, hands, func(s *Settings) { s.Jobs = 1 }, func(b *bubble) {
		dropped := map[string]int{}
		expect := func(name string, revisions int, content string) {
			b.Helper()
			recipes, err := filepath.Glob(filepath.Join(b.ws.Archive, "Tides", name+".r*.recipe.json"))
			check(b, err)
			data, err := os.ReadFile(filepath.Join(b.ws.Finished, "Tides", name+".mp3"))
			if err != nil || len(recipes) != revisions || string(data) != content {
				wrong++
				b.Errorf("%s: %d revisions, want %d; it holds %q, want %q (%v)", name, len(recipes), revisions, data, content, err)
			}
		}
		for i := range n {
			name := func(kind string) string { return fmt.Sprintf("%s %03d", kind, i) }
			put := func(kind, content string) {
				dropped[drop(b, b.ws, "Tides/"+name(kind)+".wav", content)]++
			}
			drop(b, b.ws, "Tides/"+name("early")+".wav", "first") // replaced before it was taken: gone by her own hand
			put("early", fmt.Sprint("early", i))
			put("same", fmt.Sprint("same", i))
			put("late", fmt.Sprint("late 1 ", i))
			b.after(time.Minute)
			making.Store(true)
			put("during", fmt.Sprint("during 1 ", i))
			b.after(22 * time.Second) // settled after a rescan, and in the making
			put("during", fmt.Sprint("during 2 ", i))
			drop(b, b.ws, "Tides/"+name("same")+".wav", fmt.Sprint("same", i))
			put("late", fmt.Sprint("late 2 ", i))
			b.after(3 * time.Minute)
			making.Store(false)
			expect(name("early"), 1, fmt.Sprint("early", i))
			expect(name("same"), 1, fmt.Sprint("same", i))
			expect(name("late"), 2, fmt.Sprint("late 2 ", i))
			expect(name("during"), 2, fmt.Sprint("during 2 ", i))
		}
		wrong += amiss(b, invariant(b.ws, dropped, true))
	})
	row(t, "27", "the same name again: before, during and after, and the same bytes", 4*n, 0, wrong, "revisions as they must be, nothing overwritten")
}
