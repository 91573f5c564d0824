package watcher

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
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

// hookDisk is a Disk that asks before every call whether it is to be done, and follows
// which files and folders have changed since they were flushed.
type hookDisk struct {
	durable.Disk
	before  func(call, path string) error
	calls   int
	unsaved map[string]bool
	log     []string
}

func (d *hookDisk) ask(call, path string) error {
	d.calls++
	d.log = append(d.log, call+" "+filepath.Base(path))
	if d.before != nil {
		return d.before(call, path)
	}
	return nil
}

func (d *hookDisk) changed(err error, paths ...string) error {
	for _, path := range paths {
		if d.unsaved == nil {
			d.unsaved = map[string]bool{}
		}
		d.unsaved[path] = true
	}
	return err
}

func (d *hookDisk) Mkdir(path string, perm fs.FileMode) error {
	if err := d.ask("mkdir", path); err != nil {
		return err
	}
	return d.changed(d.Disk.Mkdir(path, perm), filepath.Dir(path))
}

func (d *hookDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	if err := d.ask("create", path); err != nil {
		return nil, err
	}
	f, err := d.Disk.Create(path, perm)
	return &hookFile{f, d, path}, d.changed(err, path, filepath.Dir(path))
}

func (d *hookDisk) Open(path string) (durable.File, error) {
	if err := d.ask("open", path); err != nil {
		return nil, err
	}
	f, err := d.Disk.Open(path)
	return &hookFile{f, d, path}, err
}

func (d *hookDisk) Rename(from, to string) error {
	if err := d.ask("rename", to); err != nil {
		return err
	}
	return d.changed(d.Disk.Rename(from, to), filepath.Dir(from), filepath.Dir(to))
}

func (d *hookDisk) Replace(from, dir, name string) error {
	if err := d.ask("replace", name); err != nil {
		return err
	}
	return d.changed(d.Disk.Replace(from, dir, name), filepath.Dir(from), dir)
}

func (d *hookDisk) Remove(path string) error {
	if err := d.ask("remove", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return d.changed(d.Disk.Remove(path), filepath.Dir(path))
}

func (d *hookDisk) SyncDir(path string) error {
	if err := d.ask("flush folder", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return nil
}

func (d *hookDisk) Settle(path string) error {
	if err := d.ask("settle", path); err != nil {
		return err
	}
	delete(d.unsaved, path)
	return nil
}

type hookFile struct {
	durable.File
	disk *hookDisk
	path string
}

func (f *hookFile) Read(p []byte) (int, error) {
	if err := f.disk.ask("read", f.path); err != nil {
		return 0, err
	}
	return f.File.Read(p)
}

func (f *hookFile) Write(p []byte) (int, error) {
	if err := f.disk.ask("write", f.path); err != nil {
		n, _ := f.File.Write(p[:len(p)/2]) // torn
		return n, err
	}
	f.disk.changed(nil, f.path)
	return f.File.Write(p)
}

func (f *hookFile) Sync() error {
	if err := f.disk.ask("flush", f.path); err != nil {
		return err
	}
	delete(f.disk.unsaved, f.path)
	return nil
}

// shelfTest is a workspace with a book of two chapters, 01 Harbor of two takes and 03 Loud of
// two revisions, and a folder on another disk.
type shelfTest struct {
	testing.TB
	ws   *Workspace
	disk string            // that folder
	raws map[string]string // content by name in the archive
}

func newShelfTest(t testing.TB) *shelfTest {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "shelve")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	check(t, os.Mkdir(filepath.Join(root, "archive elsewhere"), 0o750))
	s := &shelfTest{TB: t, disk: filepath.Join(root, "Shelf One"), raws: map[string]string{
		"01 Harbor take 1.r1.wav": "har", "01 Harbor take 2.r1.wav": "bor", "03 Loud.r1.wav": "loud", "03 Loud.r2.wav": "louder",
	}}
	s.ws = openWorkspace(t, filepath.Join(root, "books"), "finished", filepath.Join(root, "archive elsewhere"))
	check(t, os.Mkdir(s.disk, 0o750))
	for _, round := range [][2]string{{"01 Harbor take 1", "har"}, {"01 Harbor take 2", "bor"}, {"03 Loud", "loud"}, {"03 Loud", "louder"}} {
		drop(t, s.ws, "Tides/"+round[0]+".wav", round[1])
		if round[0] != "01 Harbor take 1" {
			check(t, drive(s.ws, &dyingDisk{}))
		}
	}
	return s
}

func (s *shelfTest) shelve(disk durable.FS) (Shelved, error) {
	set := Settings{FreeMarginBytes: 1}
	if disk != nil {
		set.fs = disk
	}
	return Shelve(context.Background(), s.ws, set, "Tides", Shelf{Dir: s.disk, Disk: "blue disk"})
}

func (s *shelfTest) back(disk durable.FS) (Shelved, error) {
	set := Settings{FreeMarginBytes: 1}
	if disk != nil {
		set.fs = disk
	}
	return Unshelve(context.Background(), s.ws, set, "Tides", Shelf{})
}

// away takes the disk off until the returned function is called.
func (s *shelfTest) away() (again func()) {
	s.Helper()
	check(s, os.Rename(s.disk, s.disk+" in a drawer"))
	return func() { check(s, os.Rename(s.disk+" in a drawer", s.disk)) }
}

// contents are the files of a folder that end so, by name.
func contents(t testing.TB, dir, ending string) map[string]string {
	t.Helper()
	out := map[string]string{}
	names, err := namesIn(dir)
	check(t, err)
	for _, name := range names {
		if !strings.HasSuffix(name, ending) {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, name))
		check(t, err)
		out[name] = string(data)
	}
	return out
}

