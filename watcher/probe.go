package watcher

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lectern/watcher/internal/durable"
)

// Probe tells, line by line, whether a place can be trusted with recordings.
type Probe struct {
	Schema string      `json:"schema"`
	OK     bool        `json:"ok"` // every line is
	Lines  []ProbeLine `json:"lines"`
	TookS  float64     `json:"took_s"`
}

// ProbeLine is one thing that was tried. Says tells what was found and what it means,
// and where it is not OK what to do.
type ProbeLine struct {
	What string `json:"what"`
	OK   bool   `json:"ok"`
	Says string `json:"says"`
}

// ProbeSchema is the name and version of Probe's shape.
const ProbeSchema = "lectern-probe/1"

// Probe tries the folders of a workspace with the watcher's own ways of working. What it
// makes bears temporary names, which no daemon takes for a recording, and is removed
// again, also if ctx ends; then the lines so far come with ctx's error.
func (ws *Workspace) Probe(ctx context.Context, s Settings) (Probe, error) {
	p := newProber(ws, s)
	return p.run(ctx, p.steps())
}

// ProbeFolder tries a folder in which a workspace is to be made. If it is not there yet,
// its nearest parent that is there is tried.
func ProbeFolder(ctx context.Context, dir string, s Settings) (Probe, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return Probe{}, fmt.Errorf("find folder: %w", err)
	}
	p := newProber(nil, s)
	return p.run(ctx, p.stepsIn(dir))
}

// Our choice: how long a notification may take to arrive, and how long everything else may,
// which on a disk in this computer takes well under a second.
const (
	notified = 2 * time.Second
	slowly   = 10 * time.Second
)

// prober is one probe.
type prober struct {
	ws    *Workspace // nil: there is no place to try
	place string     // whose parents tell where the workspace lies
	isNew bool       // ws is only for the trial
	set   Settings
	me    owner
	store durable.Store
	lines []ProbeLine
	made  []string // what is to be removed again
	began time.Time
	bad   map[string]bool // folders in which a file cannot be made
	disks []probeDisk     // see onDisks

	// What tests stand in for.
	now       func() time.Time
	patience  time.Duration
	slowly    time.Duration
	listen    func(folder string) (told <-chan struct{}, stop func(), err error)
	hasWriter func(path string) (answer, error)
	limitsDir string
	newDisk   func() durable.FS // one that was not asked for anything yet
}

func newProber(ws *Workspace, s Settings) *prober {
	p := &prober{
		ws: ws, me: thisOwner(""), bad: map[string]bool{},
		now: time.Now, patience: notified, slowly: slowly, listen: listenTo, hasWriter: hasWriter, limitsDir: "/proc/sys/fs/inotify",
		newDisk: func() durable.FS { return &durable.Disk{} },
	}
	if ws != nil {
		p.place = ws.Root
	}
	p.set = s.withDefaults()
	p.store = durable.Store{FS: p.set.fs, Tag: shortHash(p.me.Host, 4) + "-" + probeTag}
	if given := s.fs; given != nil {
		p.newDisk = func() durable.FS { return given }
	}
	return p
}

// probeTag is part of the name of all that a probe makes. Such a name is also one of the
// daemon's of this computer, so that a start removes what a killed probe left.
const probeTag = "probe"

// probeText is what the files of a trial hold.
const probeText = "lectern tries this place\n"

// isProbeFile tells whether an own temporary file is one that a probe left.
func isProbeFile(name string, info fs.FileInfo) bool {
	return strings.Contains(name, "-"+probeTag+"-") && info.Size() <= int64(len(probeText))
}

// steps are everything that is tried, in order. What may take long comes last.
func (p *prober) steps() []func(context.Context) {
	return []func(context.Context){
		p.tryRights, p.tryDisks, p.tryRename, p.tryNoClobber, p.tryFlush, p.tryNames, p.tryWriter,
		p.tryClock, p.tryRoom, p.tryOthers, p.trySynced, p.tryLimits, p.tryMachine, p.trySpeed, p.tryNotice,
	}
}

// stepsIn are those for a folder that is no workspace yet.
func (p *prober) stepsIn(dir string) []func(context.Context) {
	return append([]func(context.Context){func(context.Context) { p.makeTrialWorkspace(dir) }}, p.steps()...)
}

func (p *prober) run(ctx context.Context, steps []func(context.Context)) (Probe, error) {
	began := time.Now()
	p.began = p.now()
	swept := false
	func() {
		defer func() { swept = p.tidy() }()
		for _, step := range steps {
			if ctx.Err() != nil {
				return
			}
			step(ctx)
		}
	}()
	out := Probe{Schema: ProbeSchema, Lines: p.lines, TookS: time.Since(began).Seconds()}
	out.OK = !slices.ContainsFunc(p.lines, func(l ProbeLine) bool { return !l.OK })
	switch {
	case ctx.Err() != nil:
		return out, fmt.Errorf("try the place: %w", ctx.Err())
	case swept:
		return out, errors.New("a lectern was started meanwhile and tidied the trial away; try again")
	}
	return out, nil
}

