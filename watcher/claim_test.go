package watcher

import (
	"errors"
	"io/fs"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// readyDaemon is a daemon that has watched the inbox long enough, but has not
// claimed anything.
func readyDaemon(t *testing.T, ws *Workspace, disk durable.FS) *daemon {
	t.Helper()
	d := newDaemon(ws, Settings{fs: disk, Quiet: time.Second, FreeMarginBytes: 1, unlocked: true}.withDefaults(), testHands(), zap.NewNop())
	now := time.Now()
	for range looksMin {
		d.scanAll(now)
		now = now.Add(time.Second)
	}
	d.gather(now)
	return d
}

// meddlingDisk lets something happen just before a job's folder is made.
type meddlingDisk struct {
	durable.Disk
	meddle func()
}

func (m *meddlingDisk) Mkdir(path string, perm fs.FileMode) error {
	if m.meddle != nil {
		meddle := m.meddle
		m.meddle = nil
		meddle()
	}
	return m.Disk.Mkdir(path, perm)
}

func jobsIn(t *testing.T, ws *Workspace) int {
	t.Helper()
	names, err := namesIn(ws.Working)
	check(t, err)
	return len(names)
}

// Both daemons are past every look when the first one claims: the first raw
// decides, and the loser takes none of the others.
func TestClaimOfTheSameBatchHasOneWinner(t *testing.T) {
	ws := newWorkspace(t)
	sums := map[string]int{}
	for _, take := range []string{"1", "2", "3"} {
		sums[drop(t, ws, "Tides/03 The Ferry take "+take+".wav", take)] = 1
	}
	winner := readyDaemon(t, ws, &durable.Disk{})
	disk := &meddlingDisk{}
	loser := readyDaemon(t, ws, disk)
	batch := loser.queue[0]
	disk.meddle = func() {
		j, err := winner.claim(winner.queue[0])
		check(t, err)
		if len(j.Raws) != 3 {
			t.Errorf("the winner has %d raws", len(j.Raws))
		}
		// A take of the same name comes again before the loser is done.
		sums[drop(t, ws, "Tides/03 The Ferry take 2.wav", "2 again")] = 1
	}
	if _, err := loser.claim(batch); !errors.Is(err, errLost) {
		t.Errorf("the loser's claim: %v", err)
	}
	if n := jobsIn(t, ws); n != 1 {
		t.Errorf("%d jobs in working", n)
	}
	if !exists(filepath.Join(ws.Inbox, "Tides/03 The Ferry take 2.wav")) {
		t.Error("the loser took a take out of the inbox")
	}
	if err := invariant(ws, sums, false); err != nil {
		t.Error(err)
	}
}

func TestChapterInWorkIsNotClaimedAgain(t *testing.T) {
	ws := newWorkspace(t)
	drop(t, ws, "Tides/03 The Ferry take 1.wav", "one")
	first := readyDaemon(t, ws, &durable.Disk{})
	j, err := first.claim(first.queue[0])
	check(t, err)
	drop(t, ws, "Tides/03 The Ferry take 2.wav", "two")
	second := readyDaemon(t, ws, &durable.Disk{})
	if _, err := second.claim(second.queue[0]); !errors.Is(err, errLost) {
		t.Errorf("a chapter in work was claimed: %v", err)
	}
	check(t, first.work(t.Context(), j))
	j, err = second.claim(second.queue[0])
	check(t, err)
	check(t, second.work(t.Context(), j))
	if n := jobsIn(t, ws); n != 0 {
		t.Errorf("%d jobs left in working", n)
	}
}
