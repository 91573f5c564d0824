package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/watcher/internal/durable"
)

// allIn lists everything below a folder.
func allIn(t testing.TB, root string) (all []string) {
	t.Helper()
	check(t, filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
		all = append(all, path)
		return err
	}))
	return all
}

func todoOf(p Probe) (todo []string) {
	for _, l := range p.Lines {
		if !l.OK {
			todo = append(todo, l.What+": "+l.Says)
		}
	}
	return todo
}

func lineOf(p Probe, what string) ProbeLine {
	i := slices.IndexFunc(p.Lines, func(l ProbeLine) bool { return l.What == what })
	if i < 0 {
		return ProbeLine{}
	}
	return p.Lines[i]
}

// probeSettings are for disks of any size.
func probeSettings(t testing.TB) Settings {
	return Settings{FreeMarginBytes: 1, LockDir: filepath.Join(t.TempDir(), "lock")}
}

// patientProber is for machines of any speed; ws may be nil.
func patientProber(ws *Workspace, s Settings) *prober {
	p := newProber(ws, s)
	p.patience, p.slowly = time.Hour, time.Hour
	return p
}

func probeOf(t testing.TB, ws *Workspace, s Settings) Probe {
	t.Helper()
	p := patientProber(ws, s)
	got, err := p.run(t.Context(), p.steps())
	check(t, err)
	return got
}

// On an ordinary disk all is well; and nothing is left behind or touched.
func TestProbeLeavesNothing(t *testing.T) {
	ws := newWorkspace(t)
	drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
	before := allIn(t, ws.Root)
	p := probeOf(t, ws, probeSettings(t))
	if !p.OK || len(todoOf(p)) > 0 {
		t.Errorf("to do: %q", todoOf(p))
	}
	for _, what := range []string{"rights", "disks", "renaming", "no overwriting", "power cut", "spellings", "names",
		"still being written", "clock", "room", "another lectern", "copied elsewhere", "computer", "new recordings"} {
		if lineOf(p, what).Says == "" {
			t.Errorf("nothing is said of %q", what)
		}
	}
	if after := allIn(t, ws.Root); !slices.Equal(before, after) {
		t.Errorf("before %q, after %q", before, after)
	}
}

// Wherever a probe is stopped, what it made is gone.
func TestProbeStoppedHalfWay(t *testing.T) {
	ws := newWorkspace(t)
	before := allIn(t, ws.Root)
	for i := range newProber(ws, probeSettings(t)).steps() {
		p := newProber(ws, probeSettings(t))
		ctx, cancel := context.WithCancel(t.Context())
		steps, made := p.steps(), 0
		steps = slices.Insert(steps, i+1, func(context.Context) {
			made = len(allIn(t, ws.Root)) - len(before)
			cancel()
		})
		got, err := p.run(ctx, steps)
		if !errors.Is(err, context.Canceled) {
			t.Errorf("stopped after step %d: %v", i, err)
		}
		if i >= 1 && made == 0 {
			t.Errorf("after step %d nothing lay there: this proves little", i)
		}
		if len(got.Lines) == 0 {
			t.Errorf("stopped after step %d: what was found is not told", i)
		}
		if after := allIn(t, ws.Root); !slices.Equal(before, after) {
			t.Errorf("stopped after step %d: before %q, after %q", i, before, after)
		}
	}
}

func TestProbeOfAFolder(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "notes.txt")
	check(t, os.WriteFile(file, []byte("hers"), 0o640))
	before := allIn(t, dir)
	for _, tt := range []struct {
		path, says string
		ok         bool
	}{
		{dir, "is no workspace yet", true},
		{filepath.Join(dir, "there", "books"), "is not there yet, so its nearest folder was tried: " + dir, true},
		{file, "is a file and no folder", false},
	} {
		prober := patientProber(nil, probeSettings(t))
		p, err := prober.run(t.Context(), prober.stepsIn(tt.path))
		check(t, err)
		if got := lineOf(p, "place"); p.OK != tt.ok || got.OK != tt.ok || !strings.Contains(got.Says, tt.says) {
			t.Errorf("%s: %+v, to do %q", tt.path, got, todoOf(p))
		}
		if tt.ok != (lineOf(p, "no overwriting").Says != "") {
			t.Errorf("%s: tried although there is nothing to try, or not tried: %+v", tt.path, p.Lines)
		}
		if after := allIn(t, dir); !slices.Equal(before, after) {
			t.Errorf("%s: before %q, after %q", tt.path, before, after)
		}
	}
}