// whole checks that no recording is without a whole copy under its name.
func (s *shelfTest) whole(story string) {
	s.Helper()
	here, there := contents(s, filepath.Join(s.ws.Archive, "Tides"), ".wav"), contents(s, filepath.Join(s.disk, "Tides"), ".wav")
	for name, want := range s.raws {
		if here[name] != want && there[name] != want {
			s.Fatalf("%s: %s is lost: here %q, there %q", story, name, here[name], there[name])
		}
	}
	for name, got := range there {
		if s.raws[name] != got {
			s.Fatalf("%s: %s on the disk holds %q", story, name, got)
		}
	}
}

func (s *shelfTest) isShelved(story string) {
	s.Helper()
	if here := contents(s, filepath.Join(s.ws.Archive, "Tides"), ".wav"); len(here) > 0 {
		s.Fatalf("%s: the archive still holds %q", story, here)
	}
	if there := contents(s, filepath.Join(s.disk, "Tides"), ".wav"); !maps.Equal(there, s.raws) {
		s.Fatalf("%s: the disk holds %q", story, there)
	}
	recipes := contents(s, filepath.Join(s.ws.Archive, "Tides"), ".recipe.json")
	if len(recipes) != 3 || !maps.Equal(recipes, contents(s, filepath.Join(s.disk, "Tides"), ".recipe.json")) {
		s.Fatalf("%s: recipes %q", story, slices.Collect(maps.Keys(recipes)))
	}
	s.nothingLeft(story)
	s.clean(story, 4)
}

func (s *shelfTest) isBack(story string) {
	s.Helper()
	if here := contents(s, filepath.Join(s.ws.Archive, "Tides"), ".wav"); !maps.Equal(here, s.raws) {
		s.Fatalf("%s: the archive holds %q", story, here)
	}
	for _, name := range []string{shelvedFile, shelvedText} {
		if exists(filepath.Join(s.ws.Archive, "Tides", name)) {
			s.Fatalf("%s: the note %s is still there", story, name)
		}
	}
	s.nothingLeft(story)
	s.clean(story, 0)
}

func (s *shelfTest) nothingLeft(story string) {
	s.Helper()
	newDaemon(s.ws, Settings{}.withDefaults(), testHands(), zap.NewNop()).sweep(time.Now()) // as at a start
	for _, dir := range []string{filepath.Join(s.ws.Archive, "Tides"), filepath.Join(s.disk, "Tides"), s.ws.Working} {
		names, err := namesIn(dir)
		check(s, err)
		for _, name := range names {
			if durable.IsTemp(name) || dir == s.ws.Working {
				s.Fatalf("%s: %s was left in %s", story, name, filepath.Base(dir))
			}
		}
	}
}

