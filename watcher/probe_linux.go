package watcher

import (
	"context"
	"io/fs"
	"path/filepath"
	"strconv"
)

// instancesMin is how many programs of a user must be able to watch folders. Our choice:
// a desktop has a few dozen of them.
const instancesMin = 16

// tryLimits compares what the system lets a user watch with the folders of the inbox
// (inotify(7); a queue that overflows is only answered by a look at everything).
func (p *prober) tryLimits(context.Context) {
	if p.ws == nil || p.set.PollOnly {
		return
	}
	const what = "watching folders"
	limit := func(name string) int {
		n, err := strconv.Atoi(firstLine(filepath.Join(p.limitsDir, name)))
		if err != nil {
			return -1
		}
		return n
	}
	watches, instances, queue := limit("max_user_watches"), limit("max_user_instances"), limit("max_queued_events")
	need := 2 * p.bookFolders() // our choice: other programs of the user watch too
	switch {
	case watches < 0 || instances < 0 || queue < 0:
		p.ok(what, "what the system allows cannot be read; where it is too little, lectern looks by itself")
	case watches < need:
		p.todo(what, "the system lets a user watch %d folders, and inbox with its books needs about %d; new recordings would be found later. "+
			"Raise it: sysctl fs.inotify.max_user_watches=65536", watches, need)
	case instances < instancesMin:
		p.todo(what, "the system lets only %d programs of a user watch folders, so that lectern may get no turn. "+
			"Raise it: sysctl fs.inotify.max_user_instances=128", instances)
	default:
		p.ok(what, "the system lets a user watch %d folders, and keeps %d notices waiting; inbox with its books has %d", watches, queue, p.bookFolders())
	}
}

// liesInCloud is not marked on Linux.
func liesInCloud(fs.FileInfo) bool { return false }