// badDisk is a disk that does one thing wrongly.
type badDisk struct {
	durable.Disk
	rename      func(from, to string) error
	give        func(from, dir, name string) error
	create      func(path string) string
	syncDir     error
	unconfirmed bool
}

func (d *badDisk) Rename(from, to string) error {
	if d.rename != nil {
		return d.rename(from, to)
	}
	return d.Disk.Rename(from, to)
}

func (d *badDisk) Give(from, dir, name string) error {
	if d.give != nil {
		return d.give(from, dir, name)
	}
	return d.Disk.Give(from, dir, name)
}

func (d *badDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	if d.create != nil {
		if path = d.create(path); path == "" {
			return nil, fs.ErrInvalid
		}
	}
	return d.Disk.Create(path, perm)
}

func (d *badDisk) SyncDir(path string) error { return errors.Join(d.syncDir, d.Disk.SyncDir(path)) }

func (d *badDisk) Unconfirmed() bool { return d.unconfirmed }

// Each promise a place may break is found out, and nothing else is blamed for it.
func TestProbeFindsOut(t *testing.T) {
	inTrial := func(path string) bool { return durable.IsTemp(filepath.Base(filepath.Dir(path))) }
	tests := []struct {
		name, what, says string
		set              func(p *prober)
	}{
		{"renames overwrite", "no overwriting", "a file was put over another one", func(p *prober) {
			p.useDisk(&badDisk{rename: os.Rename})
		}},
		{"renames into folders overwrite", "no overwriting", "a file was put over another one", func(p *prober) {
			p.useDisk(&badDisk{give: func(from, dir, name string) error { return os.Rename(from, filepath.Join(dir, name)) }})
		}},
		{"a refused rename empties the target", "no overwriting", "not the bytes written", func(p *prober) {
			p.useDisk(&badDisk{give: func(_, dir, name string) error {
				return errors.Join(os.Truncate(filepath.Join(dir, name), 0), fs.ErrExist)
			}})
		}},
		{"a rename loses bytes", "renaming", "not the bytes written", func(p *prober) {
			p.useDisk(&badDisk{rename: func(from, to string) error {
				if exists(to) {
					return fs.ErrExist
				}
				if !inTrial(from) {
					return os.Rename(from, to)
				}
				return errors.Join(os.Truncate(from, 3), os.Rename(from, to))
			}})
		}},
		{"a rename leaves the old name", "renaming", "still there under its old name", func(p *prober) {
			p.useDisk(&badDisk{rename: func(from, to string) error {
				if !inTrial(from) || strings.HasPrefix(filepath.Base(from), ".") {
					return (&durable.Disk{}).Rename(from, to)
				}
				return os.Link(from, to)
			}})
		}},
		{"flushing a folder fails", "power cut", "input/output error", func(p *prober) {
			p.useDisk(&badDisk{syncDir: errors.New("input/output error")})
		}},
		{"flushing is not possible", "power cut", "does not confirm", func(p *prober) {
			p.useDisk(&badDisk{unconfirmed: true})
		}},
		{"accents are lost", "spellings", "comes back as another name", func(p *prober) {
			p.useDisk(&badDisk{create: func(path string) string { return strings.ReplaceAll(path, "\u00e9", "e") }})
		}},
		{"accents are refused", "spellings", "a name with an accent is refused", func(p *prober) {
			p.useDisk(&badDisk{create: func(path string) string {
				if strings.Contains(path, "\u00e9") {
					return ""
				}
				return path
			}})
		}},
		{"long names are refused", "names", "it refuses long ones", func(p *prober) {
			p.useDisk(&badDisk{create: func(path string) string {
				if len(filepath.Base(path)) > 143 {
					return ""
				}
				return path
			}})
		}},
		{"Japanese names are refused", "names", "it refuses Japanese ones", func(p *prober) {
			p.useDisk(&badDisk{create: func(path string) string {
				if strings.Contains(path, "\u7b2c") {
					return ""
				}
				return path
			}})
		}},
		{"an open file counts as closed", "still being written", "the system is wrong", func(p *prober) {
			p.hasWriter = func(string) (answer, error) { return no, nil }
		}},
		{"a closed file counts as open", "still being written", "the system is wrong", func(p *prober) {
			p.hasWriter = func(string) (answer, error) { return yes, nil }
		}},
		{"nothing is notified", "new recordings", "lectern watch --poll", func(p *prober) {
			p.patience = 1
			p.listen = func(string) (<-chan struct{}, func(), error) { return nil, func() {}, nil }
		}},
		{"notifications are used up", "new recordings", "too many open files", func(p *prober) {
			p.listen = func(string) (<-chan struct{}, func(), error) { return nil, nil, errors.New("too many open files") }
		}},
		{"a clock ahead", "clock", "differs from this computer's by about 3 hours", func(p *prober) {
			p.now = func() time.Time { return time.Now().Add(3*time.Hour + time.Second) }
		}},
		{"a clock behind", "clock", "differs from this computer's by about 3 hours", func(p *prober) {
			p.now = func() time.Time { return time.Now().Add(-3*time.Hour - time.Second) }
		}},
		{"a clock that was never set", "clock", "says 1 January 1970; set it", func(p *prober) {
			p.now = func() time.Time { return time.Unix(0, 0).UTC() }
		}},
		{"little room", "room", "too little for one more hour", func(p *prober) { p.set.FreeMarginBytes = 1 << 60 }},
		{"another computer", "another lectern", "another computer (north)", func(p *prober) { leaseOf(t, p.ws, "north 1234") }},
		{"a synchronized folder", "copied elsewhere", "there is a .stfolder in", func(p *prober) {
			check(t, os.Mkdir(filepath.Join(p.ws.Root, ".stfolder"), 0o750))
		}},
		{"a file half synchronized", "copied elsewhere", "there is a .syncthing.03.wav.tmp in archive", func(p *prober) {
			check(t, os.WriteFile(filepath.Join(p.ws.Archive, ".syncthing.03.wav.tmp"), nil, 0o640))
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ws := newWorkspace(t)
			p := patientProber(ws, probeSettings(t))
			tt.set(p)
			before := allIn(t, ws.Root)
			got, err := p.run(t.Context(), p.steps())
			check(t, err)
			todo := todoOf(got)
			if len(todo) != 1 || !strings.HasPrefix(todo[0], tt.what+": ") || !strings.Contains(todo[0], tt.says) || got.OK {
				t.Errorf("to do: %q, want %q with %q", todo, tt.what, tt.says)
			}
			if after := allIn(t, ws.Root); !slices.Equal(before, after) {
				t.Errorf("before %q, after %q", before, after)
			}
		})
	}
}

