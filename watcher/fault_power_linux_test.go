package watcher

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// powerLife is a faultLife on disks whose power goes.
type powerLife struct {
	faultLife
	disks []*loopDisk // the workspace's, and that of archive/ if it has one of its own
}

// newPowerLife prepares a workspace in peace and makes it durable.
func newPowerLife(t testing.TB, protocol string, disks ...*loopDisk) *powerLife {
	t.Helper()
	archive := ""
	if len(disks) > 1 {
		archive = disks[1].dir
	}
	l := &powerLife{newFaultLife(t, protocol, disks[0].dir, archive), disks}
	for _, d := range disks {
		d.flushed()
	}
	return l
}

// run lets one life begin, whose power is cut before a call (0: never, -1: at its
// end) on one of the disks. It tells whether the cut came.
func (l *powerLife) run(t testing.TB, cutAt, disk int, noFlush string) (cut bool, out string) {
	t.Helper()
	code, out := faultRun(t, l.root, append([]string{
		cutAtEnv + "=" + strconv.Itoa(cutAt), cutDiskEnv + "=" + l.disks[disk].dir, noFlushEnv + "=" + noFlush,
	}, l.env...))
	if code == exitPowerless {
		l.disks[disk].again()
	}
	return code == exitPowerless, out
}

// calls counts the calls of the disk a protocol makes.
func callsOf(t testing.TB, protocol string, disks ...*loopDisk) int {
	t.Helper()
	l := newPowerLife(t, protocol, disks...)
	defer l.remove(t)
	_, out := l.run(t, 0, 0, "")
	n, err := strconv.Atoi(out)
	check(t, err)
	return n
}

// Rows 3 and 6: the power goes at every step, and once more while the next start
// goes on.
func TestFaultPowerCutAtEveryStep(t *testing.T) {
	t.Run("ext4", func(t *testing.T) { cutAtEveryStep(t, "ext4", newLoopDisk(t, 64)) })
	t.Run("XFS", func(t *testing.T) { cutAtEveryStep(t, "XFS", newDiskOf(t, xfsMegabytes, "mkfs.xfs", "-q", "-f")) })
}

func cutAtEveryStep(t *testing.T, kind string, disk *loopDisk) {
	calls := callsOf(t, secondRevision, disk)
	tries, doubles, wrong := 0, 0, 0
	for first := 1; first <= calls; first += inShort(17, 1) {
		for k := range inShort(2, 5) {
			l := newPowerLife(t, secondRevision, disk)
			if cut, out := l.run(t, first, 0, ""); !cut {
				t.Fatalf("no cut before call %d: %s", first, out)
			}
			// Second cuts spread over what a recovery has to do.
			second := 1 + (first+k*calls/5)%calls
			if cut, _ := l.run(t, second, 0, ""); cut {
				doubles++
			}
			tries++
			if err := l.end(t); err != nil {
				wrong++
				t.Errorf("cut before call %d and then %d: %v", first, second, err)
			}
			l.remove(t)
		}
	}
	row(t, "3", "power cut at every step of a second revision, "+kind, tries, 0, wrong, "%d calls of the disk, %d cuts twice", calls, doubles)
}

func TestFaultPowerCutOfOneOfTwoDisks(t *testing.T) {
	disks := []*loopDisk{newLoopDisk(t, 32), newLoopDisk(t, 32)}
	calls := callsOf(t, twoTakes, disks...)
	tries, wrong := 0, 0
	for cutDisk := range disks {
		for i := range inShort(6, 100) {
			at := 1 + i*calls/inShort(6, 100)
			l := newPowerLife(t, twoTakes, disks...)
			if cut, out := l.run(t, at, cutDisk, ""); !cut {
				t.Fatalf("no cut before call %d: %s", at, out)
			}
			tries++
			if err := l.end(t); err != nil {
				wrong++
				t.Errorf("disk %d cut before call %d: %v", cutDisk, at, err)
			}
			l.remove(t)
		}
	}
	row(t, "6", "archive on another disk, power cut on either", tries, 0, wrong, "%d cuts a side, over %d calls", inShort(6, 100), calls)
}

