package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// errDead is what every call of a disk returns after the computer has died.
var errDead = errors.New("the computer is dead")

// dyingDisk dies before its nth changing call, 1 being the first; the call
// that kills it is not done, or half done if it writes. With apart set, the
// finished and archive folders behave as if each were a disk of its own. It
// skips the flushes: what a power cut loses is not what is tested here.
type dyingDisk struct {
	durable.Disk
	calls, dieAt int
	apart        []string
	rename       func(d *dyingDisk, from, to string) error // nil: in one step
	log          []string                                  // what each call was
}

func (d *dyingDisk) alive(call string) error {
	d.calls++
	d.log = append(d.log, call)
	if d.dieAt > 0 && d.calls >= d.dieAt {
		return errDead
	}
	return nil
}

func (d *dyingDisk) Mkdir(path string, perm fs.FileMode) error {
	return errors.Join(d.alive("mkdir"), d.unlessDead(func() error { return d.Disk.Mkdir(path, perm) }))
}

func (d *dyingDisk) unlessDead(do func() error) error {
	if d.dieAt > 0 && d.calls >= d.dieAt {
		return nil
	}
	return do()
}

func (d *dyingDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	if err := d.alive("create"); err != nil {
		return nil, err
	}
	f, err := d.Disk.Create(path, perm)
	return &dyingFile{f, d}, err
}

func (d *dyingDisk) Append(path string, perm fs.FileMode) (durable.File, error) {
	if err := d.alive("append"); err != nil {
		return nil, err
	}
	f, err := d.Disk.Append(path, perm)
	return &dyingFile{f, d}, err
}

func (d *dyingDisk) Rename(from, to string) error {
	if err := d.alive("rename " + filepath.Base(to)); err != nil {
		return err
	}
	for _, root := range d.apart {
		if strings.HasPrefix(from, root+"/") != strings.HasPrefix(to, root+"/") {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EXDEV}
		}
	}
	if d.rename != nil {
		return d.rename(d, from, to)
	}
	return d.Disk.Rename(from, to)
}

func (d *dyingDisk) Take(dir, name, to string) error {
	return errors.Join(d.alive("take "+name), d.unlessDead(func() error { return d.Disk.Take(dir, name, to) }))
}

func (d *dyingDisk) Give(from, dir, name string) error {
	return errors.Join(d.alive("give "+name), d.unlessDead(func() error { return d.Disk.Give(from, dir, name) }))
}

func (d *dyingDisk) Replace(from, dir, name string) error {
	if err := d.alive("replace " + name); err != nil {
		return err
	}
	for _, root := range d.apart {
		if strings.HasPrefix(from, root+"/") != strings.HasPrefix(dir+"/", root+"/") {
			return &os.LinkError{Op: "rename", Old: from, New: filepath.Join(dir, name), Err: syscall.EXDEV}
		}
	}
	return d.Disk.Replace(from, dir, name)
}

func (d *dyingDisk) Remove(path string) error {
	if err := d.alive("remove " + filepath.Base(path)); err != nil {
		return err
	}
	return d.Disk.Remove(path)
}

func (d *dyingDisk) SyncDir(string) error { return d.alive("flush folder") }

type dyingFile struct {
	durable.File
	disk *dyingDisk
}

func (f *dyingFile) Write(data []byte) (int, error) {
	if err := f.disk.alive("write"); err != nil {
		if f.disk.calls == f.disk.dieAt {
			n, writeErr := f.File.Write(data[:len(data)/2])
			return n, errors.Join(err, writeErr)
		}
		return 0, err
	}
	return f.File.Write(data)
}

func (f *dyingFile) Sync() error { return f.disk.alive("flush") }

// drive is one life of the daemon without its goroutines: take up what is in
// working/, then claim and make what is in the inbox, in order, until nothing
// is left or an error comes.
func drive(ws *Workspace, disk durable.FS) error { return driveWith(ws, disk, testHands()) }