// useDisk lets a probe meet a disk that is not as it should be.
func (p *prober) useDisk(d durable.FS) {
	p.store.FS = d
	p.newDisk = func() durable.FS { return d }
}

// leaseOf leaves a job of another computer, at work.
func leaseOf(t testing.TB, ws *Workspace, host string) {
	t.Helper()
	dir := filepath.Join(ws.Working, "job")
	check(t, os.Mkdir(dir, 0o750))
	data, err := json.Marshal(owner{Host: host, PID: 1})
	check(t, err)
	check(t, os.WriteFile(filepath.Join(dir, "lease"), data, 0o640))
}

// What calls for nothing: an old lease, a job of this computer, one that was released.
func TestProbeLeasesOfNobody(t *testing.T) {
	ws := newWorkspace(t)
	leaseOf(t, ws, "north 1234")
	lease := filepath.Join(ws.Working, "job", "lease")
	old := time.Now().Add(-leaseLife - time.Minute)
	check(t, os.Chtimes(lease, old, old))
	for _, o := range []owner{{Host: "north 1234", Released: true}, thisOwner("run")} {
		p := newProber(ws, probeSettings(t))
		if host := p.busyHost(); host != "" {
			t.Errorf("busy: %s", host)
		}
		data, err := json.Marshal(o)
		check(t, err)
		check(t, os.WriteFile(lease, data, 0o640))
	}
	if host := newProber(ws, probeSettings(t)).busyHost(); host != "" {
		t.Errorf("busy: %s", host)
	}
}

