package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// diaryFile lies beside the chapters of a book, and beside the pieces of none. It only
// grows.
const diaryFile = "diary.txt"

// diaryMoment is how the moment stands before a line: local time, and how it differs from
// that of Greenwich.
const diaryMoment = "2006-01-02 15:04 -07:00"

// diaryGap parts the moment from what is told.
const diaryGap = "  "

// diaryLine is what a diary is to tell once. A line of this content behind the byte From
// is this very one, written before a crash: whoever else writes there meanwhile tells of
// another chapter. A daemon that is frozen between looking and writing for longer than its
// lease says once more, when it is awake, what the one that took over has said: no lock holds
// on every share, and a line twice is better than one lost.
type diaryLine struct {
	Folder string `json:"folder"` // in finished/, "" for finished/ itself
	From   int64  `json:"from"`
	Says   string `json:"says"`
}

// WriteDiary adds a line, with the moment before it, to the diary of a book, folder being
// the book's name in finished/, or with "" to that of the pieces of no book. Whatever in
// says would not be plain text on one line is made harmless. It is on the disk when the
// function returns nil. While the disk of finished/ is off it is a RefusedError.
func (ws *Workspace) WriteDiary(folder string, moment time.Time, says string) error {
	if folder != "" && !isPlainName(folder) {
		return fmt.Errorf("write diary: %q is no book's folder", folder)
	}
	store := durable.Store{FS: &durable.Disk{}, Tag: shortHash(thisOwner("").Host, 4)}
	from, err := ws.diaryEnd(folder)
	if err != nil {
		return fmt.Errorf("write diary: %w", err)
	}
	return ws.writeDiary(store, diaryLine{Folder: folder, From: from, Says: Plain(says)}, moment)
}

// diaryOf returns what a plan has the diary tell.
func (d *daemon) diaryOf(j *job, p plan) (*diaryLine, error) {
	folder, err := d.ws.filed(j.Book)
	if err != nil {
		return nil, err
	}
	from, err := d.ws.diaryEnd(folder)
	if err != nil {
		return nil, fmt.Errorf("look at the diary: %w", err)
	}
	return &diaryLine{Folder: folder, From: from, Says: Plain(j.diarySays(p))}, nil
}

// diarySays tells, in a line of diary, what came of a job.
func (j *job) diarySays(p plan) string {
	if p.State == stateSetAside {
		return fmt.Sprintf("%s: set aside (%s). %s", j.Chapter, strings.Join(j.names(), ", "), p.Says)
	}
	did := p.Did
	switch did {
	case didMaster:
		did = "made"
	case didRetag:
		did = "the words in its MP3 (title, names, cover) were written anew"
	}
	line := fmt.Sprintf("%s: %s, revision %d", j.Chapter, did, p.Revision)
	if p.Says != "" && p.Did != didRetag {
		line += ", " + p.Says
	}
	if p.Replaced > 0 {
		line += fmt.Sprintf("; it takes the place of revision %d", p.Replaced)
	}
	return line
}

// writeDiary writes what a plan has the diary tell. A diary that somebody has locked, or
// put something else in the place of, holds up no chapter.
func (d *daemon) writeDiary(line *diaryLine) error {
	if line == nil { // a plan by an earlier version
		return nil
	}
	err := d.ws.writeDiary(d.store, *line, time.Now())
	if errors.Is(err, durable.ErrNotRegular) || errors.Is(err, fs.ErrPermission) {
		d.log.Warn(fmt.Sprintf("the diary %s in finished cannot be written; what it was to tell: %s",
			Plain(filepath.Join(line.Folder, diaryFile)), line.Says), append(failure(err), zap.String("book", line.Folder))...)
		return nil
	}
	return err
}

// diaryEnd returns how long a diary is, 0 if there is none.
func (ws *Workspace) diaryEnd(folder string) (int64, error) {
	info, err := os.Lstat(filepath.Join(ws.Finished, folder, diaryFile))
	if err != nil {
		return 0, ignoreMissing(err)
	}
	return info.Size(), nil
}

// writeDiary adds a line unless it is there. A line that a crash has torn is ended first.
func (ws *Workspace) writeDiary(store durable.Store, line diaryLine, moment time.Time) error {
	if says := ws.diskAway(ws.mounts()); says != "" {
		return refuse("%s", says)
	}
	top, err := realFolder(ws.Finished) // which may be a link, nothing below it
	if err != nil {
		return fmt.Errorf("write diary: %w", err)
	}
	if err := store.MkdirAll(top, line.Folder, folderPerm); err != nil {
		return err
	}
	dir := filepath.Join(top, line.Folder)
	if err := isFolder(dir); err != nil {
		return fmt.Errorf("write diary: %w", err)
	}
	text, err := ws.diaryFrom(store, line)
	if err != nil {
		return fmt.Errorf("read diary: %w", err)
	}
	add := moment.Format(diaryMoment) + diaryGap + line.Says + "\n"
	if last := text[strings.LastIndex(text, "\n")+1:]; last != "" { // torn
		if saysIn(last) == line.Says {
			add = ""
		}
		add = "\n" + add
	}
	for told := range strings.Lines(text) {
		if whole, ended := strings.CutSuffix(told, "\n"); ended && saysIn(whole) == line.Says {
			return nil
		}
	}
	if err := store.Append(filepath.Join(dir, diaryFile), []byte(add), filePerm); err != nil {
		return fmt.Errorf("write diary: %w", err)
	}
	return nil
}

// diaryFrom returns what was added to a diary since a line was planned, and the byte
// before it. Somebody may have emptied the file meanwhile.
func (ws *Workspace) diaryFrom(store durable.Store, line diaryLine) (string, error) {
	end, err := ws.diaryEnd(line.Folder)
	if err != nil {
		return "", err
	}
	from := max(line.From-1, 0)
	if line.From > end {
		from = 0
	}
	text, err := store.ReadFrom(filepath.Join(ws.Finished, line.Folder, diaryFile), from)
	return string(text), ignoreMissing(err)
}

// saysIn returns what a line of diary says behind its moment.
func saysIn(line string) string {
	_, says, _ := strings.Cut(line, diaryGap)
	return says
}