// ok and todo add a line.
func (p *prober) ok(what, says string, args ...any) {
	p.lines = append(p.lines, ProbeLine{what, true, fmt.Sprintf(says, args...)})
}

func (p *prober) todo(what, says string, args ...any) {
	p.lines = append(p.lines, ProbeLine{what, false, fmt.Sprintf(says, args...)})
}

// temp returns a path for something in folder, and sees that it is removed in the end.
func (p *prober) temp(folder string) string {
	path := filepath.Join(folder, p.store.TempName())
	p.made = append(p.made, path)
	return path
}

// tidy removes what was made, and tells whether a folder of it is gone already.
func (p *prober) tidy() (swept bool) {
	for _, d := range p.disks {
		swept = swept || !exists(d.trial)
	}
	var left []string
	for _, path := range slices.Backward(p.made) {
		if !exists(path) {
			continue
		}
		if err := os.RemoveAll(path); err != nil {
			left = append(left, path)
		}
	}
	if len(left) > 0 {
		p.todo("tidying", "what was made for the trial cannot be removed again; please delete %s", Plain(strings.Join(left, " and ")))
	}
	return swept
}

// makeTrialWorkspace makes the folders of a workspace below dir, or below its nearest
// parent that is there.
func (p *prober) makeTrialWorkspace(dir string) {
	const what = "place"
	there := dir
	info, err := os.Stat(there)
	for errors.Is(err, fs.ErrNotExist) && there != filepath.Dir(there) {
		there = filepath.Dir(there)
		info, err = os.Stat(there)
	}
	p.place = there
	switch {
	case err == nil && !info.IsDir():
		p.todo(what, "%s is a file and no folder; choose another place", Plain(there))
		return
	case err != nil:
		p.todo(what, "%s cannot be looked at, because %s", Plain(there), plainly(err))
		return
	case there != dir:
		p.ok(what, "%s is not there yet, so its nearest folder was tried: %s", Plain(dir), Plain(there))
	default:
		p.ok(what, "%s is no workspace yet; tried is whether it can become one", Plain(dir))
	}
	p.sweepOld(there)
	root := p.temp(there)
	if err = os.Mkdir(root, folderPerm); err == nil {
		err = Create(root)
	}
	if err != nil {
		p.todo("rights", "no workspace can be made in %s, because %s", Plain(there), plainly(err))
		return
	}
	p.isNew = true
	p.ws, _ = layout(root) // root is absolute
	p.ws.Finished, p.ws.Archive = filepath.Join(root, "finished"), filepath.Join(root, "archive")
}

// sweepOld removes what a killed probe left where no daemon does.
func (p *prober) sweepOld(dir string) {
	names, err := namesIn(dir)
	if err != nil {
		return // the trial itself will tell
	}
	for _, name := range names {
		path := filepath.Join(dir, name)
		if info, err := os.Lstat(path); err == nil && p.store.IsOwnTemp(name) && p.now().Sub(info.ModTime()) > strayAge {
			p.made = append(p.made, path)
		}
	}
}

// folders are those of the workspace, the two first ones on one disk.
func (p *prober) folders() []string {
	if p.ws == nil {
		return nil
	}
	return []string{p.ws.Inbox, p.ws.Working, p.ws.Finished, p.ws.Archive, p.ws.SetAside}
}

// put writes a file of a trial.
func put(disk durable.FS, path, text string) error {
	f, err := disk.Create(path, filePerm)
	if err != nil {
		return err
	}
	_, err = f.Write([]byte(text))
	return errors.Join(err, f.Close())
}

// holds tells, by an error, that a file does not hold a text.
func holds(disk durable.FS, path, text string) error {
	f, err := disk.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	got, err := io.ReadAll(io.LimitReader(f, 2*int64(len(probeText))))
	if err == nil && string(got) != text {
		err = durable.ErrNotSame
	}
	return err
}

// plainly is the reason of an error for somebody who knows no error codes, and what to do.
func plainly(err error) string {
	switch {
	case isReadOnly(err):
		return "its disk can only be read just now; connect it in a way that allows writing"
	case errors.Is(err, fs.ErrPermission):
		return "whoever runs lectern has no right to; give that user the right to read and write there, best by making them its owner"
	case isDiskFull(err):
		return "its disk is full; make room"
	case errors.Is(err, fs.ErrNotExist):
		return "it is not there; is its disk or share connected?"
	}
	return fmt.Sprintf("the system answers: %s; choose another place, or ask whoever looks after this disk", Plain(bare(err).Error()))
}

// bare is an error without the paths of a trial.
func bare(err error) error {
	var onPath *fs.PathError
	if errors.As(err, &onPath) {
		return onPath.Err
	}
	var onLink *os.LinkError
	if errors.As(err, &onLink) {
		return onLink.Err
	}
	return err
}