func TestSyncedBy(t *testing.T) {
	dir, err := filepath.EvalSymlinks(t.TempDir())
	check(t, err)
	for rel, want := range map[string]string{
		"books/archive":                    "",
		"My Cloud/books/archive":           "the folder's name is My Cloud",
		"Sync/books":                       "the folder's name is Sync",
		"Syncopated Tides/books":           "",
		"Library/CloudStorage/Place/books": "the folder library/cloudstorage",
		"Library/Mobile Documents/books":   "the folder library/mobile documents",
	} {
		path := filepath.Join(dir, filepath.FromSlash(rel))
		check(t, os.MkdirAll(path, 0o750))
		if got := syncedBy(path); got != want {
			t.Errorf("%s: %q, want %q", rel, got, want)
		}
	}
}

func TestProbeOfASlowPlace(t *testing.T) {
	for took, want := range map[time.Duration]bool{time.Second: false, time.Minute: true} {
		p := newProber(newWorkspace(t), probeSettings(t))
		p.patience, p.slowly = time.Hour, 30*time.Second
		later := time.Duration(0)
		p.now = func() time.Time { return time.Now().Add(later) }
		steps := p.steps()
		steps = slices.Insert(steps, len(steps)-2, func(context.Context) { later = took })
		got, err := p.run(t.Context(), steps)
		check(t, err)
		if todo := todoOf(got); (len(todo) == 1 && strings.Contains(todo[0], "answers slowly: it took 60 s")) != want || len(todo) > 1 {
			t.Errorf("took %v: to do %q", took, todo)
		}
	}
}

// A start that tidies the trial away does not make a place look bad.
func TestProbeSweptAway(t *testing.T) {
	ws := newWorkspace(t)
	p := newProber(ws, probeSettings(t))
	steps := slices.Insert(p.steps(), 2, func(context.Context) { check(t, os.RemoveAll(p.disks[0].trial)) })
	if _, err := p.run(t.Context(), steps); err == nil || !strings.Contains(err.Error(), "try again") {
		t.Errorf("ended with %v", err)
	}
}

// What a killed probe leaves is removed at the next start, in the inbox too, and nothing
// of anybody else's.
func TestSweepKnowsProbes(t *testing.T) {
	ws := newWorkspace(t)
	p := newProber(ws, probeSettings(t))
	ours := []string{filepath.Join(p.temp(ws.Working), "01.wav")}
	for _, folder := range p.folders() {
		ours = append(ours, p.temp(folder))
	}
	theirs := p.temp(ws.Inbox)
	for _, path := range ours {
		check(t, os.MkdirAll(filepath.Dir(path), 0o750))
		check(t, put(p.store.FS, path, probeText))
	}
	check(t, os.WriteFile(theirs, []byte(strings.Repeat("a recording ", 10)), 0o640))
	s := probeSettings(t)
	stop, _ := watch(t, ws, s, testHands())
	stop()
	for _, path := range ours {
		if exists(path) {
			t.Errorf("still there: %s", path)
		}
	}
	if !exists(theirs) {
		t.Error("what is larger than any trial's was removed")
	}
}

// A daemon at work takes nothing of a probe for a recording, and the probe names it.
func TestProbeBesideADaemon(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	s := quickly(t, ev.notice)
	stop, lines := watch(t, ws, s, testHands())
	drop(t, ws, "00 First.wav", "first")
	ev.wait(1, Finished)
	waitIdle(t, ws)
	for range 5 {
		p := probeOf(t, ws, Settings{FreeMarginBytes: 1, LockDir: s.LockDir})
		if says := lineOf(p, "another lectern").Says; says != "this lectern watches this workspace" || !p.OK {
			t.Errorf("it says %q; to do: %q", says, todoOf(p))
		}
	}
	drop(t, ws, "03 The Ferry.wav", "ferry")
	for _, e := range ev.wait(1, Finished) {
		if e.Chapter != "03 The Ferry" {
			t.Errorf("made: %+v", e)
		}
	}
	waitIdle(t, ws)
	stop()
	for len(ev.queue) > 0 {
		if e := <-ev.queue; e.Chapter != "03 The Ferry" {
			t.Errorf("the daemon tells of %+v", e)
		}
	}
	for _, l := range lines.All() {
		if strings.Contains(fmt.Sprint(l.Message, l.ContextMap()), probeTag) {
			t.Errorf("the daemon says: %s", l.Message)
		}
	}
}
