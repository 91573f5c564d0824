package watcher

import (
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// batch is one chapter's raws, ready to be claimed.
type batch struct {
	Key           string // chapterKey
	Book, Chapter string
	Raws          []origRaw
	// Says is the sentence to set the raws aside with, "" to have them made.
	Says string
	// Seconds of sound in all, 0 if unknown.
	Seconds float64
}

func (b batch) names() (list []string) {
	for _, r := range b.Raws {
		list = append(list, r.name())
	}
	return list
}

func (b batch) bytes() (n int64) {
	for _, r := range b.Raws {
		n += r.Look.Size
	}
	return n
}

// origRaw is a claimed raw: where it came from and what it looked like then.
type origRaw struct {
	File            string `json:"file"` // in new/
	Name            string `json:"name"`
	NameHex         string `json:"name_hex"`
	Role            string `json:"role"`
	Number          int    `json:"number"`
	Look            look   `json:"look"`
	TakenUnfinished bool   `json:"taken_unfinished"`
	// AsIs is set if a person said that no more of it will come.
	AsIs bool `json:"as_is,omitempty"`
}

// name returns the exact bytes the narrator gave.
func (r origRaw) name() string { return fromHex(r.NameHex, r.Name) }

func fromHex(text, otherwise string) string {
	if raw, err := hex.DecodeString(text); err == nil && len(raw) > 0 {
		return string(raw)
	}
	return otherwise
}

// orig is the content of orig.json.
type orig struct {
	Schema     string    `json:"schema"`
	Book       string    `json:"book"`
	BookHex    string    `json:"book_hex"`
	Chapter    string    `json:"chapter"`
	ChapterHex string    `json:"chapter_hex"`
	Says       string    `json:"says"`
	Raws       []origRaw `json:"raws"`
	// Ask is what was asked for a finished chapter, and Ending that of its finished
	// file. Such a job holds no raws of its own.
	Ask    *Ask   `json:"ask,omitempty"`
	Ending string `json:"ending,omitempty"`
}

// job is a batch in working/.
type job struct {
	Dir           string
	Key           string
	Book, Chapter string
	Says          string
	Raws          []origRaw
	Seconds       float64
	Ask           *Ask
	askEnding     string

	looks   map[string]look // the last look at each file of new/, by origRaw.File
	retryAt time.Time
	pause   time.Duration // before the next try after an error of the disk
}

func (j *job) bytes() (n int64) {
	for _, r := range j.Raws {
		n += r.Look.Size
	}
	return n
}

func (j *job) path(name ...string) string {
	return filepath.Join(append([]string{j.Dir}, name...)...)
}

// ending is that of the finished file. The raws of a job are all room tests or none.
func (j *job) ending() string {
	if j.Ask != nil {
		return j.askEnding
	}
	return endingFor(j.Raws[0].Role)
}

// did says, in a line of log, what was done when the job ends with a finished file.
func (j *job) did() string {
	switch {
	case j.Ask != nil && j.Ask.Kind == BringBack:
		return fmt.Sprintf("revision %d brought back", j.Ask.Revision)
	case j.Ask != nil && j.Ask.Kind == Settle:
		return Plain(j.Ask.Did)
	case j.Ask != nil && j.Ask.Kind == CutSample:
		return "cut from " + Plain(j.Ask.Of)
	case j.Ask != nil:
		return "made again"
	case j.ending() == endingText:
		return "measured"
	}
	return didMaster
}

// didMaster says, in a line of log, that a chapter was made of what was dropped.
const didMaster = "mastered"

// label names the job in a line of log.
func (j *job) label() string {
	if j.Says != "" && len(j.Raws) == 1 {
		return Plain(j.Raws[0].name())
	}
	return Plain(j.Chapter)
}

// chapterKey begins the name of every job of one chapter, so that a look into
// working/ tells whether the chapter is in work, here or on another computer.
func chapterKey(book, sortKey string) string { return shortHash(Fold(book)+"/"+sortKey, 8) }

// errLost means another daemon was faster; there is nothing to do.
var errLost = errors.New("another daemon has it")

// claim moves a batch into working/. The job's folder appears there complete,
// before the first raw is moved. Of several daemons the one that gets the first
// raw gets the batch: all of them go by the same order.
func (d *daemon) claim(b batch) (*job, error) {
	there, err := d.jobsNamed(b.Key + "-")
	if err != nil {
		return nil, err
	}
	if len(there) > 0 {
		return nil, errLost
	}
	if moved, err := d.isShelving(b.Book); err != nil || moved {
		return nil, errors.Join(errLost, err)
	}
	slices.SortFunc(b.Raws, func(x, y origRaw) int { return strings.Compare(x.NameHex, y.NameHex) })
	for i := range b.Raws {
		b.Raws[i].File = strconv.Itoa(i+1) + ".wav"
		info, err := os.Lstat(filepath.Join(d.ws.Inbox, b.Book, b.Raws[i].name()))
		if err != nil || !info.Mode().IsRegular() || lookAt(info) != b.Raws[i].Look {
			return nil, errLost
		}
	}
	j, err := d.makeJob(b)
	if err != nil {
		return nil, err
	}
	if asked, err := d.askedFor(b.Key); err != nil || asked {
		return nil, errors.Join(errLost, err, d.removeJob(j))
	}
	if moved, err := d.isShelving(b.Book); err != nil || moved {
		return nil, errors.Join(errLost, err, d.removeJob(j))
	}
	for i, r := range b.Raws {
		to := j.path("new", r.File)
		err := d.store.Take(filepath.Join(d.ws.Inbox, b.Book), r.name(), to)
		switch {
		case i == 0 && errors.Is(err, fs.ErrNotExist):
			return nil, errors.Join(errLost, d.removeJob(j))
		case errors.Is(err, fs.ErrNotExist): // taken out meanwhile; complete decides
		case err != nil:
			return j, fmt.Errorf("claim recording: %w", err)
		}
	}
	return j, nil
}

// makeJob puts an empty job folder into working/.
func (d *daemon) makeJob(b batch) (*job, error) {
	var id [6]byte
	rand.Read(id[:]) // never fails: see crypto/rand.Read
	j := jobOf(filepath.Join(d.ws.Working, b.Key+"-"+hex.EncodeToString(id[:])), orig{
		Book: b.Book, Chapter: b.Chapter, Says: b.Says, Raws: b.Raws,
	})
	j.Seconds = b.Seconds
	return d.makeFolder(j)
}

// makeFolder makes a job's folder with all its papers and lets it appear at once.
func (d *daemon) makeFolder(j *job) (*job, error) {
	temp := filepath.Join(d.ws.Working, d.store.TempName())
	paper, err := json.MarshalIndent(orig{
		Schema: "lectern-claim/1",
		Book:   j.Book, BookHex: hex.EncodeToString([]byte(j.Book)),
		Chapter: j.Chapter, ChapterHex: hex.EncodeToString([]byte(j.Chapter)),
		Says: j.Says, Raws: j.Raws, Ask: j.Ask, Ending: j.askEnding,
	}, "", " ")
	if err != nil {
		return nil, fmt.Errorf("describe job: %w", err)
	}
	if err := d.store.FS.Mkdir(temp, folderPerm); err != nil {
		return nil, fmt.Errorf("make job folder: %w", err)
	}
	err = errors.Join(
		writeLease(temp, d.me), // first, so that an audit sees that somebody is at it
		d.store.FS.Mkdir(filepath.Join(temp, "new"), folderPerm),
		d.store.FS.Mkdir(filepath.Join(temp, "tries"), folderPerm),
		d.store.Write(filepath.Join(temp, "orig.json"), paper, filePerm),
	)
	if err == nil {
		err = d.store.Rename(temp, j.Dir)
	}
	if err == nil {
		err = d.store.FS.SyncDir(d.ws.Working)
	}
	if err != nil {
		return nil, fmt.Errorf("make job folder: %w", errors.Join(err, os.RemoveAll(temp)))
	}
	return j, nil
}

// readOwn reads a paper of a job that appears in its folder in one step. An empty one
// is what a crash leaves of that on a disk that cannot rename without overwriting: the
// name, held for the paper that never came.
func (d *daemon) readOwn(j *job, name string, into any) error {
	path := j.path(name)
	if info, err := os.Lstat(path); err == nil && info.Size() == 0 {
		if err := d.store.Remove(path); err != nil {
			return err
		}
	}
	return readJSON(path, into)
}

// jobOf describes a job from its orig.json.
func jobOf(dir string, o orig) *job {
	key, _, _ := strings.Cut(filepath.Base(dir), "-")
	j := &job{
		Dir: dir, Key: key, Says: o.Says, Raws: o.Raws, Ask: o.Ask, askEnding: o.Ending,
		Book: fromHex(o.BookHex, o.Book), Chapter: fromHex(o.ChapterHex, o.Chapter),
		looks: map[string]look{},
	}
	for _, r := range o.Raws {
		j.looks[r.File] = r.Look
	}
	return j
}

// adopt takes over what a dead owner left in working/. The rename makes sure
// that only one daemon does.
func (d *daemon) adopt(dir string) (*job, error) {
	base, generation := dir, 1
	if head, tail, found := strings.Cut(filepath.Base(dir), ".t"); found {
		base = filepath.Join(d.ws.Working, head)
		generation, _ = strconv.Atoi(tail) // 0: no name of ours; any free one will do
	}
	next := base + ".t" + strconv.Itoa(generation+1)
	if err := d.store.Rename(dir, next); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, errLost
		}
		return nil, fmt.Errorf("take over job: %w", err)
	}
	if err := writeLease(next, d.me); err != nil {
		return nil, err
	}
	var o orig
	if err := readJSON(filepath.Join(next, "orig.json"), &o); err != nil {
		return nil, fmt.Errorf("take over job: %w", err)
	}
	j := jobOf(next, o)
	if err := j.staysInside(); err != nil {
		return nil, fmt.Errorf("take over job: %w", err)
	}
	return j, nil
}

