package main

import (
	"context"
	"maps"
	"time"

	"lectern/watcher"
)

// diskSigns are what is known of a workspace's disks. They are looked at apart from
// everything else, since a share that is gone may keep whoever asks waiting.
type diskSigns struct {
	free     map[string]int64 // bytes, by inbox, finished and archive
	setAside int              // recordings
}

// diskPause is how often they are looked at. Our choice.
const diskPause = 30 * time.Second

// keepDiskSigns looks at a workspace's disks until ctx is done.
func (w *served) keepDiskSigns(ctx context.Context) {
	select {
	case <-w.opened:
	case <-ctx.Done():
	}
	for ctx.Err() == nil {
		if o, _ := w.now(); o != nil {
			signs := diskSigns{free: map[string]int64{}}
			for name, path := range map[string]string{"inbox": o.ws.Inbox, "finished": o.ws.Finished, "archive": o.ws.Archive} {
				if free, err := watcher.Free(path); err == nil {
					signs.free[name] = free
				}
			}
			if n, err := o.ws.CountSetAside(); err == nil {
				signs.setAside = n
			}
			w.guard.Lock()
			w.disk = signs
			w.guard.Unlock()
		}
		select {
		case <-ctx.Done():
		case <-time.After(diskPause):
		}
	}
}

// diskNow returns what was seen of the disks last.
func (w *served) diskNow() diskSigns {
	w.guard.Lock()
	defer w.guard.Unlock()
	return diskSigns{free: maps.Clone(w.disk.free), setAside: w.disk.setAside}
}