func driveWith(ws *Workspace, disk durable.FS, hands Hands) error {
	now := time.Now()
	d := newDaemon(ws, Settings{
		fs: disk, Quiet: time.Second, NetworkQuiet: time.Second, FreeMarginBytes: 1,
	}.withDefaults(), hands, zap.NewNop())
	d.sweep(now)
	d.adoptAll(now)
	work := func(j *job) error {
		err := d.work(context.Background(), j)
		// A disk may have another number after a start. Then a recording looks changed,
		// and has to look the same once more.
		var wait *waitError
		if errors.As(err, &wait) {
			err = d.work(context.Background(), j)
		}
		return err
	}
	for _, j := range d.owned {
		if err := work(j); err != nil && !errors.Is(err, errLost) {
			return err
		}
	}
	for range 3 * looksMin { // three times the quiet time, for disks that tell of no writers
		d.scanAll(now)
		now = now.Add(time.Second)
	}
	d.gather(now)
	for _, b := range d.queue {
		if b.Says == "" {
			if problem, err := d.question(b); err != nil || problem != "" {
				return errors.Join(err, errors.New(problem))
			}
		}
		j, err := d.claim(b)
		if err == nil {
			err = work(j)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// protocols are the ways through the publish protocol. before prepares the
// workspace in peace, drop brings what is then worked on under crashes, and
// after says what must be there in the end.
var protocols = []struct {
	name      string
	before    func(t testing.TB, ws *Workspace) map[string]int
	drop      func(t testing.TB, ws *Workspace) map[string]int
	apart     bool
	revisions int // recipes in archive/ in the end
	ending    string
	finished  string
	aside     []string
}{
	{
		name: "one take",
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", "ferry"): 1}
		},
		revisions: 1, finished: "ferry",
	},
	{
		name: "two takes, one of them held by a second name",
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			a := drop(t, ws, "Tides/03 The Ferry take 1.wav", "fer")
			b := drop(t, ws, "Tides/03 The Ferry take 2.wav", "ry")
			check(t, os.Link(filepath.Join(ws.Inbox, "Tides/03 The Ferry take 2.wav"), filepath.Join(ws.Root, "held elsewhere")))
			return map[string]int{a: 1, b: 1}
		},
		revisions: 1, finished: "ferry",
	},
	{
		name: "a second revision of a failed chapter",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 Loud.wav", "loud"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 Loud.wav", "still loud"): 1}
		},
		revisions: 2, finished: "still loud",
	},
	{
		name: "a second revision whose MP3 is the same",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 Loud take 1.wav", "loud"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 Loud take 2.wav", silent): 1}
		},
		revisions: 2, finished: "loud",
	},
	{
		name: "finished and archive on other disks",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry take 1.wav", "fer"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry take 2.wav", "ry"): 1}
		},
		apart: true, revisions: 2, finished: "ferry",
	},
	{
		name: "the same bytes again",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", "ferry"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
			return nil
		},
		revisions: 1, finished: "ferry",
	},
	{
		name: "a second room test whose answer is the same, archive on another disk",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/room test Loud.wav", "room"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/Room Test Loud.wav", "room "): 1}
		},
		apart: true, revisions: 2, ending: endingText, finished: "room",
	},
	{
		name: "a room test under the name of a chapter of before",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			sum := drop(t, ws, "Tides/03 Loud.wav", "loud")
			check(t, drive(ws, &dyingDisk{}))
			for _, at := range []string{
				"finished/Tides/%s.mp3", "finished/Tides/%s.json", "finished/Tides/%s - please read.txt",
				"archive/Tides/%s.r1.recipe.json", "finished/Tides/listen/%s.before.mp3",
			} {
				check(t, os.Rename(filepath.Join(ws.Root, fmt.Sprintf(at, "03 Loud")), filepath.Join(ws.Root, fmt.Sprintf(at, "room test"))))
			}
			return map[string]int{sum: 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/room test.wav", "room"): 1}
		},
		revisions: 2, ending: endingText, finished: "room",
	},
	{
		name: "set aside, and once more",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", refused+" 1"): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", refused+" 2"): 1}
		},
		aside: []string{
			"03 The Ferry - please read.txt", "03 The Ferry.json", "03 The Ferry.wav",
			"superseded/03 The Ferry.1.json", "superseded/03 The Ferry.1.wav",
		},
	},
	{
		name: "set aside, then solved",
		before: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", badRaw): 1}
		},
		drop: func(t testing.TB, ws *Workspace) map[string]int {
			return map[string]int{drop(t, ws, "Tides/03 The Ferry.wav", "ferry"): 1}
		},
		revisions: 1, finished: "ferry", aside: []string{"03 The Ferry.json", "03 The Ferry.wav"},
	},
}