// The power goes at every step of writing words anew, and once more while the next start
// goes on: the pair is the old one or the new one, with the sound it had.
func TestFaultPowerCutWhileWordsAreWritten(t *testing.T) {
	disk := newLoopDisk(t, 64)
	prepare := func() *powerLife {
		l := newPowerLife(t, secondRevision, disk)
		check(t, drive(l.ws, &dyingDisk{}))
		f, err := filedFor(l.ws, asked{})
		check(t, err)
		j, err := newDaemon(l.ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), testLog()).makeAsk(f, words("new"))
		check(t, err)
		check(t, writeLease(j.Dir, owner{Released: true}))
		disk.flushed()
		return l
	}
	l := prepare()
	_, out := l.run(t, 0, 0, "")
	calls, err := strconv.Atoi(out)
	check(t, err)
	l.remove(t)
	tries, doubles, wrong := 0, 0, 0
	for first := 1; first <= calls; first += inShort(3, 1) {
		l := prepare()
		if cut, out := l.run(t, first, 0, ""); !cut {
			t.Fatalf("no cut before call %d: %s", first, out)
		}
		if cut, _ := l.run(t, 1+(first+calls/2)%calls, 0, ""); cut {
			doubles++
		}
		tries++
		err := drive(l.ws, &dyingDisk{})
		if got := content(t, loudIn(l.ws, ".mp3")); err == nil && got != "still loud|new" {
			err = fmt.Errorf("the MP3 is %q", got)
		}
		if err := errors.Join(err, invariant(l.ws, l.dropped, true)); err != nil {
			wrong++
			t.Errorf("cut before call %d: %v", first, err)
		}
		l.remove(t)
	}
	row(t, "3", "power cut at every step of writing words anew, ext4", tries, 0, wrong, "%d calls of the disk, %d cuts twice", calls, doubles)
}

// done tells whether all is in place after a cut, without another start.
func (l *powerLife) done() error {
	if err := l.finished(); err != nil {
		return err
	}
	for _, pattern := range []string{"*.r2.wav", "*.r2.recipe.json"} {
		found, err := filepath.Glob(filepath.Join(l.ws.Archive, "Tides", pattern))
		if err != nil || len(found) != 1 {
			return fmt.Errorf("%s: %q (%w)", pattern, found, errors.Join(err))
		}
	}
	if !exists(filepath.Join(l.ws.Finished, "Tides", "03 Loud.json")) {
		return errors.New("there is no report")
	}
	return nil
}

// Row 4: what was said to be done is done, whatever comes right after. Without the
// flush of folders it would not be, and the harness sees that.
func TestFaultPowerCutAfterDone(t *testing.T) {
	t.Run("ext4", func(t *testing.T) { cutAfterDone(t, "ext4", newLoopDisk(t, 32)) })
	t.Run("XFS", func(t *testing.T) { cutAfterDone(t, "XFS", newDiskOf(t, xfsMegabytes, "mkfs.xfs", "-q", "-f")) })
}

func cutAfterDone(t *testing.T, kind string, disk *loopDisk) {
	after := func(noFlush string) error {
		l := newPowerLife(t, secondRevision, disk)
		defer l.remove(t)
		if cut, out := l.run(t, -1, 0, noFlush); !cut {
			t.Fatalf("no cut: %s", out)
		}
		return l.done()
	}
	wrong := 0
	for range inShort(5, 100) {
		wrong += amiss(t, after(""))
	}
	row(t, "4", "power cut right after a chapter was said to be done, "+kind, inShort(5, 100), 0, wrong, "MP3, report, recipe and raw in place without another start")
	if after("folders") == nil {
		t.Error("without the flush of folders nothing is lost after a cut: this test cannot fail")
	}
}

// Row 5: a build that does not flush its files must be found out.
func TestFaultPowerCutFindsTheMutant(t *testing.T) {
	t.Run("ext4", func(t *testing.T) { cutFindsTheMutant(t, "ext4", newLoopDisk(t, 64)) })
	t.Run("XFS", func(t *testing.T) { cutFindsTheMutant(t, "XFS", newDiskOf(t, xfsMegabytes, "mkfs.xfs", "-q", "-f")) })
}

func cutFindsTheMutant(t *testing.T, kind string, disk *loopDisk) {
	calls := callsOf(t, secondRevision, disk)
	tries, caught := 0, 0
	for first := inShort(9, 1); first <= calls; first += inShort(9, 1) {
		l := newPowerLife(t, secondRevision, disk)
		l.run(t, first, 0, "files")
		tries++
		if err := l.end(t); err != nil {
			caught++
			if isLong() {
				t.Logf("cut before call %d: %.200s", first, strings.ReplaceAll(err.Error(), "\n", "; "))
			}
		}
		l.remove(t)
	}
	row(t, "5", "a build without the flush of files, which must be found out, "+kind, tries, 0, 0, "found out in %d of %d cuts", caught, tries)
	if caught == 0 {
		t.Error("the mutant was not found out: the power cuts prove nothing")
	}
}
