package watcher

import "time"

// Where the system does not tell of all changes, or another computer makes them, the inbox
// is looked through again and again, more often than everything is: a take's quiet time
// begins at the look that first shows it as it stays, and so is late by what lies between
// two looks. Both are our choice.
const (
	// pollPause is what lies between two such looks at least.
	pollPause = time.Second
	// pollShare is how many times as long as a look takes nothing is looked at: at most 1 %
	// of the time goes to looking, on a slow share with a thousand books too.
	pollShare = 100
)

// polls tells whether the inbox must be looked through to find what is new.
func (d *daemon) polls() bool { return d.hints == nil || d.polling || d.remote }

// nextPoll is when the inbox wants to be looked through, zero if that can wait for the
// rescan, as it can while it cannot be looked into at all.
func (d *daemon) nextPoll() time.Time {
	if !d.polls() || d.scanPause > 0 {
		return time.Time{}
	}
	return d.polledAt.Add(min(max(pollPause, pollShare*d.pollTook), d.set.Rescan))
}

// poll looks through the inbox.
func (d *daemon) poll(now time.Time) {
	d.scanAll(now)
	d.polledAt, d.pollTook = now, time.Since(now)
}
