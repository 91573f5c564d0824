package watcher

import (
	"cmp"
	"encoding/json"
	"errors"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lectern/watcher/internal/durable"
)

// Status tells what goes on in a workspace, as its folders show it.
type Status struct {
	Schema string `json:"schema"`
	// WatchedBy is the process that watches the workspace on this computer, 0 if none does.
	WatchedBy int `json:"watched_by"`
	// Troubles are what that process has to say of itself just now.
	Troubles []string  `json:"troubles"`
	Waiting  []Wait    `json:"waiting"`
	Making   []Making  `json:"making"`
	SetAside []Aside   `json:"set_aside"`
	Disk     DiskState `json:"disk"`
}

// Wait is one recording, or one chapter, that waits in the inbox.
type Wait struct {
	Book     string `json:"book"`
	Name     string `json:"name"`
	Says     string `json:"says"`
	NeedsYou bool   `json:"needs_you"` // it does not go on by itself
}

// Making is one job in working/. Share is 0 to 1.
type Making struct {
	Book    string  `json:"book"`
	Chapter string  `json:"chapter"`
	Share   float64 `json:"share"`
	// Alone is set if nobody works on it: the next start goes on with it.
	Alone bool `json:"alone"`
}

// Aside is one recording that was set aside.
type Aside struct {
	Book string `json:"book"`
	Name string `json:"name"`
	Says string `json:"says"`
}

// DiskState tells how much room is left. HoursLeft is how many hours of recordings
// fit: see HoursLeft of roomLeft.
type DiskState struct {
	FreeBytes int64   `json:"free_bytes"`
	HoursLeft float64 `json:"hours_left"`
}

// StatusSchema is the name and version of Status's shape.
const StatusSchema = "lectern-status/1"

// NeedsYou tells whether anything in it does not go on by itself.
func (s Status) NeedsYou() bool {
	return len(s.SetAside)+len(s.Troubles) > 0 || slices.ContainsFunc(s.Waiting, func(w Wait) bool { return w.NeedsYou })
}

// Status reads the folders and changes nothing. It needs no running daemon: it looks
// at the inbox with the daemon's own eyes, as if the quiet time were over.
func (ws *Workspace) Status(s Settings, hands Hands) (Status, error) {
	out := Status{Schema: StatusSchema, Troubles: []string{}, Waiting: []Wait{}, Making: []Making{}, SetAside: []Aside{}}
	var err error
	if out.WatchedBy, out.Troubles, err = watchedBy(ws, s.LockDir); err != nil {
		return Status{}, err
	}
	if says := ws.diskAway(ws.mounts()); says != "" && !slices.Contains(out.Troubles, says) {
		out.Troubles = append(out.Troubles, says) // no daemon says so
	}
	if out.Waiting, err = ws.waiting(s, hands); err != nil {
		return Status{}, err
	}
	if out.Making, err = ws.making(); err != nil {
		return Status{}, err
	}
	if out.SetAside, err = ws.aside(); err != nil {
		return Status{}, err
	}
	out.Disk, err = ws.roomLeft(s.withDefaults().FreeMarginBytes)
	return out, err
}

