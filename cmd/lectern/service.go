package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"lectern/config"
	"lectern/watcher"
)

// service is the daemon: one watcher a workspace, and what they have in common. Its
// methods belong to the goroutine of run, except what says otherwise.
type service struct {
	file    string // of its settings; "" if there is none
	set     config.Service
	flags   []string // of --set
	poll    bool
	persist bool // a workspace that cannot be watched is tried again
	log     *zap.Logger
	share   *watcher.Share // nil for one workspace alone
	metrics *metrics
	listen  *listener // nil if nothing is answered

	guard  sync.Mutex // over served
	served []*served  // in the order of the settings

	running sync.WaitGroup
	failed  chan error // why the only workspace ended
}

// served is one workspace of a service.
type served struct {
	dir, name string // name is unique among all
	vitals    watcher.Vitals
	stop      context.CancelFunc
	ended     chan struct{}         // closed when it is no longer watched
	again     chan struct{}         // try at once what is to be tried later
	opened    chan struct{}         // closed once it is watched, or cannot be
	once      sync.Once             // closes opened
	changes   chan watcher.Settings // the newest, until it is taken
	reloading sync.Mutex            // held by whoever puts some there

	guard sync.Mutex
	open  *open  // what is watched; nil if it is not
	says  string // why it is not watched; "" if it is, or nobody knows yet
	disk  diskSigns
}

// open is a workspace that is watched.
type open struct {
	ws    *watcher.Workspace
	hands hands
}

// The pause before a workspace that cannot be watched is tried again doubles between these.
// Our choice.
const (
	reopenMin = 5 * time.Second
	reopenMax = 5 * time.Minute
	// firstPatience is how long the start waits for every workspace to be watched.
	firstPatience = 10 * time.Second
	// endPatience is how long the end waits for them; the watcher's own is shorter.
	endPatience = 9500 * time.Millisecond
)

func newService(set config.Service, file string, flags []string, poll bool, log *zap.Logger) *service {
	s := &service{
		file: file, set: set, flags: flags, poll: poll, log: log, persist: file != "" || len(set.Workspaces) > 1,
		failed: make(chan error, 1),
	}
	if s.persist {
		s.share = watcher.NewShare(set.Jobs)
	}
	s.metrics = newMetrics(s)
	return s
}

// run watches all workspaces until ctx is done. reload brings the wish to read all
// settings anew; it may be nil.
func (s *service) run(ctx context.Context, reload <-chan struct{}) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	if err := s.answer(s.set.Listen); err != nil && s.file == "" {
		return err
	} else if err != nil { // recordings come first
		s.log.Error("nobody can be answered, and recordings are mastered all the same; free that address or name another, then reload: " + watcher.Plain(err.Error()))
		s.set.Listen = ""
	}
	defer func() { s.listen.close() }()
	s.follow(ctx, s.set.Workspaces)
	told := newNotices(s)
	told.ready(s.allOpened(ctx))
	tick := time.NewTicker(noticePause)
	defer tick.Stop()
	var err error
	for done := false; !done; {
		select {
		case <-ctx.Done():
			done = true
		case err = <-s.failed:
			done = true
		case <-reload:
			told.reloading()
			s.reload(ctx)
			told.ready(nil)
		case <-tick.C:
			told.tick(time.Now())
		}
	}
	told.stopping()
	stop()
	return cmp.Or(err, s.end())
}

// end waits for all workspaces to be left alone.
func (s *service) end() error {
	all := make(chan struct{})
	go func() {
		s.running.Wait()
		close(all)
	}()
	late := time.NewTimer(endPatience)
	defer late.Stop()
	select {
	case <-all:
	case <-late.C:
		return watcher.ErrSlowStop
	}
	select {
	case err := <-s.failed:
		return err
	default:
		return nil
	}
}

// all are the workspaces. It may be called from anywhere.
func (s *service) all() []*served {
	s.guard.Lock()
	defer s.guard.Unlock()
	return slices.Clone(s.served)
}

// find returns the workspace of a name, nil if there is none. It may be called from
// anywhere.
func (s *service) find(name string) *served {
	for _, w := range s.all() {
		if w.name == name {
			return w
		}
	}
	return nil
}

// follow has just these workspaces watched: others are let go, new ones begun.
func (s *service) follow(ctx context.Context, dirs []string) {
	var keep []*served
	for _, w := range s.all() {
		if slices.Contains(dirs, w.dir) {
			keep = append(keep, w)
			continue
		}
		w.stop()
		select {
		case <-w.ended:
		case <-time.After(endPatience): // its share hangs
		}
		s.metrics.forget(w.name)
		s.log.Info("no longer watching " + watcher.Plain(w.dir))
	}
	var fresh, all []*served
	for _, dir := range dirs {
		i := slices.IndexFunc(keep, func(w *served) bool { return w.dir == dir })
		if i >= 0 {
			all = append(all, keep[i])
			continue
		}
		w := &served{
			dir: dir, name: unusedName(dir, append(keep, fresh...)),
			ended: make(chan struct{}), again: make(chan struct{}, 1), opened: make(chan struct{}),
			changes: make(chan watcher.Settings, 1),
		}
		s.metrics.begin(w.name)
		fresh, all = append(fresh, w), append(all, w)
	}
	s.guard.Lock()
	s.served = all
	s.guard.Unlock()
	for _, w := range fresh {
		own, stop := context.WithCancel(ctx)
		w.stop = stop
		s.running.Go(func() {
			defer close(w.ended)
			s.keepWatching(own, w)
		})
		go w.keepDiskSigns(own)
	}
}