func (s *shelfTest) clean(story string, shelved int) Audit {
	s.Helper()
	a, err := s.ws.Audit(context.Background())
	check(s, err)
	if !a.Clean || a.LookedAt.Shelved != shelved || a.LookedAt.Raws != len(s.raws)-shelved {
		s.Fatalf("%s: looked at %+v, exceptions %+v", story, a.LookedAt, a.Exceptions)
	}
	return a
}

func TestShelveAndBringBack(t *testing.T) {
	s := newShelfTest(t)
	s.clean("before", 0)
	out, err := s.shelve(nil)
	check(t, err)
	if out.Recordings != 4 || out.Bytes != int64(len("harborloudlouder")) || out.Disk != "blue disk" || len(out.Left) > 0 {
		t.Errorf("told %+v", out)
	}
	s.isShelved("shelved")
	var n shelvedNote
	check(t, readJSON(filepath.Join(s.ws.Archive, "Tides", shelvedFile), &n))
	if n.Schema != "lectern-shelved/1" || len(n.Places) != 1 || len(n.Places[0].Files) != 4 || time.Since(n.Places[0].ShelvedAt) > time.Hour {
		t.Errorf("the note is %+v", n)
	}
	for _, f := range n.Places[0].Files {
		if f.SHA256 != sumOf([]byte(s.raws[f.Name])) || f.Bytes != int64(len(s.raws[f.Name])) {
			t.Errorf("the note tells of %+v", f)
		}
	}
	text, err := os.ReadFile(filepath.Join(s.ws.Archive, "Tides", shelvedText))
	check(t, err)
	for _, want := range []string{`"blue disk"`, s.disk, "03 Loud.r2.wav", `lectern shelve "Tides" --back`} {
		if !strings.Contains(string(text), want) || want != "03 Loud.r2.wav" && !strings.Contains(n.Says, want) {
			t.Errorf("the note for people does not hold %q: %s", want, text)
		}
	}
	connected := s.clean("connected", 4)
	again := s.away()
	away := s.clean("away", 4)
	if a, b := told(connected.Notes), told(away.Notes); !slices.Equal(a, []string{"shelved archive/Tides"}) || !slices.Equal(a, b) {
		t.Errorf("notes %q, and away %q", a, b)
	}
	if !strings.Contains(away.Notes[0].Says, "not connected") || strings.Contains(connected.Notes[0].Says, "not connected") || away.LookedAt.Bytes >= connected.LookedAt.Bytes {
		t.Errorf("notes say %q, and away %q", connected.Notes[0].Says, away.Notes[0].Says)
	}
	if _, err := s.back(nil); err == nil || !strings.Contains(err.Error(), "blue disk") {
		t.Errorf("brought back from a drawer: %v", err)
	}
	again()
	out, err = s.shelve(nil)
	if err != nil || out.Recordings != 0 {
		t.Errorf("shelved once more: %+v, %v", out, err)
	}
	out, err = s.back(nil)
	if err != nil || out.Recordings != 4 || len(out.Left) > 0 {
		t.Errorf("brought back: %+v, %v", out, err)
	}
	s.isBack("back")
	if out, err = s.shelve(nil); err != nil || out.Recordings != 4 { // where the same files lie already
		t.Errorf("shelved again: %+v, %v", out, err)
	}
	s.isShelved("shelved again")
}

// Every call of the disk fails, once or from then on as if the computer had died; then the
// command is repeated.
func TestShelveFailsAtEveryCall(t *testing.T) {
	for _, way := range []string{"shelve", "back"} {
		t.Run(way, func(t *testing.T) {
			t.Parallel()
			start := newShelfTest(t)
			do, end := (*shelfTest).shelve, (*shelfTest).isShelved
			if way == "back" {
				_, err := start.shelve(nil)
				check(t, err)
				do, end = (*shelfTest).back, (*shelfTest).isBack
			}
			clean := &hookDisk{}
			_, err := do(start.copy(), clean)
			check(t, err)
			failures := 0
			for at := 1; at <= clean.calls; at++ {
				for _, how := range []error{errDead, []error{syscall.EIO, syscall.ENOSPC}[at%2]} {
					s := start.copy()
					disk := &hookDisk{}
					disk.before = func(string, string) error {
						if disk.calls == at || disk.calls > at && how == errDead {
							return how
						}
						return nil
					}
					story := fmt.Sprintf("%v at call %d (%s)", how, at, clean.log[at-1])
					if _, err := do(s, disk); err != nil {
						failures++
					} else if how == errDead && !strings.HasPrefix(clean.log[at-1], "flush folder") {
						t.Fatalf("%s: no error", story)
					}
					s.whole(story)
					if at%11 == 0 { // an audit has patience with what is half written
						a, err := s.ws.Audit(context.Background())
						check(t, err)
						for _, x := range a.Exceptions {
							if x.Kind != "half_done" && x.Kind != "unfinished" {
								t.Fatalf("%s: audit: %+v", story, x)
							}
						}
					}
					if _, err := do(s, nil); err != nil && !strings.Contains(err.Error(), "nothing of this book was shelved") {
						t.Fatalf("%s: repeated: %v", story, err)
					}
					end(s, story)
				}
			}
			t.Logf("%d calls, %d failures", clean.calls, failures)
		})
	}
}