// staysInside returns an error if a name in orig.json would lead out of the folders.
func (j *job) staysInside() error {
	names := []string{"x" + j.askEnding}
	if j.Book != "" {
		names = append(names, j.Book)
	}
	for _, r := range j.Raws {
		names = append(names, r.File, r.name())
	}
	return allPlain("orig.json", names)
}

// allPlain returns an error if one of the names that a paper holds is no plain one.
func allPlain(paper string, names []string) error {
	for _, name := range names {
		if !isPlainName(name) {
			return fmt.Errorf("%w: %q: it names %q", errNotJSON, paper, name)
		}
	}
	return nil
}

// complete finishes a claim that was cut short: raws still in the inbox, just
// as they were, belong to this batch. It drops from the job what is nowhere.
func (d *daemon) complete(j *job) error {
	var here []origRaw
	for _, r := range j.Raws {
		if _, err := os.Lstat(j.path("new", r.File)); err == nil {
			here = append(here, r)
			continue
		}
		from := filepath.Join(d.ws.Inbox, j.Book, r.name())
		info, err := os.Lstat(from)
		if err != nil || !info.Mode().IsRegular() || lookAt(info) != r.Look {
			continue
		}
		err = d.store.Take(filepath.Dir(from), r.name(), j.path("new", r.File))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("claim recording: %w", err)
		}
		here = append(here, r)
	}
	j.Raws = here
	return nil
}

// unclaim puts the raws back where they came from and drops the job.
func (d *daemon) unclaim(j *job) error {
	for _, r := range j.Raws {
		if err := d.putBack(j, r); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return d.removeJob(j)
}

// removeJob deletes a job's folder, which must not hold a raw any more. It is
// renamed first, so that it disappears from working/ in one step.
func (d *daemon) removeJob(j *job) error {
	if err := d.store.FS.Remove(j.path("new")); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("drop job folder: %w", err) // not empty: raws are never deleted
	}
	gone := filepath.Join(d.ws.Working, d.store.TempName())
	if err := d.store.Rename(j.Dir, gone); err != nil {
		return fmt.Errorf("drop job folder: %w", err)
	}
	if err := d.store.FS.SyncDir(d.ws.Working); err != nil {
		return fmt.Errorf("drop job folder: %w", err)
	}
	return os.RemoveAll(gone)
}
