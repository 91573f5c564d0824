package main

import (
	"context"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"

	"lectern/config"
	"lectern/watcher"
)

// reload reads all settings anew. What cannot be read is said, and what was in force
// stays.
func (s *service) reload(ctx context.Context) {
	if s.file != "" {
		set, err := config.LoadService(s.file)
		if err != nil {
			s.log.Error("the settings of the service cannot be used, so the old ones stay in force: " + watcher.Plain(err.Error()))
		} else {
			s.take(ctx, set)
		}
	}
	var all sync.WaitGroup
	for _, w := range s.all() {
		all.Go(func() { s.reloadOne(w) })
	}
	done := make(chan struct{})
	go func() {
		all.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
	case <-time.After(reloadPatience): // one whose share hangs takes them when it comes back
	}
}

// reloadPatience is how long the others wait for the settings of one workspace. Our choice.
const reloadPatience = 5 * time.Second

// take takes over other settings of the service.
func (s *service) take(ctx context.Context, set config.Service) {
	if set.LogFile != s.set.LogFile || set.LogFileMaxMiB != s.set.LogFileMaxMiB || set.LogFilesKept != s.set.LogFilesKept {
		s.log.Warn("other settings of the log file are used from the next start on")
	}
	if set.Listen != s.set.Listen {
		if err := s.answer(set.Listen); err != nil {
			s.log.Error("nothing can be answered at another address, so the old one stays: " + watcher.Plain(err.Error()))
			set.Listen = s.set.Listen
		}
	}
	s.share.Resize(set.Jobs)
	s.set = set
	s.follow(ctx, set.Workspaces)
}

// reloadOne reads one workspace's settings anew, or tries again to watch it.
func (s *service) reloadOne(w *served) {
	w.reloading.Lock()
	defer w.reloading.Unlock()
	o, _ := w.now()
	if o == nil {
		select {
		case w.again <- struct{}{}:
		default: // it is about to be tried
		}
		return
	}
	log := s.logOf(w)
	set, err := config.Load(filepath.Join(w.dir, watcher.SettingsFile))
	if err == nil {
		err = config.Set(&set, s.flags...)
	}
	if err != nil {
		log.Error("the settings cannot be used, so the old ones stay in force: " + watcher.Plain(err.Error()))
		return
	}
	if old := o.hands.set(); set.Folders != old.Folders {
		log.Warn("other folders for finished or archive are used from the next start on")
		set.Folders = old.Folders
	}
	o.hands.live.change(set)
	select {
	case <-w.changes: // older ones that it has not taken yet
	default:
	}
	w.changes <- o.hands.watch()
	log.Info("the settings were read anew; they hold for the next recording", zap.String("settings", set.Chapter.SHA256()))
}