// copy copies workspace, archive and disk. The note's folder is rewritten with them.
func (s *shelfTest) copy() *shelfTest {
	s.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "shelve")
	check(s, err)
	s.Cleanup(func() { os.RemoveAll(root) })
	from := filepath.Dir(s.ws.Root)
	check(s, os.CopyFS(root, os.DirFS(from)))
	c := &shelfTest{TB: s.TB, disk: filepath.Join(root, "Shelf One"), raws: s.raws}
	if c.ws, err = Open(filepath.Join(root, "books"), "finished", filepath.Join(root, "archive elsewhere")); err != nil {
		s.Fatal(err)
	}
	note := filepath.Join(c.ws.Archive, "Tides", shelvedFile)
	var n shelvedNote
	if readJSON(note, &n) == nil {
		n.Places[0].Folder, n.Places[0].FolderHex = filepath.Join(c.disk, "Tides"), ""
		data, err := json.Marshal(n)
		check(s, err)
		check(s, os.WriteFile(note, data, 0o640))
	}
	return c
}

// When a recording is removed everything before must have reached the disk.
func TestShelveRemovesOnlyWhatIsFlushed(t *testing.T) {
	s := newShelfTest(t)
	removed := 0
	disk := &hookDisk{}
	disk.before = func(call, path string) error {
		if call != "remove" || filepath.Dir(path) != filepath.Join(s.ws.Archive, "Tides") || kindOf(filepath.Base(path)) != wav {
			return nil
		}
		removed++
		for unsaved := range disk.unsaved {
			if !strings.HasPrefix(unsaved, s.ws.Working) { // the hold, which may be lost
				t.Errorf("%s is removed while %s is not flushed", filepath.Base(path), unsaved)
			}
		}
		if n, err := s.ws.shelvedNote("Tides"); err != nil || !n.has(filepath.Base(path)) {
			t.Errorf("%s is removed while the note does not name it", filepath.Base(path))
		}
		if !exists(filepath.Join(s.disk, "Tides", filepath.Base(path))) {
			t.Errorf("%s is removed while it is not on the disk", filepath.Base(path))
		}
		return nil
	}
	_, err := s.shelve(disk)
	check(t, err)
	if removed != 4 {
		t.Errorf("%d recordings removed", removed)
	}
}

// A disk that gives other bytes back than were written is found out.
func TestShelveOnADiskThatLies(t *testing.T) {
	s := newShelfTest(t)
	disk := &hookDisk{}
	disk.before = func(call, path string) error {
		if call == "settle" && filepath.Dir(path) == filepath.Join(s.disk, "Tides") {
			return os.WriteFile(path, []byte("zero"), 0o640)
		}
		return nil
	}
	_, err := s.shelve(disk)
	var refused *RefusedError
	if !errors.As(err, &refused) || !strings.Contains(refused.Says, "other bytes came back") {
		t.Errorf("it ended with %v", err)
	}
	s.isBack("after a lie")
}

