package watcher

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// daemon is one Run. Everything in it belongs to the goroutine of loop, except
// what says otherwise.
type daemon struct {
	ws      *Workspace
	set     Settings      // changed by change alone; others read what that leaves alone
	hands   Hands         // never changed
	log     *zap.Logger   // safe everywhere
	store   durable.Store // safe everywhere
	me      owner         // never changed
	locked  bool          // never changed
	quietNS atomic.Int64  // read by quiet, which is safe everywhere
	mounts  []mount       // never changed

	telling sync.Mutex // held during set.Notice

	hints     *hints // nil: polling only
	polling   bool   // some folder could not be watched
	remote    bool   // other computers change the inbox, or are to be reckoned with
	folders   map[string]*folderState
	said      map[string]string // the sort of the last line about a path
	blocked   map[string]string // chapters whose names leave a question: signature
	queue     []batch           // ready, smallest first
	owned     []*job            // in working/, waiting for their turn
	running   map[string]*job   // by chapterKey; nil while being claimed
	promised  map[string]room   // what the running jobs need, by chapterKey
	results   chan result
	leases    map[string]stale
	paused    bool
	jobs      int
	sharer    *sharer              // of set.Share
	since     map[string]time.Time // when what waits was first seen, by its path
	nextScan  time.Time
	dirtyAt   time.Time // when to look into the dirty folders; zero: none
	nextBeat  time.Time
	beats     int
	lookTook  time.Duration // the last look
	polledAt  time.Time     // the last look through the whole inbox
	pollTook  time.Duration // that look
	scanPause time.Duration

	troubles     map[string]string // sentences that hold just now, by their sort
	troublesFile string            // where status finds them; "": nowhere

	claimAt    time.Time // no claim before this, after one that failed
	claimPause time.Duration
}

// result is what a worker comes back with.
type result struct {
	key     string
	job     *job // nil if none was claimed or none is left
	batch   batch
	problem string // the names leave a question
	err     error
	claimed bool // not the end: only names the job that was claimed
}

// ErrSlowStop reports that some work did not end in time after a stop. It is
// taken up again at the next start.
var ErrSlowStop = errors.New("some work did not stop in time; it goes on at the next start")

// stopPatience leaves a second of the ten a clean stop may take.
const stopPatience = 9 * time.Second

// Run watches the workspace until ctx is done. It returns nil after a clean
// stop, an ErrHeld if another Run on this computer has the workspace, and an
// ErrSlowStop if a job did not heed ctx.
func Run(ctx context.Context, ws *Workspace, s Settings, hands Hands, log *zap.Logger) error {
	s = s.withDefaults()
	if !s.unlocked {
		release, err := lock(ws, s.LockDir)
		if err != nil {
			return err
		}
		defer release()
	}
	d := newDaemon(ws, s, hands, log)
	defer d.sharer.leave()
	defer s.Vitals.ended()
	if !s.unlocked {
		base, err := lockBase(ws, s.LockDir)
		if err != nil {
			return err
		}
		d.troublesFile = base + troublesEnding
		os.Remove(d.troublesFile) // of a run that was killed
	}
	if err := d.tryRename(); err != nil {
		return err
	}
	if err := ws.keepMounts(d.store, d.mounts); err != nil {
		log.Warn("the disks of finished and archive could not be written down", failure(err)...)
	}
	log.Info("watching " + Plain(ws.Inbox))
	d.listen()
	d.sweep(time.Now())
	if s.Begun != nil {
		s.Begun()
	}
	done := make(chan error, 1)
	go func() { done <- d.runLoop(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	late := time.NewTimer(stopPatience)
	defer late.Stop()
	select {
	case err := <-done:
		return err
	case <-late.C:
		return ErrSlowStop
	}
}

func newDaemon(ws *Workspace, s Settings, hands Hands, log *zap.Logger) *daemon {
	var run [8]byte
	rand.Read(run[:]) // never fails: see crypto/rand.Read
	me := thisOwner(hex.EncodeToString(run[:]))
	d := &daemon{
		ws: ws, set: s, hands: hands, log: log, me: me, locked: !s.unlocked,
		store: durable.Store{FS: s.fs, Tag: shortHash(me.Host, 4)},
		jobs:  jobsAtOnce(s.Jobs), sharer: s.Share.join(), since: map[string]time.Time{},
		folders: map[string]*folderState{}, said: map[string]string{}, blocked: map[string]string{},
		running: map[string]*job{}, promised: map[string]room{}, leases: map[string]stale{},
		results: make(chan result), troubles: map[string]string{},
		mounts: ws.mounts(),
	}
	d.setQuiet()
	return d
}

// listen starts notifications where they are of use.
func (d *daemon) listen() {
	if d.set.PollOnly || pollsByDefault {
		return
	}
	h, err := newHints(d.ws.Inbox)
	if err != nil {
		d.log.Warn("no notifications to be had; polling", zap.Error(err))
		return
	}
	d.hints = h
}

// tryRename proves that a file can be moved from the inbox to working/ in one
// step, which every claim relies on.
func (d *daemon) tryRename() error {
	name := d.store.TempName()
	from, to := filepath.Join(d.ws.Inbox, name), filepath.Join(d.ws.Working, name)
	if err := d.store.Write(from, nil, filePerm); err != nil {
		return fmt.Errorf("try the inbox: %w", err)
	}
	if err := d.store.Rename(from, to); err != nil {
		return fmt.Errorf("inbox and working must lie on one disk, and a file cannot be moved between them: %w",
			errors.Join(err, d.store.Remove(from)))
	}
	return d.store.Remove(to)
}

// debounce gathers the notifications of one copy into one look. Our choice.
const debounce = 250 * time.Millisecond

// runLoop is loop, out of which a panic comes as an error: it must not end the other
// workspaces of the process. What is in work ends, and goes on at the next Run.
func (d *daemon) runLoop(ctx context.Context) (err error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	defer func() {
		if v := recover(); v != nil {
			stop()
			for left := len(d.running); left > 0; {
				if r := <-d.results; !r.claimed {
					left--
				}
			}
			err = &panicError{v, debug.Stack()}
		}
		if d.hints != nil {
			d.hints.close()
		}
	}()
	d.loop(ctx)
	return nil
}

// loop is the one goroutine that owns the state.
func (d *daemon) loop(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	var dirty chan struct{}
	if d.hints != nil {
		dirty = d.hints.ready
	}
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case r := <-d.results:
			d.settleResult(ctx, r)
		case <-dirty:
			if d.dirtyAt.IsZero() {
				d.dirtyAt = time.Now().Add(max(debounce, 4*d.lookTook)) // most of the time is for work
			}
		case <-timer.C:
		case <-d.sharer.woken():
		case s := <-d.set.Changes:
			d.change(s)
		}
		now := time.Now()
		d.set.Vitals.alive()
		d.look(now)
		d.beat(now)
		d.dispatch(ctx, now)
		d.takeVitals(now)
		timer.Reset(max(d.nextWake(now).Sub(now), time.Millisecond))
	}
	d.stop(ctx)
}

