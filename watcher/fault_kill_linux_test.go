package watcher

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Row 1: kill -9 at random moments, over and over, with 20 small takes a round, two of
// them room tests.
func TestFaultKilledAtRandom(t *testing.T) {
	const takes, killsARound = 20, 5
	kills, lost, wrong := 0, 0, 0
	random := rand.New(rand.NewPCG(3, 4))
	for kills < inShort(20, 1000) {
		ws := memoryWorkspace(t)
		order := daemonOrder{Root: ws.Root, Quiet: 20 * time.Millisecond, Rescan: 100 * time.Millisecond}
		dropped := map[string]int{}
		for i := range takes {
			name := fmt.Sprintf("Book %d/%02d Ebb.wav", i%3, i)
			if i%10 == 4 {
				name = fmt.Sprintf("Book %d/room test %02d.wav", i%3, i)
			}
			dropped[drop(t, ws, name, fmt.Sprint("take ", i))] = 1
		}
		for range killsARound {
			d := startDaemon(t, order)
			if !d.until("watching ") {
				t.Fatal("the daemon ended")
			}
			// From its first look to the last chapter is about a tenth of a second.
			pause(time.Duration(random.IntN(120)) * time.Millisecond)
			d.kill(t)
			kills++
			if err := invariant(ws, dropped, false); err != nil {
				lost++
				t.Error(err)
			}
		}
		d := startDaemon(t, order)
		patiently(t, "all chapters are made", time.Minute, func() bool { return archived(ws) == takes })
		waitIdle(t, ws)
		d.stop(t)
		wrong += amiss(t, invariant(ws, dropped, true))
		recipes, err := filepath.Glob(filepath.Join(ws.Archive, "*", "*.recipe.json"))
		check(t, err)
		if len(recipes) != takes {
			wrong++
			t.Errorf("%d revisions of %d takes", len(recipes), takes)
		}
		check(t, os.RemoveAll(ws.Root))
	}
	row(t, "1", "kill -9 at random moments, 20 takes a round", kills, lost, wrong, "%d kills, %d a round, each take made once", kills, killsARound)
}

// Row 39: a recording that takes the whole process with it, again and again.
func TestFaultPoison(t *testing.T) {
	rounds, wrong := inShort(1, 10), 0
	for range rounds {
		ws := memoryWorkspace(t)
		order := daemonOrder{Root: ws.Root, Quiet: 20 * time.Millisecond, Rescan: 50 * time.Millisecond}
		bad := drop(t, ws, "Tides/bad.wav", dies)
		for range 2 {
			d := startDaemon(t, order)
			d.until("it ends by itself")
			if err := d.cmd.Wait(); err == nil {
				t.Fatal("the daemon did not die of it")
			}
		}
		// A suspect now, it waits for the others.
		good := drop(t, ws, "Tides/good.wav", "good")
		d := startDaemon(t, order)
		if !d.until("event finished good") {
			wrong++
			t.Error("it died of the bad one before it made the good one")
		}
		var tries []string
		within(t, "only the bad one is in work", func() bool {
			var err error
			tries, err = filepath.Glob(filepath.Join(ws.Working, "[^.]*", "tries"))
			return err == nil && len(tries) == 1
		})
		d.kill(t)
		// The rest of its deaths are only marked, since it would wait for minutes before each.
		for i := 0; ; i++ {
			marks, err := filepath.Glob(filepath.Join(tries[0], "*.began"))
			check(t, err)
			if len(marks) >= deathsMax {
				break
			}
			check(t, os.WriteFile(filepath.Join(tries[0], fmt.Sprintf("%d.began", i)), nil, 0o640))
		}
		check(t, drive(ws, &faultDisk{}))
		if !exists(filepath.Join(ws.SetAside, "Tides", "bad.wav")) || !exists(filepath.Join(ws.SetAside, "Tides", "bad"+pleaseRead)) {
			wrong++
			t.Error("it was not set aside with a note")
		}
		wrong += amiss(t, invariant(ws, map[string]int{bad: 1, good: 1}, true))
	}
	row(t, "39", "a recording that kills the process", rounds, 0, wrong, "set aside after %d deaths (two real ones, the rest only marked), the other one made meanwhile", deathsMax)
}

// Row 7: a read that fails, of a file or of a folder, again and again at the same
// place: more often than a recording that is itself at fault would be tried.
func TestFaultReadFails(t *testing.T) {
	needRoot(t, "strace")
	for _, call := range []string{"read", "getdents64"} {
		clean := newFaultLife(t, secondRevision, memoryDisk(), "")
		whole := straceRun(t, &clean, call, "")
		clean.remove(t)
		if whole.code != 0 {
			t.Skipf("strace cannot run here: %s", whole.out)
		}
		n, tries, failed, wrong := len(whole.calls), 0, 0, 0
		for when := 1; when <= n; when += inShort(max(1, n/6), 1) {
			l := newFaultLife(t, secondRevision, memoryDisk(), "")
			for range failuresMax + 1 {
				tries++
				if struck := straceRun(t, &l, call, fmt.Sprintf("%s:error=EIO:when=%d", call, when)); struck.code != 0 {
					failed++
				}
			}
			err := l.end(t)
			if err == nil && exists(filepath.Join(l.ws.SetAside, "Tides")) {
				err = errors.New("it was set aside")
			}
			if err != nil {
				wrong++
				t.Errorf("%s fails at call %d of %d: %v", call, when, n, err)
			}
			l.remove(t)
		}
		row(t, "7", call+" fails with EIO, at each place, four times over", tries, 0, wrong, "%d lives ended by it, none set aside", failed)
		if failed == 0 {
			t.Errorf("no life noticed that %s failed", call)
		}
	}
}
