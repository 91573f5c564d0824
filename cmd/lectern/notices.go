package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"

	"lectern/watcher"
)

// notices tell the service manager how the daemon is, by the protocol of sd_notify(3).
// Where none listens they go nowhere.
type notices struct {
	s       *service
	send    func(state string)
	status  string        // the line told last
	every   time.Duration // of the watchdog; 0: there is none
	pinged  time.Time
	waiting <-chan struct{} // closed when the start is over; nil: it is
}

// noticePause is how often the daemon looks at itself. Our choice.
const noticePause = time.Second

func newNotices(s *service) *notices {
	n := &notices{s: s}
	n.send = func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			s.log.Debug("the service manager could not be told", zap.Error(err))
		}
	}
	every, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		s.log.Warn("the watchdog of the service manager is not understood and gets no sign of life", zap.Error(err))
	}
	n.every = every
	return n
}

// ready tells that the start, or a reload, is over: once a channel is closed, or at once if
// it is nil.
func (n *notices) ready(after <-chan struct{}) {
	if n.waiting = after; after == nil {
		n.send(daemon.SdNotifyReady)
	}
	n.tick(time.Now())
}

func (n *notices) reloading() {
	state := daemon.SdNotifyReloading
	if now := daemon.SdNotifyMonotonicUsec(); now != "" {
		state += "\n" + now
	}
	n.send(state)
}

func (n *notices) stopping() { n.send(daemon.SdNotifyStopping) }

// tick tells what is done just now, if that is another thing, and gives the watchdog its
// sign of life, three times as often as it wants one.
func (n *notices) tick(now time.Time) {
	select {
	case <-n.waiting:
		n.waiting = nil
		n.send(daemon.SdNotifyReady)
	default: // ready already, or not yet
	}
	if status := n.s.status(); status != n.status {
		n.status = status
		n.send("STATUS=" + status)
	}
	if n.every > 0 && now.Sub(n.pinged) >= n.every/3 && n.s.moves(now) {
		n.pinged = now
		n.send(daemon.SdNotifyWatchdog)
	}
}

// status tells in a line what is done just now.
func (s *service) status() string {
	var making []string
	waiting, down := 0, 0
	for _, w := range s.all() {
		signs := w.vitals.Now()
		making = append(making, signs.Making...)
		waiting += signs.Waiting
		if o, says := w.now(); o == nil && says != "" {
			down++
		}
	}
	says := "watching"
	if len(making) > 0 {
		says = "mastering " + watcher.Plain(making[0])
		if more := len(making) - 1; more > 0 {
			says += fmt.Sprintf(" and %d more", more)
		}
	}
	var rest []string
	if waiting > 0 {
		rest = append(rest, fmt.Sprintf("%d waiting", waiting))
	}
	if down == 1 {
		rest = append(rest, "a workspace cannot be watched")
	} else if down > 1 {
		rest = append(rest, fmt.Sprintf("%d workspaces cannot be watched", down))
	}
	return strings.Join(append([]string{says}, rest...), ", ")
}

// moves tells whether the daemon gets on: unless every workspace that is watched is stuck.
// One alone does not have the others ended; it is told of elsewhere.
func (s *service) moves(now time.Time) bool {
	watched, stuck := 0, 0
	for _, w := range s.all() {
		if o, _ := w.now(); o == nil {
			continue
		}
		watched++
		if w.stuck(now) != "" {
			stuck++
		}
	}
	return watched == 0 || stuck < watched
}