func TestCrashAtEveryStepAndAgainInRecovery(t *testing.T) {
	every := 61 // second crashes: all of them take minutes
	if os.Getenv("LECTERN_LONG") != "" {
		every = 1
	}
	for _, p := range protocols {
		t.Run(p.name, func(t *testing.T) {
			t.Parallel()
			clean := &dyingDisk{}
			crashLife(t, p.name, []*dyingDisk{clean})
			t.Logf("%d calls of the disk", clean.calls)
			runs := 0
			for first := 1; first <= clean.calls; first++ {
				recovery := &dyingDisk{}
				crashLife(t, p.name, []*dyingDisk{{dieAt: first}, recovery})
				for second := 1 + first%every; second <= recovery.calls; second += every {
					crashLife(t, p.name, []*dyingDisk{{dieAt: first}, {dieAt: second}, {}})
					runs++
				}
			}
			t.Logf("%d single and %d double crashes", clean.calls, runs)
		})
	}
}

// crashLife runs one protocol with one disk a life, and checks the end.
func crashLife(t *testing.T, name string, lives []*dyingDisk) {
	t.Helper()
	p := protocols[0]
	for _, other := range protocols {
		if other.name == name {
			p = other
		}
	}
	root, err := os.MkdirTemp(memoryDisk(), "crash")
	check(t, err)
	defer os.RemoveAll(root)
	ws := openWorkspace(t, root, "finished", "archive")
	dropped := map[string]int{}
	if p.before != nil {
		dropped = p.before(t, ws)
		check(t, drive(ws, &dyingDisk{}))
	}
	for sum, n := range p.drop(t, ws) {
		dropped[sum] = n
	}
	story := ""
	for i, disk := range lives {
		if p.apart {
			disk.apart = []string{ws.Finished, ws.Archive}
		}
		err := drive(ws, disk)
		if dead := disk.dieAt > 0; dead {
			story += fmt.Sprintf(" died at call %d (%s),", disk.dieAt, disk.log[min(disk.dieAt, len(disk.log))-1])
		} else if err != nil {
			t.Fatalf("%s: life %d after%s ended with: %v", p.name, i+1, story, err)
		}
	}
	if err := errors.Join(invariant(ws, dropped, true), diaryRight(ws)); err != nil {
		t.Fatalf("%s: after%s: %v", p.name, story, err)
	}
	if p.ending == "" {
		p.ending = endingMP3
	}
	checkEnd(t, ws, story, p.revisions, p.ending, p.finished, p.aside)
}

// checkEnd checks what a protocol must have come to.
func checkEnd(t *testing.T, ws *Workspace, story string, revisions int, ending, finished string, aside []string) {
	t.Helper()
	recipes, err := filepath.Glob(filepath.Join(ws.Archive, "Tides", "*.recipe.json"))
	check(t, err)
	if len(recipes) != revisions {
		t.Fatalf("after%s: %d revisions, want %d: %q", story, len(recipes), revisions, recipes)
	}
	made, err := filepath.Glob(filepath.Join(ws.Finished, "Tides", "*"+ending))
	check(t, err)
	made = slices.DeleteFunc(made, func(path string) bool { return strings.HasSuffix(path, pleaseRead) || filepath.Base(path) == diaryFile })
	if finished == "" {
		if len(made) > 0 {
			t.Fatalf("after%s: finished holds %q", story, made)
		}
	} else {
		if len(made) != 1 {
			t.Fatalf("after%s: finished holds %q", story, made)
		}
		data, err := os.ReadFile(made[0])
		if err != nil || string(data) != finished {
			t.Fatalf("after%s: the finished file is %q, want %q (%v)", story, data, finished, err)
		}
		earlier, err := filepath.Glob(filepath.Join(ws.Finished, "Tides", "superseded", "*"))
		check(t, err)
		if len(earlier) != 2*(revisions-1) {
			t.Fatalf("after%s: superseded holds %q", story, earlier)
		}
		text := strings.TrimSuffix(made[0], ending) + pleaseRead
		if want := strings.Contains(text, "Loud"); exists(text) != want {
			t.Fatalf("after%s: please-read text there: %v, want %v", story, !want, want)
		}
	}
	var got []string
	err = filepath.WalkDir(filepath.Join(ws.SetAside, "Tides"), func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return ignoreMissing(err)
		}
		rel, err := filepath.Rel(filepath.Join(ws.SetAside, "Tides"), path)
		got = append(got, filepath.ToSlash(rel))
		return err
	})
	check(t, err)
	if strings.Join(got, "|") != strings.Join(aside, "|") {
		t.Fatalf("after%s: setaside holds %q, want %q", story, got, aside)
	}
}

// memoryDisk is a folder in memory where there is one: these tests make
// thousands of small files and lose nothing in a power cut.
func memoryDisk() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return ""
}