// unusedName is the name of a workspace's folder, with a number behind it if others have
// that name.
func unusedName(dir string, others []*served) string {
	base := filepath.Base(dir)
	if abs, err := filepath.Abs(dir); err == nil {
		base = filepath.Base(abs)
	}
	name := base
	for n := 2; slices.ContainsFunc(others, func(w *served) bool { return w.name == name }); n++ {
		name = fmt.Sprintf("%s (%d)", base, n)
	}
	return name
}

// allOpened returns a channel that is closed when each workspace is watched, or cannot be,
// or it has taken too long to find out.
func (s *service) allOpened(ctx context.Context) <-chan struct{} {
	done := make(chan struct{})
	go func() {
		defer close(done)
		late := time.NewTimer(firstPatience)
		defer late.Stop()
		for _, w := range s.all() {
			select {
			case <-w.opened:
			case <-late.C:
				return
			case <-ctx.Done():
				return
			}
		}
	}()
	return done
}

// keepWatching watches one workspace until ctx is done, and tries again and again where it
// cannot.
func (s *service) keepWatching(ctx context.Context, w *served) {
	log := s.logOf(w)
	said := "" // each sort of trouble once, until the workspace has been watched again
	for pause := reopenMin; ; pause = min(2*pause, reopenMax) {
		began := time.Now()
		err := s.watchOne(ctx, w, log)
		w.closed(err)
		if !s.persist {
			s.failed <- err
			return
		}
		if ctx.Err() != nil {
			if err != nil && !errors.Is(err, context.Canceled) {
				log.Warn("not stopped in time", zap.Error(err))
			}
			return
		}
		if time.Since(began) > reopenMax {
			pause, said = reopenMin, ""
		}
		if says := err.Error(); says != said {
			said = says
			log.Error("this workspace cannot be watched; it is tried again by itself, and the others go on: "+watcher.Plain(says), zap.String("dir", w.dir))
		}
		select {
		case <-ctx.Done():
			return
		case <-w.again:
		case <-time.After(pause):
		}
	}
}

// logOf is the log in which lines about a workspace stand: with its name, on a terminal
// only where there may be several.
func (s *service) logOf(w *served) *zap.Logger {
	log := s.log.With(zap.String(fieldWorkspace, w.name))
	if s.persist {
		log = log.Named(watcher.Plain(w.name))
	}
	return log
}

// watchOne watches a workspace until ctx is done or it fails.
func (s *service) watchOne(ctx context.Context, w *served, log *zap.Logger) (err error) {
	defer func() {
		if v := recover(); v != nil { // the others must go on
			err = fmt.Errorf("the program failed: %v", v)
		}
	}()
	ws, settings, err := openWorkspace(w.dir, s.flags)
	if err != nil {
		return err
	}
	h := newHands(ws, settings, s.flags, log)
	set := h.watch()
	set.PollOnly, set.Share, set.Vitals, set.Changes = s.poll, s.share, &w.vitals, w.changes
	set.Notice = func(e watcher.Event) { s.metrics.count(w.name, e) }
	if says := probeWarning(ws, set); says != "" {
		log.Warn(says)
	}
	w.opens(&open{ws, h})
	return watchAndKeep(ctx, newLibrary(ws, h, log), set)
}

// opens notes that the workspace is watched.
func (w *served) opens(o *open) {
	w.guard.Lock()
	defer w.guard.Unlock()
	w.open, w.says = o, ""
	w.once.Do(func() { close(w.opened) })
}

// closed notes that it is not, and why.
func (w *served) closed(err error) {
	w.guard.Lock()
	defer w.guard.Unlock()
	w.open = nil
	if err != nil {
		w.says = err.Error()
	}
	w.once.Do(func() { close(w.opened) })
}

// now returns what is watched, nil if nothing is, and why not.
func (w *served) now() (*open, string) {
	w.guard.Lock()
	defer w.guard.Unlock()
	return w.open, w.says
}

// Of a daemon that does not come round. Our choice.
const (
	// roundSlack is how much longer than three rescans a round may take.
	roundSlack = 2 * time.Minute
	// stillMax is how long a chapter that is being made may not move.
	stillMax = 10 * time.Minute
)

// stuck tells in a sentence that a workspace is watched but nothing moves there, "" if all
// is well.
func (w *served) stuck(now time.Time) string {
	o, _ := w.now()
	if o == nil {
		return ""
	}
	return stuckSays(w.vitals.Now(), o.hands.watch().Rescan, now)
}

func stuckSays(signs watcher.Signs, rescan time.Duration, now time.Time) string {
	switch longest := 3*rescan + roundSlack; {
	case !signs.LookedAt.IsZero() && now.Sub(signs.LookedAt) > longest:
		return fmt.Sprintf("nothing has been looked at for %.0f s; is its disk or share there?", now.Sub(signs.LookedAt).Seconds())
	case !signs.MovedAt.IsZero() && now.Sub(signs.MovedAt) > stillMax:
		return fmt.Sprintf("a chapter that is being made has not moved for %.0f minutes", now.Sub(signs.MovedAt).Minutes())
	}
	return ""
}