// waiting asks the daemon's own code about every file in the inbox, and collects the
// lines it would log.
func (ws *Workspace) waiting(s Settings, hands Hands) ([]Wait, error) {
	if _, err := durable.ListFolder(ws.Inbox); err != nil {
		return nil, err
	}
	lines := &lineCollector{}
	s.Notice, s.Share, s.Vitals, s.unlocked = nil, nil, nil, true
	d := newDaemon(ws, s.withDefaults(), hands, zap.New(lines))
	now := time.Now()
	for range looksMin {
		d.scanAll(now)
		now = now.Add(3 * d.quiet() / looksMin)
	}
	now = now.Add(3 * d.quiet())
	d.gather(now)
	out := lines.waits
	told := map[string]bool{}
	for _, w := range out {
		told[filepath.Join(w.Book, w.Name)] = true
	}
	jobs, err := namesIn(ws.Working)
	if err != nil {
		return nil, err
	}
	for _, b := range d.queue {
		says, needs := b.Says, b.Says != ""
		if says == "" {
			problem, err := d.question(b)
			if err != nil && problem == "" {
				return nil, err
			}
			says, needs = problem, problem != ""
		}
		inWork := slices.ContainsFunc(jobs, func(name string) bool { return strings.HasPrefix(name, b.Key+"-") })
		if b.Says != "" {
			says = "about to be set aside: " + says
		} else if needs {
			says = "waiting, " + says
		}
		for _, r := range b.Raws {
			w := Wait{Book: b.Book, Name: r.name(), Says: says, NeedsYou: needs}
			switch {
			case w.Says != "":
			case inWork:
				w.Says = "complete, taken when what is being made of its chapter just now is done"
			default:
				w.Says = "complete, taken as soon as it has been quiet for a while"
			}
			out, told[filepath.Join(w.Book, w.Name)] = append(out, w), true
		}
	}
	out = append(out, d.untold(told, now)...)
	for i := range out {
		w := &out[i]
		info, err := os.Lstat(filepath.Join(ws.Inbox, w.Book, w.Name))
		if err == nil && strings.Contains(w.Says, "received") && time.Since(info.ModTime()) > stalledAfter {
			w.Says += ", and nothing has come for half an hour. Copy it again, or take what is there: lectern retry --as-is"
			w.NeedsYou = true
		}
	}
	slices.SortFunc(out, func(a, b Wait) int { return cmp.Or(strings.Compare(a.Book, b.Book), strings.Compare(a.Name, b.Name)) })
	return out, nil
}

// untold tells of the recordings nothing was said of yet, by their paths in the inbox.
func (d *daemon) untold(told map[string]bool, now time.Time) (out []Wait) {
	for folder, state := range d.folders {
		for name, t := range state.files {
			switch {
			case told[filepath.Join(folder, name)]:
			case t.seen.settled(now, d.quiet()):
				out = append(out, Wait{Book: folder, Name: name, Says: "complete, taken together with the rest of its chapter, which is not ready yet"})
			default:
				out = append(out, Wait{Book: folder, Name: name, Says: "waiting, it is still being written"})
			}
		}
	}
	return out
}

// lineCollector is a log that keeps what is said about files.
type lineCollector struct{ waits []Wait }

// Enabled implements zapcore.Core.
func (*lineCollector) Enabled(zapcore.Level) bool { return true }

// With implements zapcore.Core.
func (l *lineCollector) With([]zapcore.Field) zapcore.Core { return l }

// Check implements zapcore.Core.
func (l *lineCollector) Check(e zapcore.Entry, c *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	return c.AddCore(e, l)
}

// Write implements zapcore.Core.
func (l *lineCollector) Write(e zapcore.Entry, fields []zapcore.Field) error {
	w := Wait{Says: e.Message, NeedsYou: e.Level >= zapcore.WarnLevel}
	for _, f := range fields {
		switch f.Key {
		case "name":
			w.Name = f.String
		case "raws":
			read := zapcore.NewMapObjectEncoder()
			f.AddTo(read)
			if raws, _ := read.Fields["raws"].([]any); len(raws) == 1 {
				w.Name, _ = raws[0].(string)
			}
		case "book", "folder":
			w.Book = f.String
		case "error":
			w.NeedsYou = true
		}
	}
	w.Says = strings.TrimPrefix(w.Says, Plain(w.Name)+": ")
	if w.Name != "" || w.Book != "" {
		l.waits = append(l.waits, w)
	}
	return nil
}

// Sync implements zapcore.Core.
func (*lineCollector) Sync() error { return nil }

// making lists the jobs in working/.
func (ws *Workspace) making() ([]Making, error) {
	names, err := namesIn(ws.Working)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	out := []Making{}
	for _, name := range names {
		if kindOf(name) == junk {
			continue
		}
		dir := filepath.Join(ws.Working, name)
		var o orig
		if readJSON(filepath.Join(dir, "orig.json"), &o) != nil {
			continue // gone meanwhile, or none of ours: audit tells of it
		}
		j := jobOf(dir, o)
		if j.Ask != nil && j.Ask.Kind == shelve {
			continue // nothing is made
		}
		m := Making{Book: j.Book, Chapter: j.label(), Alone: !ownerLives(dir)}
		var p progressPaper
		if readJSON(j.path(progressFile), &p) == nil {
			m.Share = p.Share
		}
		out = append(out, m)
	}
	return out, nil
}

