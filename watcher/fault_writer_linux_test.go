package watcher

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"
)

// Row 19: somebody writes to the recording by another name, before each call of the
// disk in turn. Its claim, its work and its publishing are all surprised by that.
func TestFaultWriterAtEveryCall(t *testing.T) {
	calm := &faultDisk{}
	wrong, afresh := 0, 0
	if _, _, err := writtenLife(t, calm, 0, 0); err != nil {
		t.Fatal(err)
	}
	for at := 1; at <= calm.calls; at++ {
		revisions, _, err := writtenLife(t, &faultDisk{}, at, 0)
		if err != nil {
			wrong++
			t.Errorf("written to before call %d of %d: %v", at, calm.calls, err)
		}
		if revisions == 3 {
			afresh++
		}
	}
	row(t, "19", "written to by another name before each call of the disk", calm.calls, 0, wrong,
		"made of the whole each time; %d times it was published already and became one more revision", afresh)
	// The way back into the inbox, with the end of the process before each of its calls.
	kills, middle := 0, calm.calls*3/4
	for dieAt := middle + 1; dieAt <= calm.calls+20; dieAt++ {
		kills++
		if _, _, err := writtenLife(t, &faultDisk{}, middle, dieAt); err != nil {
			wrong++
			t.Errorf("written to before call %d, killed before call %d: %v", middle, dieAt, err)
		}
	}
	// A plan that nothing was done of while the recording changed is not carried out.
	for at := 1; at <= calm.calls; at++ {
		kills++
		revisions, published, err := writtenLife(t, &faultDisk{}, at, at)
		if err != nil || !published && revisions != 2 {
			wrong++
			t.Errorf("killed before call %d and then written to: %d revisions, %v", at, revisions, err)
		}
	}
	row(t, "19", "the same, and killed before each call", kills, 0, wrong, "made of the whole in the end")
	if afresh == 0 {
		t.Error("no recording was ever written to while its chapter was being published")
	}
}

// writtenLife writes to the dropped recording before a call of the disk, 0 for never,
// kills the daemon before another one, and lets it go on, or the next one, until nothing
// is left to do. It returns how many revisions there are, and whether one was already
// published of what had been dropped.
func writtenLife(t *testing.T, disk *faultDisk, at, dieAt int) (revisions int, published bool, err error) {
	t.Helper()
	l := newFaultLife(t, secondRevision, memoryDisk(), "")
	defer l.remove(t)
	other := filepath.Join(l.root, "another name")
	check(t, os.Link(filepath.Join(l.ws.Inbox, "Tides", "03 Loud.wav"), other))
	want := protocols[l.protocol].finished
	more := false
	disk.onCall = func(n int) {
		if n == dieAt {
			defer panic(errDead)
		}
		if n != at {
			return
		}
		// A file that has another name is copied; what comes after that is not hers,
		// unless the end of the process lets the next one see it.
		published = sumsIn(t, l.ws.Finished)[filepath.Join(l.ws.Finished, "Tides", "03 Loud.mp3")] == sumOf([]byte(want))
		ours := sumsIn(t, l.ws.Inbox, l.ws.Working)
		if dieAt == 0 {
			ours = sumsIn(t, l.ws.Archive)
		}
		has := slices.Contains(slices.Collect(maps.Values(ours)), sumOf([]byte(want)))
		more = has == (dieAt > 0)
		f, err := os.OpenFile(other, os.O_APPEND|os.O_WRONLY, 0)
		check(t, err)
		_, err = f.WriteString(" and more")
		check(t, errors.Join(err, f.Close()))
	}
	for _, life := range []*faultDisk{disk, {}} {
		if err := untilDone(l.ws, life); err != nil && !errors.Is(err, errDead) {
			return 0, published, err
		}
	}
	if more {
		want += " and more"
	}
	data, err := os.ReadFile(filepath.Join(l.ws.Finished, "Tides", "03 Loud.mp3"))
	if err != nil || string(data) != want {
		return 0, published, fmt.Errorf("the finished file is %q, want %q (%w)", data, want, errors.Join(err))
	}
	names, err := namesIn(l.ws.Working)
	if err != nil || len(names) > 0 {
		return 0, published, fmt.Errorf("left in work: %q (%w)", names, errors.Join(err))
	}
	recipes, err := filepath.Glob(filepath.Join(l.ws.Archive, "Tides", "*.recipe.json"))
	check(t, err)
	raws, err := filepath.Glob(filepath.Join(l.ws.Archive, "Tides", fmt.Sprintf("*.r%d.wav", len(recipes))))
	check(t, err)
	if len(raws) != 1 {
		return 0, published, fmt.Errorf("of revision %d the archive holds %q", len(recipes), raws)
	}
	raw, err := os.ReadFile(raws[0])
	if err != nil || string(raw) != want {
		return 0, published, fmt.Errorf("the archive holds %q, want %q (%w)", raw, want, errors.Join(err))
	}
	return len(recipes), published, nil
}

// untilDone is one life of a daemon that has patience: what waits is tried again. It
// ends with errDead if the disk says so.
func untilDone(ws *Workspace, disk *faultDisk) (err error) {
	defer func() {
		if v := recover(); v == errDead {
			err = errDead
		} else if v != nil {
			panic(v)
		}
	}()
	now := time.Now()
	d := newDaemon(ws, Settings{fs: disk, Quiet: time.Second, FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	work := func(j *job) error {
		for try := 0; exists(j.Dir); try++ {
			if err := d.work(context.Background(), j); err != nil && try == 5 {
				return err
			}
		}
		return nil
	}
	d.sweep(now)
	d.adoptAll(now)
	for _, j := range d.owned {
		if err := work(j); err != nil {
			return err
		}
	}
	for range 4 {
		for range looksMin {
			d.scanAll(now)
			now = now.Add(time.Second)
		}
		d.gather(now)
		for _, b := range d.queue {
			j, err := d.claim(b)
			if err == nil {
				err = work(j)
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}
