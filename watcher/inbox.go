package watcher

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lectern/watcher/internal/durable"
)

// tracked is one WAV in the inbox.
type tracked struct {
	folder, name string
	sorted       Sorted
	key          string // chapterKey
	seen         watched

	// What was found out about the file as it looks in seen. Forgotten when it
	// changes.
	asked    bool
	complete Completeness
}

// folderState is one folder of the inbox, "" for the inbox itself.
type folderState struct {
	files map[string]*tracked
	next  time.Time // when a file in it wants another look; zero: at the next rescan
}

// scanAll looks into the inbox and every book folder.
func (d *daemon) scanAll(now time.Time) {
	if !d.scan("", now) {
		return
	}
	for folder := range d.folders {
		if folder != "" {
			d.scan(folder, now)
		}
	}
}

// scan looks into one folder of the inbox and tells whether it could.
func (d *daemon) scan(folder string, now time.Time) bool {
	dir := filepath.Join(d.ws.Inbox, folder)
	d.arm(dir)
	names, err := durable.ListFolder(dir)
	if err != nil {
		d.set.Vitals.scanFailed()
		d.lost(folder, err, now)
		return false
	}
	if folder == "" {
		d.scanPause = 0
		if d.trouble("lost", ""); d.said[dir] == "lost" {
			d.log.Info("the inbox can be looked into again, work goes on")
		}
	}
	delete(d.said, dir)
	state := d.folders[folder]
	if state == nil {
		state = &folderState{files: map[string]*tracked{}}
		d.folders[folder] = state
	}
	here := make(map[string]bool, len(names))
	for _, name := range names {
		here[name] = true
		d.set.Vitals.alive()
		d.enter(state, folder, name, now)
	}
	for name := range state.files {
		if !here[name] {
			delete(state.files, name)
		}
	}
	for path := range d.said {
		if filepath.Dir(path) == dir && !here[filepath.Base(path)] {
			delete(d.said, path)
		}
	}
	if folder == "" {
		for name := range d.folders {
			if name != "" && !here[name] {
				d.forget(name)
			}
		}
	}
	return true
}

// lost deals with a folder that cannot be looked into. A book folder is
// forgotten; a missing inbox is looked for again and again.
func (d *daemon) lost(folder string, err error, now time.Time) {
	dir := filepath.Join(d.ws.Inbox, folder)
	if folder != "" && errors.Is(err, fs.ErrNotExist) {
		d.forget(folder)
		return
	}
	says := fmt.Sprintf("%s: the folder cannot be looked into; trying again until it can", Plain(folder))
	if folder == "" {
		says = "the inbox cannot be looked into; is its disk or share there?"
		d.trouble("lost", says)
		d.folders = map[string]*folderState{}
		d.scanPause = min(max(2*d.scanPause, scanPauseMin), scanPauseMax)
		if again := now.Add(d.scanPause); again.Before(d.nextScan) {
			d.nextScan = again
		}
	}
	d.say(dir, "lost", zapcore.WarnLevel, says, zap.String("book", folder), zap.Error(err))
}

// The pause after a failed scan of the inbox doubles between these.
const (
	scanPauseMin = time.Second
	scanPauseMax = time.Minute
)

func (d *daemon) forget(folder string) {
	delete(d.folders, folder)
	if d.hints != nil {
		d.hints.disarm(filepath.Join(d.ws.Inbox, folder))
	}
}

// arm asks for notifications of a folder. Where the system has no more to give,
// the rescan alone finds everything, only later.
func (d *daemon) arm(dir string) {
	if d.hints == nil {
		return
	}
	err := d.hints.arm(dir)
	switch {
	case err == nil, errors.Is(err, fs.ErrNotExist):
	case !d.polling:
		d.polling = true
		d.log.Warn("the system cannot watch all folders; polling: the inbox is looked through again and again", zap.Error(err))
		d.trouble("polling", "the system cannot watch all folders, so the inbox is looked through again and again (polling), which costs more work")
	}
}