// aside lists what was set aside and still lies there. Of several reports that tell of
// one recording the newest counts.
func (ws *Workspace) aside() ([]Aside, error) {
	books, err := booksIn(ws.SetAside)
	if err != nil {
		return nil, err
	}
	out := []Aside{}
	slices.Sort(books)
	for _, book := range append([]string{""}, books...) {
		if book == "superseded" {
			continue
		}
		dir := filepath.Join(ws.SetAside, book)
		names, err := namesIn(dir)
		if err != nil {
			return nil, err
		}
		slices.Sort(names)
		newest := map[string]setAsideReport{} // by the recording's name there
		var files []string
		given := map[string]string{}
		for _, name := range names {
			var r setAsideReport
			if path.Ext(name) != ".json" || readJSON(filepath.Join(dir, name), &r) != nil {
				continue // none of ours: audit tells of it
			}
			for _, raw := range r.Raws {
				name := fromHex(raw.NameHex, raw.Name)
				file := outStem(stemOf(name)) + ".wav"
				known, again := newest[file]
				if again && known.MadeAt >= r.MadeAt || !exists(filepath.Join(dir, file)) {
					continue
				}
				if !again {
					files = append(files, file)
				}
				newest[file], given[file] = r, name
			}
		}
		for _, file := range files {
			out = append(out, Aside{Book: book, Name: given[file], Says: newest[file].Says})
		}
	}
	return out, nil
}

// What an hour of recordings keeps on the disk: the raw, taken to be 24 bit, 44.1 kHz,
// mono, and the MP3. While a chapter is made its scratch is there as well; room for
// that of an hour, and the margin nothing is claimed below, is set apart first.
const (
	hourS              = 3600
	keptBytesPerSecond = 44100*3 + 192000/8
)

// roomLeft tells how much is free on the fullest of the disks, and for how many hours.
func (ws *Workspace) roomLeft(margin int64) (DiskState, error) {
	free := int64(math.MaxInt64)
	for _, folder := range []string{ws.Working, ws.Finished, ws.Archive} {
		n, err := freeBytes(folder)
		if err != nil {
			return DiskState{}, err
		}
		free = min(free, n)
	}
	left := float64(free-margin) - hourS*(scratchBytesPerSecond+mp3BytesPerSecond)
	return DiskState{FreeBytes: free, HoursLeft: math.Round(max(0, left)/(hourS*keptBytesPerSecond)*10) / 10}, nil
}

// progressFile, in a job's folder, tells how far its making has come.
const progressFile = "progress"

type progressPaper struct {
	Share float64 `json:"share"`
}

// progressPause is how often it is written at most. Our choice.
const progressPause = time.Second

// writeProgress replaces it in one step. It need not last, and a share that cannot be
// written is only not shown.
func writeProgress(jobDir string, share float64) {
	data, err := json.Marshal(progressPaper{share})
	if err != nil {
		return
	}
	temp := filepath.Join(jobDir, progressFile+".new")
	if os.WriteFile(temp, data, filePerm) == nil {
		_ = os.Rename(temp, filepath.Join(jobDir, progressFile))
	}
}

// trouble keeps the sentence that holds just now about one sort of trouble, "" once it
// is over, where status finds it.
func (d *daemon) trouble(sort, says string) {
	if d.troubles[sort] == says {
		return
	}
	if d.troubles[sort] = says; says == "" {
		delete(d.troubles, sort)
	}
	if d.troublesFile == "" {
		return
	}
	var all []string
	for _, says := range d.troubles {
		all = append(all, says)
	}
	slices.Sort(all)
	data, err := json.Marshal(all)
	if err == nil {
		err = os.WriteFile(d.troublesFile+".new", data, 0o600)
	}
	if err == nil {
		err = os.Rename(d.troublesFile+".new", d.troublesFile)
	}
	if err != nil {
		d.log.Debug("the state for lectern status could not be written", failure(err)...)
	}
}

// watchedBy reads who watches a workspace on this computer, and its troubles. The lock
// itself is not touched: trying it would turn away a daemon that starts just then.
func watchedBy(ws *Workspace, dir string) (pid int, troubles []string, err error) {
	base, err := lockBase(ws, dir)
	if err != nil {
		return 0, nil, err
	}
	if pid, err = readHolder(base); err != nil || pid == 0 || !processLives(pid) {
		return 0, []string{}, err
	}
	err = readJSON(base+troublesEnding, &troubles)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotJSON) {
		err = nil
	}
	if troubles == nil {
		troubles = []string{}
	}
	return pid, troubles, err
}
