package watcher

import (
	"time"

	"lectern/watcher/internal/durable"
)

// Settings say how patiently the watcher waits and how much it does at once.
// A zero field takes the default named beside it.
type Settings struct {
	// Quiet is how long a file must not have changed: 5 s. NetworkQuiet is the
	// same where changes made by other computers are not notified: 30 s.
	Quiet, NetworkQuiet time.Duration
	// UnfinishedWait is how long a file whose recorder never wrote the final
	// size must not have changed: 120 s.
	UnfinishedWait time.Duration
	// Rescan is how often everything is looked at, notified or not: 15 s.
	Rescan time.Duration
	// Jobs is how many chapters are made at once: one a core.
	Jobs int
	// RawMaxBytes is the largest raw taken: 16 GiB.
	RawMaxBytes int64
	// FreeMarginBytes is what must stay free on a disk: 1 GiB.
	FreeMarginBytes int64
	// PollOnly goes without notifications.
	PollOnly bool
	// Notice, if set, is told what happens, one event at a time.
	Notice func(Event)
	// Begun, if set, is called once the workspace is held, and what an earlier run left half
	// written is swept away: others may write into finished from then on.
	Begun func()
	// Share, if set, is what this workspace shares with others of the computer.
	Share *Share
	// Vitals, if set, tell from moment to moment how the daemon is.
	Vitals *Vitals
	// Changes, if set, brings other settings: of what it brings, Quiet, NetworkQuiet,
	// UnfinishedWait, Rescan, Jobs and RawMaxBytes hold from then on.
	Changes <-chan Settings
	// LockDir is where the lock of this computer lies: the user's own runtime
	// or cache folder.
	LockDir string

	fs       durable.FS // tests fail it on purpose
	unlocked bool       // tests stand in for two computers
	// leaseLife is how long a lease must not have been renewed: leaseLife.
	leaseLife time.Duration
}

func (s Settings) withDefaults() Settings {
	for _, f := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&s.Quiet, 5 * time.Second}, {&s.NetworkQuiet, 30 * time.Second},
		{&s.UnfinishedWait, 2 * time.Minute}, {&s.Rescan, 15 * time.Second},
		{&s.leaseLife, leaseLife},
	} {
		if *f.field <= 0 {
			*f.field = f.value
		}
	}
	if s.RawMaxBytes <= 0 {
		s.RawMaxBytes = 16 << 30
	}
	if s.FreeMarginBytes <= 0 {
		s.FreeMarginBytes = 1 << 30
	}
	if s.fs == nil {
		s.fs = &durable.Disk{}
	}
	return s
}

// quiet is how long a file of the inbox must not have changed.
func (d *daemon) quiet() time.Duration { return time.Duration(d.quietNS.Load()) }

func (d *daemon) setQuiet() {
	quiet := d.set.Quiet
	d.remote = d.set.PollOnly || isNetwork(d.ws.Inbox)
	if d.remote {
		quiet = d.set.NetworkQuiet
	}
	d.quietNS.Store(int64(quiet))
}

// change takes over other settings.
func (d *daemon) change(s Settings) {
	s = s.withDefaults()
	d.set.Quiet, d.set.NetworkQuiet, d.set.UnfinishedWait = s.Quiet, s.NetworkQuiet, s.UnfinishedWait
	d.set.Rescan, d.set.RawMaxBytes = s.Rescan, s.RawMaxBytes
	d.jobs = jobsAtOnce(s.Jobs)
	d.setQuiet()
	d.nextScan = time.Time{}
}