// enter takes note of one name in a folder.
func (d *daemon) enter(state *folderState, folder, name string, now time.Time) {
	kind := kindOf(name)
	if kind == junk {
		return
	}
	path := filepath.Join(d.ws.Inbox, folder, name)
	info, err := os.Lstat(path)
	if err != nil {
		return // gone again, or not readable: the next scan tells
	}
	file := []zap.Field{zap.String("name", name), zap.String("book", folder)}
	switch {
	case info.IsDir() && folder == "":
		if d.folders[name] == nil {
			d.folders[name] = &folderState{files: map[string]*tracked{}}
			d.scan(name, now)
		}
	case info.IsDir():
		d.say(path, "deep", zapcore.WarnLevel, fmt.Sprintf(
			"%s: a folder inside a book folder is too deep and is not looked into; move its recordings up into %s",
			Plain(name), Plain(folder)), file...)
	case !info.Mode().IsRegular():
		d.say(path, "link", zapcore.WarnLevel, fmt.Sprintf(
			"%s: refused, because it is a link or a device and not a file; copy the recording itself here", Plain(name)), file...)
	case kind == audio:
		d.say(path, "format", zapcore.WarnLevel, fmt.Sprintf(
			"%s: not taken, because only WAV keeps the whole sound; export it as WAV, 44.1 kHz, 24 bit, mono", Plain(name)), file...)
	case kind == wav:
		t := state.files[name]
		if t == nil {
			t = d.track(folder, name)
			state.files[name] = t
		}
		seen := t.seen.seen(lookAt(info), now)
		if seen.count == 1 {
			t.asked = false
		}
		t.seen = seen
	}
}

func (d *daemon) track(folder, name string) *tracked {
	t := &tracked{folder: folder, name: name}
	t.sorted = d.askSort(folder, strings.TrimRight(name, ". "))
	t.key = chapterKey(folder, t.sorted.Key)
	return t
}

// askSort is Hands.Sort; a panic in it leaves a question about the file.
func (d *daemon) askSort(folder, name string) (s Sorted) {
	defer func() {
		if v := recover(); v != nil {
			d.log.Error("the program failed while reading a name", failure(&panicError{v, debug.Stack()})...)
			stem := stemOf(name)
			s = Sorted{Chapter: stem, Key: Fold(stem), Role: roleChapter,
				Says: "This file's name makes the program fail. Please give it another one, drop it again, and report the fault."}
		}
	}()
	return d.hands.Sort(folder, name)
}

// stalledAfter is how long a file may be short of what its header promises
// before that is worth a warning. Our choice.
const stalledAfter = 30 * time.Minute

// openPause is how soon a file that is quiet, but still open in the program that writes it,
// is looked at again: nobody tells when it is closed. Our choice.
const openPause = time.Second

// assess tells whether a WAV is ready to be claimed. If refuse is not empty it
// is ready to be set aside with that sentence. Otherwise next says when to look
// again, zero for the next rescan.
func (d *daemon) assess(t *tracked, now time.Time) (ready bool, refuse string, next time.Time) {
	path := filepath.Join(d.ws.Inbox, t.folder, t.name)
	if !t.seen.settled(now, d.quiet()) {
		return false, "", t.seen.nextLook(now, d.quiet())
	}
	quiet := t.seen.quiet(now)
	if t.seen.last.Size == 0 {
		if quiet < d.set.UnfinishedWait {
			d.waits(t, "empty", "waiting, nothing has arrived yet")
			return false, "", t.seen.since.Add(d.set.UnfinishedWait)
		}
		return true, "The file is empty: it holds no sound at all. Export or copy the recording again.", time.Time{}
	}
	if !t.asked {
		open, err := hasWriter(path)
		switch {
		case err != nil:
			d.waits(t, "unreadable", "waiting, because it cannot be opened; its rights must allow this program to read it", zap.Error(err))
			return false, "", time.Time{}
		case open == yes:
			d.waits(t, "open", "waiting, it is still open in the program that writes it")
			return false, "", now.Add(min(d.quiet(), openPause))
		case open == unknown && quiet < 3*d.quiet():
			return false, "", t.seen.since.Add(3 * d.quiet())
		}
	}
	if t.seen.last.Size > d.set.RawMaxBytes {
		return true, fmt.Sprintf("The file is %s large, more than raw_max_gib in lectern.toml allows. Save it in shorter pieces.",
			gigabytes(t.seen.last.Size)), time.Time{}
	}
	if t.sorted.Says != "" {
		asks, err := d.isQuestion(t)
		if err != nil {
			d.waits(t, "unsorted", "waiting, because the finished chapters cannot be looked through", zap.Error(err))
			return false, "", now.Add(d.quiet())
		}
		if asks {
			return true, t.sorted.Says, time.Time{}
		}
	}
	if !t.asked {
		t.complete, t.asked = d.askComplete(path), true // its writer is asked about once more after the claim
	}
	switch t.complete.State {
	case Refused:
		return true, t.complete.Says, time.Time{}
	case Arriving:
		if quiet >= stalledAfter {
			d.waits(t, "stalled", fmt.Sprintf("stalled at %.0f %% for half an hour; copy it again if nothing more comes", t.complete.Percent))
			return false, "", time.Time{}
		}
		d.waits(t, "arriving", fmt.Sprintf("waiting, %.0f %% received", t.complete.Percent), zap.String("says", t.complete.Says))
		return false, "", t.seen.since.Add(stalledAfter)
	case Unfinished:
		if quiet < d.set.UnfinishedWait {
			d.waits(t, "unfinished", fmt.Sprintf("waiting, the recorder has not closed it; it is taken as it stands after %.0f s without a change",
				d.set.UnfinishedWait.Seconds()))
			return false, "", t.seen.since.Add(d.set.UnfinishedWait)
		}
	}
	return true, "", time.Time{}
}

