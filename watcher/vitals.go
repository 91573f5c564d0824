package watcher

import (
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

// Vitals tell, from moment to moment, how a running daemon is. They are written by it and
// may be read from anywhere. Those of nil are kept nowhere.
type Vitals struct {
	mu    sync.Mutex
	signs Signs
	jobs  map[string]time.Time // being made: when each last went on
}

// Signs are what Vitals tell at one moment.
type Signs struct {
	// LookedAt is when the daemon last went round; the zero time: it does not run.
	LookedAt time.Time
	// Waiting counts the recordings in the inbox, and those taken out of it that nobody
	// works on yet. OldestAt is since when the oldest is known; zero if none waits.
	Waiting  int
	OldestAt time.Time
	Making   []string // the chapters in work, sorted
	// Troubles are what status tells of the daemon, sorted.
	Troubles []string
	// ScanErrors counts the folders that could not be looked into, and the notifications
	// the system lost.
	ScanErrors int
	// MovedAt is when the chapter in work that has moved least lately last did; zero if
	// none is being made.
	MovedAt time.Time
}

// Now returns how the daemon is.
func (v *Vitals) Now() Signs {
	v.mu.Lock()
	defer v.mu.Unlock()
	s := v.signs
	s.Making, s.Troubles = slices.Clone(s.Making), slices.Clone(s.Troubles)
	for _, moved := range v.jobs {
		if s.MovedAt.IsZero() || moved.Before(s.MovedAt) {
			s.MovedAt = moved
		}
	}
	return s
}

// alive notes that the daemon is at its work: in a long scan, too.
func (v *Vitals) alive() {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.signs.LookedAt = time.Now()
}

func (v *Vitals) scanFailed() {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.signs.ScanErrors++
}

// step notes that the sound of a job goes on, and rest that it is made.
func (v *Vitals) step(key string) {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.jobs == nil {
		v.jobs = map[string]time.Time{}
	}
	v.jobs[key] = time.Now()
}

func (v *Vitals) rest(key string) {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.jobs, key)
}

// ended notes that the daemon no longer runs. What was counted stays.
func (v *Vitals) ended() {
	if v == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	v.signs, v.jobs = Signs{ScanErrors: v.signs.ScanErrors}, nil
}

// takeVitals notes how things stand after one round of the loop.
func (d *daemon) takeVitals(now time.Time) {
	v := d.set.Vitals
	if v == nil {
		return
	}
	s := Signs{LookedAt: now, Troubles: slices.Sorted(maps.Values(d.troubles))}
	here := map[string]bool{}
	waits := func(path string, takes int) {
		here[path] = true
		if d.since[path].IsZero() {
			d.since[path] = now
		}
		if since := d.since[path]; s.OldestAt.IsZero() || since.Before(s.OldestAt) {
			s.OldestAt = since
		}
		s.Waiting += takes
	}
	for folder, state := range d.folders {
		for name := range state.files {
			waits(filepath.Join(d.ws.Inbox, folder, name), 1)
		}
	}
	for _, j := range d.owned {
		waits(j.Dir, len(j.Raws))
	}
	maps.DeleteFunc(d.since, func(path string, _ time.Time) bool { return !here[path] })
	for _, j := range d.running {
		if j != nil {
			s.Making = append(s.Making, j.Chapter)
		}
	}
	slices.SortFunc(s.Making, strings.Compare)
	v.mu.Lock()
	defer v.mu.Unlock()
	s.ScanErrors = v.signs.ScanErrors
	v.signs = s
}
