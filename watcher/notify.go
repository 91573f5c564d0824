package watcher

import (
	"os"
	"path/filepath"
	"sync"

	"github.com/fsnotify/fsnotify"
)

// hints turns notifications into "this folder may have changed". Their names,
// order and number are not to be trusted, so nothing else is read from them.
type hints struct {
	// ready receives after folders have become dirty.
	ready chan struct{}

	watcher *fsnotify.Watcher
	inbox   string
	done    chan struct{}

	mu    sync.Mutex
	dirty map[string]bool // book folders, "" for the inbox itself
	all   bool            // everything is dirty
	lost  error           // why notifications were lost, nil if none were

	// Owned by the scanning goroutine: what was armed, and what the system still
	// watches of it, as of the last refresh.
	armed map[string]os.FileInfo
	alive map[string]bool
}

// newHints starts listening, to nothing yet.
func newHints(inbox string) (*hints, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	h := &hints{
		ready: make(chan struct{}, 1), watcher: w, inbox: inbox, done: make(chan struct{}),
		dirty: map[string]bool{}, armed: map[string]os.FileInfo{}, alive: map[string]bool{},
	}
	go h.listen()
	return h, nil
}

// listen drains both channels and does nothing slow, or events would be lost.
func (h *hints) listen() {
	defer close(h.done)
	for {
		select {
		case e, open := <-h.watcher.Events:
			if !open {
				return
			}
			folder := filepath.Dir(e.Name)
			if folder == filepath.Dir(h.inbox) {
				h.mark("", true) // about the inbox itself
				continue
			}
			rel, err := filepath.Rel(h.inbox, folder)
			if rel == "." {
				rel = ""
			}
			h.mark(rel, err != nil)
		case err, open := <-h.watcher.Errors:
			if !open {
				return
			}
			h.mu.Lock()
			h.lost = err // overflow above all: what was lost is unknown
			h.mu.Unlock()
			h.mark("", true)
		}
	}
}

func (h *hints) mark(folder string, all bool) {
	h.mu.Lock()
	h.dirty[folder] = true
	h.all = h.all || all
	h.mu.Unlock()
	select {
	case h.ready <- struct{}{}:
	default:
	}
}

// take returns the dirty folders, whether all are, and why notifications were lost;
// and forgets them.
func (h *hints) take() (folders map[string]bool, all bool, lost error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	folders, all, lost = h.dirty, h.all, h.lost
	h.dirty, h.all, h.lost = map[string]bool{}, false, nil
	return folders, all, lost
}

// refresh asks what is still watched: an unmounted folder is dropped without a word.
// It is to be called before a round of arm.
func (h *hints) refresh() {
	clear(h.alive)
	for _, path := range h.watcher.WatchList() {
		h.alive[path] = true
	}
}

// arm makes sure a folder is watched, also after another folder has taken its
// place. It must be called before the folder is scanned.
func (h *hints) arm(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if was, armed := h.armed[path]; armed && os.SameFile(was, info) && h.alive[path] {
		return nil
	}
	h.disarm(path)
	if err := h.watcher.Add(path); err != nil {
		return err
	}
	h.armed[path], h.alive[path] = info, true
	return nil
}

// disarm forgets a folder that is gone.
func (h *hints) disarm(path string) {
	if _, armed := h.armed[path]; armed {
		delete(h.armed, path)
		// The system has usually dropped the watch by itself; then this is an
		// error that means nothing.
		_ = h.watcher.Remove(path)
	}
}

func (h *hints) close() {
	h.watcher.Close()
	<-h.done
}
