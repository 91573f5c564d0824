package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lectern/watcher/internal/durable"
)

// diaryPattern matches a line of diary.
var diaryPattern = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2} [+-][0-9]{2}:[0-9]{2}  (.+)$`)

// diaryTold returns what a diary says, line by line, without the moments.
func diaryTold(t testing.TB, ws *Workspace, folder string) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(ws.Finished, folder, diaryFile))
	check(t, err)
	var told []string
	for line := range strings.Lines(string(text)) {
		m := diaryPattern.FindStringSubmatch(strings.TrimSuffix(line, "\n"))
		if m == nil || !strings.HasSuffix(line, "\n") {
			t.Fatalf("%q is no line of diary", line)
		}
		told = append(told, m[1])
	}
	return told
}

// wantDiary compares what a diary says with what it should.
func wantDiary(t testing.TB, ws *Workspace, folder string, want ...string) {
	t.Helper()
	if got := diaryTold(t, ws, folder); !slices.Equal(got, want) {
		t.Errorf("the diary says\n %s\nand not\n %s", strings.Join(got, "\n "), strings.Join(want, "\n "))
	}
}

// toldWhole matches what the diary of the test hands says of a revision, or of what was
// set aside, if no crash has torn it.
var toldWhole = regexp.MustCompile(`  (.+): ((made|measured), revision ([0-9]+), (within all limits|the room is too loud)(; it takes the place of revision [0-9]+)?|set aside \(.+\)\. .+\.)\n`)

// diaryRight is the oracle for the diary of Tides: each revision of the archive and each
// try that was set aside is told once.
func diaryRight(ws *Workspace) error {
	text, err := os.ReadFile(filepath.Join(ws.Finished, "Tides", diaryFile))
	if err != nil {
		return err
	}
	made, aside, seen := 0, 0, map[string]bool{}
	for _, m := range toldWhole.FindAllStringSubmatch(string(text), -1) {
		if m[4] == "" {
			aside++
			continue
		}
		if seen[m[0]] {
			return fmt.Errorf("told twice: %q", m[0])
		}
		seen[m[0]] = true
		if made++; (m[4] == "1") != (m[6] == "") {
			return fmt.Errorf("revision %s: %q", m[4], m[0])
		}
	}
	recipes, err := filepath.Glob(filepath.Join(ws.Archive, "Tides", "*.recipe.json"))
	if err != nil || made != len(recipes) {
		return fmt.Errorf("%d revisions, and the diary says (%w)\n%s", len(recipes), errors.Join(err), text)
	}
	tries := 0
	err = filepath.WalkDir(filepath.Join(ws.SetAside, "Tides"), func(path string, e fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(path) == ".json" {
			tries++
		}
		return ignoreMissing(err)
	})
	if err != nil || aside != tries {
		return fmt.Errorf("%d set aside, and the diary says (%w)\n%s", tries, errors.Join(err), text)
	}
	return nil
}

// Every event is one line, in the order in which they came.
func TestDiaryTellsWhatWasDone(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	for _, a := range []asked{
		{ask: words("new")}, {ask: words("newer")}, {ask: words("newer")}, // the last changes nothing
		{ask: Ask{Kind: BringBack, Revision: 1}},
		{ask: Ask{Kind: Settle, Did: "cut what was read twice at 1:02"}},
		{ask: Ask{Kind: Remake, Set: []string{"!"}}},
		{ask: cut(0, 3), about: "Sample"},
		{ask: Ask{Kind: Rename, NewName: "04 Loud"}},
		{ask: Ask{Kind: Withdraw}, about: "04 Loud"},
	} {
		_, err := doAsk(ws, &dyingDisk{}, a)
		check(t, err)
	}
	drop(t, ws, "Tides/05 The Ferry take 1.wav", badRaw)
	drop(t, ws, "Tides/05 The Ferry take 2.wav", "ferry")
	drop(t, ws, "Tides/room test.wav", "room")
	drop(t, ws, "Audition.wav", "audition")
	drop(t, ws, "Empty/01 Rope.wav", refused)
	check(t, drive(ws, &dyingDisk{}))
	wantDiary(t, ws, "Tides",
		"03 Loud: made, revision 1, the room is too loud",
		"03 Loud: made, revision 2, the room is too loud; it takes the place of revision 1",
		"03 Loud: the words in its MP3 (title, names, cover) were written anew, revision 2",
		"03 Loud: the words in its MP3 (title, names, cover) were written anew, revision 2",
		"03 Loud: revision 1 brought back, revision 3, the room is too loud; it takes the place of revision 2",
		"03 Loud: cut what was read twice at 1:02, revision 4, the room is too loud; it takes the place of revision 3",
		"03 Loud: made again, revision 5, the room is too loud; it takes the place of revision 4",
		"Sample: cut from 03 Loud, revision 1, the room is too loud",
		"03 Loud: renamed to 04 Loud, revision 1, the room is too loud",
		"04 Loud: withdrawn, revision 1, its recordings stay in the archive",
		"room test: measured, revision 1, within all limits",
		"05 The Ferry: set aside (05 The Ferry take 1.wav, 05 The Ferry take 2.wav). There is no speech in it. Read it again.",
	)
	wantDiary(t, ws, "", "Audition: made, revision 1, within all limits")
	wantDiary(t, ws, "Empty", "01 Rope: set aside (01 Rope.wav). This is no WAV file. Export it as WAV.")
	if got := audited(t, ws); !got.Clean {
		t.Errorf("audit: %+v", got.Exceptions)
	}
}

// Whatever somebody calls a recording, it makes one line, and moves no cursor.
func TestDiaryStaysOneLine(t *testing.T) {
	ws := newWorkspace(t)
	drop(t, ws, "Tides/03 \u202eyrreF\x1b[2J\u2028 2026-01-01 00:00 +00:00  04 Ebb: made, revision 9.wav", "ferry")
	check(t, drive(ws, &dyingDisk{}))
	wantDiary(t, ws, "Tides", "03 ?yrreF?[2J? 2026-01-01 00:00 +00:00  04 Ebb: made, revision 9: made, revision 1, within all limits")
	check(t, ws.WriteDiary("Tides", time.Now(), "shelved\nto a disk\x00"))
	if told := diaryTold(t, ws, "Tides"); len(told) != 2 || told[1] != "shelved?to a disk?" {
		t.Errorf("told %q", told)
	}
	for _, folder := range []string{"..", "Tides/superseded", "../Tides", "."} {
		if err := ws.WriteDiary(folder, time.Now(), "x"); err == nil {
			t.Errorf("a diary in %q was written", folder)
		}
	}
}

// A line that a crash has torn is ended, and the next one begins on its own; one that
// lacks nothing but its end is not told again. Nothing that stands is changed.
func TestDiaryAfterATornLine(t *testing.T) {
	const line = "2026-11-26 14:02 +01:00  "
	store := durable.Store{FS: &durable.Disk{}}
	moment := time.Date(2026, 11, 26, 14, 2, 0, 0, time.FixedZone("", 3600))
	for _, c := range []struct {
		there, want string
		from        int64
	}{
		{"", line + "made\n", 0},
		{line + "ma", line + "ma\n" + line + "made\n", 0},
		{line + "made", line + "made\n", 0},
		{line + "made\n", line + "made\n", 0},
		{line + "made\n", line + "made\n" + line + "made\n", 30}, // an event before, of the same words
		{line + "ma", line + "ma\n" + line + "made\n", 27},
		{line + "made\n" + line + "oth", line + "made\n" + line + "oth", 0}, // whoever writes next ends that one
		{"short\n", "short\n" + line + "made\n", 999},                       // somebody has emptied it
		{"sho", "sho\n" + line + "made\n", 999},
	} {
		ws := newWorkspace(t)
		path := filepath.Join(ws.Finished, "Tides", diaryFile)
		check(t, os.Mkdir(filepath.Dir(path), 0o750))
		if c.there != "" {
			check(t, os.WriteFile(path, []byte(c.there), 0o640))
		}
		for range 2 { // a second time is no other
			check(t, ws.writeDiary(store, diaryLine{"Tides", c.from, "made"}, moment))
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != c.want {
			t.Errorf("from %d of %q: %q, want %q (%v)", c.from, c.there, got, c.want, err)
		}
	}
}

// Several write into one diary at once: every line is there, whole.
func TestDiaryOfSeveralWriters(t *testing.T) {
	ws := newWorkspace(t)
	const writers, lines = 4, 50
	var done sync.WaitGroup
	for w := range writers {
		done.Go(func() {
			for n := range lines {
				if err := ws.WriteDiary("Tides", time.Now(), fmt.Sprintf("%d.%d %s", w, n, strings.Repeat("x", 300))); err != nil {
					t.Error(err)
				}
			}
		})
	}
	done.Wait()
	told := diaryTold(t, ws, "Tides")
	slices.Sort(told)
	if len(told) != writers*lines || len(slices.Compact(told)) != writers*lines {
		t.Errorf("%d lines", len(told))
	}
}

// fullDiary has no room for a diary, a few times.
type fullDiary struct {
	durable.Disk
	times int
}

func (d *fullDiary) Append(path string, perm fs.FileMode) (durable.File, error) {
	if d.times--; d.times >= 0 {
		return nil, &fs.PathError{Op: "open", Path: path, Err: syscall.ENOSPC}
	}
	return d.Disk.Append(path, perm)
}

// A full disk holds the job up until the line is written; what somebody has put in the
// place of the diary holds up nothing, and is not followed.
func TestDiaryThatCannotBeWritten(t *testing.T) {
	ws := newWorkspace(t)
	drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
	disk := &fullDiary{times: 2}
	for range 2 {
		if err := drive(ws, disk); !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("with a full disk: %v", err)
		}
	}
	check(t, drive(ws, disk))
	wantDiary(t, ws, "Tides", "03 The Ferry: made, revision 1, within all limits")
	check(t, invariant(ws, nil, true))

	for name, put := range map[string]func(path string) error{
		"a folder": func(path string) error { return os.Mkdir(path, 0o750) },
		"a link": func(path string) error {
			return os.Symlink(filepath.Join(ws.Root, SettingsFile), path)
		},
	} {
		path := filepath.Join(ws.Finished, "Tides", diaryFile)
		check(t, os.RemoveAll(path))
		if err := put(path); err != nil {
			t.Logf("%s: %v", name, err) // Windows allows no links to everybody
			continue
		}
		core, lines := observer.New(zap.InfoLevel)
		d := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), zap.New(core))
		f, err := filedFor(ws, asked{about: "03 The Ferry"})
		check(t, err)
		j, err := d.makeAsk(f, words(name))
		check(t, err)
		if _, err := d.answer(context.Background(), j); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if got := lines.FilterMessageSnippet("diary").All(); len(got) != 1 {
			t.Errorf("%s: said %v", name, got)
		}
		if data, err := os.ReadFile(filepath.Join(ws.Root, SettingsFile)); err != nil || len(data) > 0 {
			t.Errorf("%s: written elsewhere: %q", name, data)
		}
	}
}

// Whoever counts hears the same figures of a chapter whose publishing a crash has cut in two.
func TestEventOfAJobThatIsGoneOnWith(t *testing.T) {
	for _, late := range []int{0, 4, 12} {
		ws := newWorkspace(t)
		drop(t, ws, "Tides/03 Loud take 1.wav", "lo")
		drop(t, ws, "Tides/03 Loud take 2.wav", "ud")
		clean := &dyingDisk{}
		if late > 0 {
			check(t, drive(copyOf(t, ws), clean))
			if err := drive(ws, &dyingDisk{dieAt: clean.calls - late}); err == nil {
				t.Fatal("it did not die")
			}
		}
		var told []Event
		tell := func(e Event) {
			if e.Kind == Finished {
				told = append(told, e)
			}
		}
		d := newDaemon(ws, Settings{Quiet: time.Second, NetworkQuiet: time.Second, FreeMarginBytes: 1, Notice: tell}.withDefaults(), testHands(), zap.NewNop())
		now := time.Now()
		d.adoptAll(now)
		if late == 0 {
			for range 3 * looksMin {
				d.scanAll(now)
				now = now.Add(time.Second)
			}
			d.gather(now)
			j, err := d.claim(d.queue[0])
			check(t, err)
			d.owned = append(d.owned, j)
		}
		for _, j := range d.owned {
			check(t, d.work(context.Background(), j))
		}
		if len(told) != 1 {
			t.Fatalf("%d calls before the end: told %+v", late, told)
		}
		e := told[0]
		if e.Revision != 1 || e.Did != "mastered" || e.Verdict != "fail" || !slices.Equal(e.Missed, []string{"noise_floor"}) ||
			e.RawsS != 2 || e.FinishedS != 4 || len(e.Raws) != 2 {
			t.Errorf("%d calls before the end: told %+v", late, e)
		}
		wantDiary(t, ws, "Tides", "03 Loud: made, revision 1, the room is too loud")
	}
}