// isQuestion tells whether the name of a file calls for a question. What looks
// like a copy does only if the chapter it would be a copy of waits or was
// finished before.
func (d *daemon) isQuestion(t *tracked) (bool, error) {
	if t.sorted.CopyOf == "" {
		return true, nil
	}
	key := chapterKey(t.folder, d.askSort(t.folder, t.sorted.CopyOf+".wav").Key)
	for _, state := range d.folders {
		for _, other := range state.files {
			if other.key == key {
				return true, nil
			}
		}
	}
	s, err := d.ws.shelf(t.folder, t.sorted.CopyOf, endingFor(t.sorted.Role))
	return s.Highest > 0, err
}

// waits says, once, why a file is not taken yet.
func (d *daemon) waits(t *tracked, sort, why string, fields ...zap.Field) {
	fields = append(about(t.folder, t.sorted.Chapter, t.name), fields...)
	path := filepath.Join(d.ws.Inbox, t.folder, t.name)
	if d.say(path, sort, zapcore.InfoLevel, Plain(t.name)+": "+why, fields...) {
		d.tell(Event{Kind: Waiting, Book: t.folder, Chapter: t.sorted.Chapter, Raws: []string{t.name}, Says: why})
	}
}

// gather works out, from everything tracked, which batches are ready, smallest
// first, and when each folder wants another look.
func (d *daemon) gather(now time.Time) {
	groups := map[string][]*tracked{}
	unready := map[string]bool{}
	d.queue = d.queue[:0]
	for folder, state := range d.folders {
		state.next = time.Time{}
		for _, t := range state.files {
			ready, refuse, next := d.assess(t, now)
			if !next.IsZero() && (state.next.IsZero() || next.Before(state.next)) {
				state.next = next
			}
			switch {
			case refuse != "":
				unready[t.key] = true // its chapter waits until it is out of the way
				d.queue = append(d.queue, d.batchOf(folder, []*tracked{t}, refuse))
			case ready:
				groups[t.key] = append(groups[t.key], t)
			default:
				unready[t.key] = true
			}
		}
	}
	for key, files := range groups {
		if unready[key] || d.blocked[key] == signature(files) {
			continue
		}
		// Two folders that differ only in spelling are one book, but a batch
		// comes out of one folder: the other one is a batch after it.
		slices.SortFunc(files, func(a, b *tracked) int {
			return strings.Compare(a.folder+"/"+a.name, b.folder+"/"+b.name)
		})
		folder := files[0].folder
		end := slices.IndexFunc(files, func(t *tracked) bool { return t.folder != folder })
		if end < 0 {
			end = len(files)
		}
		d.queue = append(d.queue, d.batchOf(folder, files[:end], ""))
	}
	slices.SortFunc(d.queue, func(a, b batch) int { return int(a.bytes() - b.bytes()) })
}

func (d *daemon) batchOf(folder string, files []*tracked, says string) batch {
	b := batch{Key: files[0].key, Book: folder, Chapter: files[0].sorted.Chapter, Says: says}
	for _, t := range files {
		b.Seconds += t.complete.DurationS
		b.Raws = append(b.Raws, origRaw{
			Name: strings.ToValidUTF8(t.name, "\ufffd"), NameHex: hex.EncodeToString([]byte(t.name)),
			Role: t.sorted.Role, Number: t.sorted.Number, Look: t.seen.last,
			TakenUnfinished: t.complete.State == Unfinished,
		})
		if t.complete.DurationS == 0 {
			b.Seconds = 0 // one unknown length: guess from the size
		}
	}
	return b
}

// signature changes whenever a chapter's waiting files do.
func signature(files []*tracked) string {
	var b strings.Builder
	for _, t := range files {
		fmt.Fprintf(&b, "%q %q %v\n", t.folder, t.name, t.seen.last)
	}
	return b.String()
}
