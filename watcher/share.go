package watcher

import (
	"sync"
	"time"
)

// Share divides what one computer can make at once among several workspaces. Whoever has
// the fewest chapters in work goes first, and of those whoever has waited longest. A
// workspace that hangs, because its share does, keeps nothing from the others: a chapter
// that has not moved for a while no longer counts, and a turn that is not taken passes on.
// It may be used from anywhere.
type Share struct {
	mu      sync.Mutex
	slots   int
	sharers []*sharer
	turns   int
	now     func() time.Time
}

// NewShare returns a Share of so many chapters at once; 0 is one a core. It is never more
// than fits into the memory.
func NewShare(jobs int) *Share { return &Share{slots: jobsAtOnce(jobs), now: time.Now} }

// Of a Share. Our choice.
const (
	// slotIdle is how long a chapter must not have moved for its place to be given away.
	slotIdle = 5 * time.Minute
	// turnLasts is how long a turn waits to be taken.
	turnLasts = 2 * time.Second
	// turnPause is how often a workspace whose turn it is not asks again by itself.
	turnPause = time.Second
)

// sharer is one workspace's part in a Share. Of nil everything is granted: the workspace
// is alone.
type sharer struct {
	share  *Share
	moved  map[string]time.Time // by job: when it last did anything
	turn   int                  // when it began to want one more; 0: it does not
	called time.Time            // when its turn was told to it; zero: it is not its turn
	wake   chan struct{}
}

// join makes one more workspace a part of it.
func (s *Share) join() *sharer {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	m := &sharer{share: s, moved: map[string]time.Time{}, wake: make(chan struct{}, 1)}
	s.sharers = append(s.sharers, m)
	return m
}

// leave gives back all that a workspace holds.
func (m *sharer) leave() {
	if m == nil {
		return
	}
	s := m.share
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, other := range s.sharers {
		if other == m {
			s.sharers = append(s.sharers[:i], s.sharers[i+1:]...)
			break
		}
	}
	s.call()
}

// take asks for a place for a job. Where there is none, or others go first, the
// workspace is woken when its turn comes.
func (m *sharer) take(key string) bool {
	if m == nil {
		return true
	}
	s := m.share
	s.mu.Lock()
	defer s.mu.Unlock()
	if m.turn == 0 {
		s.turns++
		m.turn = s.turns
	}
	m.called = time.Time{} // here it is, however late
	if s.free() <= 0 || s.next() != m {
		s.call()
		return false
	}
	m.moved[key] = s.now()
	m.turn, m.called = 0, time.Time{}
	s.call() // there may be room for another one
	return true
}

// move tells that a job goes on.
func (m *sharer) move(key string) {
	if m == nil {
		return
	}
	m.share.mu.Lock()
	defer m.share.mu.Unlock()
	if _, there := m.moved[key]; there {
		m.moved[key] = m.share.now()
	}
}

// put gives a job's place back.
func (m *sharer) put(key string) {
	if m == nil {
		return
	}
	m.share.mu.Lock()
	defer m.share.mu.Unlock()
	delete(m.moved, key)
	m.share.call()
}

// rest tells that the workspace wants no place just now.
func (m *sharer) rest() {
	if m == nil || m.turn == 0 {
		return
	}
	m.share.mu.Lock()
	defer m.share.mu.Unlock()
	m.turn, m.called = 0, time.Time{}
	m.share.call()
}

// woken is the channel on which a workspace hears that its turn has come.
func (m *sharer) woken() <-chan struct{} {
	if m == nil {
		return nil
	}
	return m.wake
}

// wants tells whether the workspace waits for its turn.
func (m *sharer) wants() bool {
	if m == nil {
		return false
	}
	m.share.mu.Lock()
	defer m.share.mu.Unlock()
	return m.turn > 0
}

// free is how many places nobody holds.
func (s *Share) free() int {
	free := s.slots
	for _, m := range s.sharers {
		free -= s.busy(m)
	}
	return free
}

// busy is how many chapters of a workspace are in work and move.
func (s *Share) busy(m *sharer) (n int) {
	for _, moved := range m.moved {
		if s.now().Sub(moved) < slotIdle {
			n++
		}
	}
	return n
}

// next is the workspace whose turn it is, nil if none wants one. One that was called and
// did not come is passed over.
func (s *Share) next() (best *sharer) {
	for _, m := range s.sharers {
		late := !m.called.IsZero() && s.now().Sub(m.called) > turnLasts
		if m.turn == 0 || late {
			continue
		}
		if best == nil || s.busy(m) < s.busy(best) || s.busy(m) == s.busy(best) && m.turn < best.turn {
			best = m
		}
	}
	return best
}

// call wakes the workspace whose turn it is, if there is a place for it.
func (s *Share) call() {
	m := s.next()
	if m == nil || s.free() <= 0 {
		return
	}
	if m.called.IsZero() {
		m.called = s.now()
	}
	select {
	case m.wake <- struct{}{}:
	default: // it was woken already
	}
}

// Resize changes how many chapters are made at once; 0 is one a core. What is in work goes
// on. Of nil it changes nothing.
func (s *Share) Resize(jobs int) {
	if s == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.slots = jobsAtOnce(jobs)
	s.call()
}