func TestShelveIsRefused(t *testing.T) {
	archived := func(s *shelfTest, name string) string { return filepath.Join(s.ws.Archive, "Tides", name) }
	for name, c := range map[string]struct {
		before func(s *shelfTest)
		says   string
	}{
		"no such folder": {func(s *shelfTest) { s.disk += " off" }, "connect the disk"},
		"inside the workspace": {func(s *shelfTest) {
			s.disk = filepath.Join(s.ws.Finished, "superseded")
			check(s, os.Mkdir(s.disk, 0o750))
		}, "inside this workspace"},
		"inside the archive": {func(s *shelfTest) { s.disk = s.ws.Archive }, "inside this workspace"},
		"by way of a link": {func(s *shelfTest) {
			check(s, os.Symlink(s.ws.Archive, s.disk+" link"))
			s.disk += " link"
		}, "inside this workspace"},
		"onto the workspace itself": {func(s *shelfTest) {
			check(s, os.Symlink(s.ws.Root, filepath.Join(s.disk, "Tides")))
		}, "no folder"},
		"a take waits":       {func(s *shelfTest) { drop(s, s.ws, "tides/05 Rope.wav", arriving) }, "05 Rope.wav of this book waits"},
		"other bytes there":  {func(s *shelfTest) { putFile(s, s.disk, "Tides/03 Loud.r1.wav", "LOUD") }, "nothing is overwritten"},
		"other length there": {func(s *shelfTest) { putFile(s, s.disk, "Tides/03 Loud.r1.wav", "x") }, "nothing is overwritten"},
		"other recipe there": {func(s *shelfTest) { putFile(s, s.disk, "Tides/03 Loud.r1.recipe.json", "x") }, "nothing is overwritten"},
		"a link there": {func(s *shelfTest) {
			check(s, os.Mkdir(filepath.Join(s.disk, "Tides"), 0o750))
			check(s, os.Symlink(archived(s, "03 Loud.r1.wav"), filepath.Join(s.disk, "Tides", "03 Loud.r1.wav")))
		}, "nothing is overwritten"},
		"a damaged raw": {func(s *shelfTest) {
			check(s, os.Chmod(archived(s, "03 Loud.r1.wav"), 0o640))
			check(s, os.WriteFile(archived(s, "03 Loud.r1.wav"), []byte("lOud"), 0o640))
		}, "is not what it was"},
		"a link for a raw": {func(s *shelfTest) {
			check(s, os.Rename(archived(s, "03 Loud.r1.wav"), s.disk+" raw"))
			check(s, os.Symlink(s.disk+" raw", archived(s, "03 Loud.r1.wav")))
		}, "is a link"},
		"a damaged recipe": {func(s *shelfTest) { putFile(s, s.ws.Archive, "Tides/03 Loud.r1.recipe.json", "{") }, "cannot be read"},
		"a damaged note":   {func(s *shelfTest) { putFile(s, s.ws.Archive, "Tides/"+shelvedFile, "{") }, "second copy"},
		"a note that leads elsewhere": {func(s *shelfTest) {
			putFile(s, s.ws.Archive, "Tides/"+shelvedFile, fmt.Sprintf(`{"schema":"lectern-shelved/1","places":[{"folder":"/","files":[{"name":"../x.wav","sha256":"%064d"}]}]}`, 0))
		}, "second copy"},
		"a job in work": {func(s *shelfTest) {
			d := newDaemon(s.ws, Settings{}.withDefaults(), testHands(), zap.NewNop())
			_, err := d.makeFolder(jobOf(filepath.Join(s.ws.Working, "0-1"), orig{Book: "TIDES", Chapter: "03 Loud", Ask: &Ask{Kind: Remake}}))
			check(s, err)
		}, "03 Loud is being worked on"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelfTest(t)
			c.before(s)
			before := contents(t, filepath.Join(s.ws.Archive, "Tides"), "")
			_, err := s.shelve(nil)
			var refused *RefusedError
			if !errors.As(err, &refused) || !strings.Contains(refused.Says, c.says) {
				t.Errorf("it ended with %v, want %q", err, c.says)
			}
			if after := contents(t, filepath.Join(s.ws.Archive, "Tides"), ""); !maps.Equal(before, after) {
				t.Errorf("the archive holds %q", after)
			}
			if held, err := namesIn(s.ws.Working); err != nil || len(held) > 1 || len(held) == 1 && name != "a job in work" {
				t.Errorf("working holds %q, %v", held, err)
			}
		})
	}
}

func putFile(t testing.TB, dir, name, content string) {
	t.Helper()
	path := filepath.Join(dir, name)
	check(t, os.MkdirAll(filepath.Dir(path), 0o750))
	check(t, os.WriteFile(path, []byte(content), 0o640))
}