// look scans what is due: everything at every rescan, dirty folders soon after
// a notification, and folders in which a file settles.
func (d *daemon) look(now time.Time) {
	looked := false
	if d.hints != nil {
		d.hints.refresh()
	}
	if !now.Before(d.nextScan) {
		d.blocked = map[string]string{}
		d.nextScan = now.Add(d.set.Rescan)
		d.lookForDisks()
		d.poll(now)
		d.adoptAll(now)
		looked = true
	}
	if !d.dirtyAt.IsZero() && !now.Before(d.dirtyAt) {
		d.dirtyAt = time.Time{}
		folders, all, lost := d.hints.take()
		if lost != nil {
			d.set.Vitals.scanFailed()
			d.log.Info("the system could not tell of all that happened in the inbox; everything is looked at anew", zap.Error(lost))
		}
		if all {
			d.poll(now)
		}
		for folder := range folders {
			if folder == "" || d.folders[folder] != nil {
				d.scan(folder, now)
			}
		}
		looked = true
	}
	if next := d.nextPoll(); !next.IsZero() && !now.Before(next) {
		d.poll(now)
		looked = true
	}
	for folder, state := range d.folders {
		if !state.next.IsZero() && !now.Before(state.next) {
			d.scan(folder, now)
			looked = true
		}
	}
	if disk, real := d.set.fs.(*durable.Disk); real && disk.Unconfirmed() {
		const says = "this disk does not confirm that files are safely written; after a power cut run lectern audit"
		d.say(d.ws.Root, "unconfirmed", zap.WarnLevel, says)
		d.trouble("unconfirmed", says)
	}
	if looked {
		d.gather(now)
		d.lookTook = time.Since(now)
	}
}

// nextWake returns when the next thing is due.
func (d *daemon) nextWake(now time.Time) time.Time {
	next := d.nextScan
	sooner := func(t time.Time) {
		if !t.IsZero() && t.Before(next) {
			next = t
		}
	}
	sooner(d.dirtyAt)
	sooner(d.nextPoll())
	if len(d.queue) > 0 && !d.paused && now.Before(d.claimAt) {
		sooner(d.claimAt)
	}
	for _, state := range d.folders {
		sooner(state.next)
	}
	for _, j := range d.owned {
		// Otherwise the end of a running job, or the rescan, is the time to ask.
		if _, busy := d.running[j.Key]; !busy && !d.paused && len(d.running) < d.jobs {
			sooner(j.retryAt)
		}
	}
	if len(d.owned)+len(d.running) > 0 {
		sooner(d.nextBeat)
	}
	if d.sharer.wants() {
		sooner(now.Add(turnPause))
	}
	return next
}

// adoptAll takes over what has no owner in working/.
func (d *daemon) adoptAll(now time.Time) {
	names, err := namesIn(d.ws.Working)
	if err != nil {
		d.log.Warn("the folder working cannot be looked into", failure(err)...)
		return
	}
	for _, name := range names {
		dir := filepath.Join(d.ws.Working, name)
		if kindOf(name) == junk || !d.mayAdopt(dir, now) {
			continue
		}
		j, err := d.adopt(dir)
		if errors.Is(err, errLost) {
			continue
		}
		if err != nil {
			d.log.Error("what an earlier run left in working cannot be taken up", append(failure(err), zap.String("job", name))...)
			continue
		}
		d.log.Info("going on with "+j.label(), about(j.Book, j.Chapter, j.names()...)...)
		delete(d.leases, dir)
		j.retryAt = now.Add(j.patience())
		d.owned = append(d.owned, j)
	}
}

// beat renews the leases of all jobs of this run.
func (d *daemon) beat(now time.Time) {
	if now.Before(d.nextBeat) {
		return
	}
	d.nextBeat = now.Add(leaseBeat)
	d.beats++
	o := d.me
	o.Count = d.beats
	d.signLeases(o)
}

// signLeases writes a lease into every job of this run. One that cannot be
// written is as good as not renewed, which is what a lease is for.
func (d *daemon) signLeases(o owner) {
	sign := func(j *job) {
		if err := writeLease(j.Dir, o); err != nil {
			d.log.Debug("lease not renewed", failure(err)...)
		}
	}
	for _, j := range d.owned {
		sign(j)
	}
	for _, j := range d.running {
		if j != nil {
			sign(j)
		}
	}
}
