package watcher

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Row 25: archive/ is a folder of a disk that is taken off. Nothing then tells what was
// filed before, so nothing may be decided: the next revision would be the first again,
// and the book would be given new settings.
func TestFaultArchiveDiskTakenOff(t *testing.T) {
	tries, wrong := 0, 0
	for _, left := range []string{"no folder", "a folder of that name"} { // on the disk below
		d := newLoopDisk(t, 16)
		under := filepath.Join(d.dir, "kept")
		command(t, "umount", d.dir)
		if left != "no folder" {
			check(t, os.Mkdir(under, 0o750))
		}
		command(t, "mount", "-o", "loop", d.image, d.dir)
		check(t, os.Mkdir(under, 0o750))
		ws := openWorkspace(t, t.TempDir(), "finished", under)
		dropped := map[string]int{drop(t, ws, "Tides/03 Ebb.wav", "the first"): 1}
		ev := newEvents(t)
		stop, _ := watch(t, ws, quickly(t, ev.notice), testHands())
		ev.wait(1, Finished)
		stop()
		for i := range inShort(2, 10) {
			// What was handed over was moved away, so that only the archive knows of it.
			check(t, os.RemoveAll(filepath.Join(ws.Finished, "Tides")))
			dropped[drop(t, ws, "Tides/03 Ebb.wav", fmt.Sprint("again ", i))] = 1
			err := driveWith(ws, &dyingDisk{}, takenOffWhileMaking(t, d))
			var wait *waitError
			if !errors.As(err, &wait) || !strings.Contains(wait.says, "taken off") {
				wrong++
				t.Errorf("%s: while a chapter is made: it ended with: %v", left, err)
			}
			waiting := filepath.Join(ws.Inbox, "Tides/04 Rope.wav")
			dropped[drop(t, ws, "Tides/04 Rope.wav", fmt.Sprint("rope ", i))] = 1
			stop, lines := watch(t, ws, quickly(t, nil), testHands())
			within(t, "a start without the disk says so of it and of the chapter", func() bool {
				return lines.FilterMessageSnippet("taken off").Len() > 1 && lines.FilterMessageSnippet("04 Rope: waiting, the disk").Len() == 1
			})
			stop()
			if _, err := ws.Audit(context.Background()); err == nil || !strings.Contains(err.Error(), "taken off") {
				wrong++
				t.Errorf("%s: the audit ended with: %v", left, err)
			}
			if !exists(waiting) {
				wrong++
				t.Errorf("%s: a recording was taken at a start without it", left)
			}
			if names, err := namesIn(ws.Finished); err != nil || len(names) > 0 {
				wrong++
				t.Errorf("%s: finished holds %q (%v)", left, names, err)
			}
			if names, err := namesIn(under); err != nil || len(names) > 0 {
				wrong++
				t.Errorf("%s: under the mount point lie %q (%v)", left, names, err)
			}
			command(t, "mount", "-o", "loop", d.image, d.dir)
			wrong += amiss(t, drive(ws, &dyingDisk{}))
			if raw := filepath.Join(under, "Tides", fmt.Sprintf("03 Ebb.r%d.wav", i+2)); !exists(raw) {
				wrong++
				t.Errorf("%s: %s is not there", left, filepath.Base(raw))
			}
			tries++
		}
		wrong += amiss(t, invariant(ws, dropped, true))
	}
	row(t, "25", "the disk on which archive is a folder taken off while a chapter is made, and a start without it", tries, 0, wrong,
		"nothing decided meanwhile, the right revision once it is back")
}

// takenOffWhileMaking are hands in whose midst a disk is taken off.
func takenOffWhileMaking(t *testing.T, d *loopDisk) Hands {
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		command(t, "umount", d.dir)
		return testMake(ctx, job)
	}
	return hands
}
