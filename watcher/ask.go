package watcher

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
)

// AskKind is what can be asked for a chapter that was finished before.
type AskKind string

// The kinds of Ask.
const (
	// Remake makes the newest revision again, of the archived raws. What comes out
	// the same to the bit is put back where it is missing; else it is a new revision.
	Remake AskKind = "remake"
	// BringBack makes an earlier revision the newest.
	BringBack AskKind = "bring back"
	// Rename gives a chapter another name; its raws keep theirs.
	Rename AskKind = "rename"
	// Settle makes the newest revision again with what a person has answered. It is a
	// new revision even if it sounds the same, since its report says something else.
	Settle AskKind = "settle"
	// Withdraw moves the finished pair to superseded/.
	Withdraw AskKind = "withdraw"
	// Retag writes other words into the finished MP3, and its report anew, in their place:
	// no new revision, since the sound stays.
	Retag AskKind = "retag"
	// CutSample makes a stretch of another chapter a chapter of its own, of the archived
	// raws of that one. What would be told the same by its recipe is left as it is.
	CutSample AskKind = "cut sample"
	// shelve is no chapter's: while its job stands in working/, recordings of a book move
	// between the archive and another disk, and nothing of the book is begun.
	shelve AskKind = "shelve"
)

// Ask is what a person wants done to a finished chapter.
type Ask struct {
	Kind     AskKind  `json:"kind"`
	Revision int      `json:"revision"` // of BringBack
	NewName  string   `json:"new_name"` // of Rename
	Set      []string `json:"set"`      // settings changed for this Remake, as key=value
	// Answers are those of Settle, which are for Hands.Make to read; Did says in a few
	// words what they do.
	Answers json.RawMessage `json:"answers,omitempty"`
	Did     string          `json:"did,omitempty"`
	// Tags are the words of Retag, which are for Hands.Make to read.
	Tags json.RawMessage `json:"tags,omitempty"`
	// Of is the chapter, of the same book, that CutSample cuts from, and FromS and ToS tell
	// from where to where, in seconds; for Hands.Make to read.
	Of    string  `json:"of,omitempty"`
	FromS float64 `json:"from_s,omitempty"`
	ToS   float64 `json:"to_s,omitempty"`
}

// Outcome tells how an Ask ended.
type Outcome struct {
	Did           string // a few words, such as "made again"
	Revision      int
	Verdict, Says string
	Took          time.Duration
}

// RefusedError says, in a sentence for the narrator, why something asked for is
// not done. Nothing has changed.
type RefusedError struct {
	Says string
	// Busy tells that it may be done a little later, Away that it may be done once a disk
	// is connected.
	Busy, Away bool
}

func (e *RefusedError) Error() string { return e.Says }

func refuse(format string, args ...any) error {
	return &RefusedError{Says: fmt.Sprintf(format, args...)}
}

// Do carries out one Ask. It works beside a running daemon as another daemon
// would, through a job in working/: if this process dies, the next one finishes
// what was begun. Of CutSample f names what is to be made, Book and Chapter alone if there
// is none yet.
func Do(ctx context.Context, ws *Workspace, s Settings, hands Hands, log *zap.Logger, f Filed, ask Ask) (Outcome, error) {
	s.unlocked = true
	d := newDaemon(ws, s.withDefaults(), hands, log)
	j, err := d.makeAsk(f, ask)
	if err != nil {
		return Outcome{}, err
	}
	switch ask.Kind {
	case Remake, BringBack, Settle, CutSample:
		bytes, err := d.bytesFor(f, ask)
		if err == nil && !d.hasRoom(d.roomFor(0, bytes)) {
			err = refuse("the disk is nearly full; make room and try again")
		}
		if err != nil {
			return Outcome{}, errors.Join(err, d.removeJob(j))
		}
	}
	stop := d.beatFor(j)
	defer stop()
	out, err := d.answer(ctx, j)
	if err != nil && !exists(j.path("plan.json")) && !errors.Is(err, errLost) {
		err = errors.Join(err, d.removeJob(j)) // nothing has changed yet, and nobody need go on
	}
	return out, err
}

// beatFor renews the lease of one job until the returned function is called,
// which lets the job go.
func (d *daemon) beatFor(j *job) (stop func()) {
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(leaseBeat)
		defer tick.Stop()
		o := d.me
		for {
			select {
			case <-tick.C:
				o.Count++
			case <-done:
				o.Released = true
			}
			if exists(j.Dir) {
				if err := writeLease(j.Dir, o); err != nil {
					d.log.Debug("lease not renewed", failure(err)...)
				}
			}
			if o.Released {
				return
			}
		}
	}()
	return func() {
		close(done)
		<-ended
	}
}

// askMark stands in the name of a job that was asked for, behind its key.
const askMark = "ask-"

// makeAsk puts a job for an Ask into working/, unless the chapter is in work.
func (d *daemon) makeAsk(f Filed, ask Ask) (*job, error) {
	if ask.Kind == CutSample {
		f.Ending = endingMP3
	}
	key := chapterKey(f.Book, d.askSort(f.Book, f.Chapter+".wav").Key)
	busy := &RefusedError{Says: Plain(f.Chapter) + " is being worked on just now; try again when it is done", Busy: true}
	if there, err := d.jobsNamed(key + "-"); err != nil || len(there) > 0 {
		return nil, errors.Join(err, busy)
	}
	var id [6]byte
	rand.Read(id[:]) // never fails: see crypto/rand.Read
	dir := filepath.Join(d.ws.Working, key+"-"+askMark+hex.EncodeToString(id[:]))
	j, err := d.makeFolder(jobOf(dir, orig{Book: f.Book, Chapter: f.Chapter, Ask: &ask, Ending: f.Ending}))
	if err != nil {
		return nil, err
	}
	// A claim looks for this folder after it has made its own, and this looks for a
	// claim's after it has made this one: at least one of the two gives way.
	there, err := d.jobsNamed(key + "-")
	if err != nil {
		return nil, errors.Join(err, d.removeJob(j))
	}
	if len(there) > 1 {
		return nil, errors.Join(busy, d.removeJob(j))
	}
	if moved, err := d.isShelving(f.Book); err != nil || moved {
		busy.Says = "recordings of the book are on their way to another disk, or back, just now; try again when they are there"
		return nil, errors.Join(busy, err, d.removeJob(j))
	}
	return j, nil
}

// askedFor tells whether something was asked for a chapter that is not done yet.
func (d *daemon) askedFor(key string) (bool, error) {
	there, err := d.jobsNamed(key + "-" + askMark)
	return len(there) > 0, err
}

// jobsNamed lists the jobs in working/ whose names begin so.
func (d *daemon) jobsNamed(prefix string) ([]string, error) {
	names, err := namesIn(d.ws.Working)
	return slices.DeleteFunc(names, func(name string) bool { return !strings.HasPrefix(name, prefix) }), err
}

// answer does what a job asks, from wherever it stands. It may be called again
// after any error and after any crash.
func (d *daemon) answer(ctx context.Context, j *job) (Outcome, error) {
	p, err := d.readPlan(j)
	if errors.Is(err, fs.ErrNotExist) {
		p, err = d.makeAnswer(ctx, j)
	}
	if err != nil {
		return Outcome{}, err
	}
	out := Outcome{
		Did: p.Did, Revision: p.Revision, Verdict: p.Verdict, Says: p.Says,
		Took: time.Duration(p.TookS * float64(time.Second)),
	}
	if len(p.Steps) == 0 {
		return out, d.removeJob(j)
	}
	return out, d.carryOut(ctx, j, p)
}

// makeAnswer has the papers, and the file if there is one, made, and plans what
// is to be moved. A plan without steps means that all is as asked already.
func (d *daemon) makeAnswer(ctx context.Context, j *job) (plan, error) {
	s, err := d.ws.shelf(j.Book, j.Chapter, j.ending())
	if err != nil {
		return plan{}, err
	}
	list, kept, err := d.keptFor(j, s)
	if err != nil {
		return plan{}, err
	}
	if err := j.tidy(); err != nil {
		return plan{}, err
	}
	mark, err := d.beginTry(j)
	if err != nil {
		return plan{}, fmt.Errorf("mark try: %w", err)
	}
	start := time.Now()
	made, err := d.callMake(ctx, j, list, kept)
	took := time.Since(start)
	if err == nil {
		var p plan
		if p, err = d.planAnswer(j, s, list, made, took); err == nil {
			return p, nil
		}
	}
	var bad *BadRaw
	if errors.As(err, &bad) {
		err = &RefusedError{Says: bad.Says}
	}
	return plan{}, errors.Join(err, d.store.Remove(mark+".began"))
}

// answerOrDrop is answer for a job whose process is gone: what cannot be done is
// said in the log, and the job is dropped, since no recording hangs on it.
func (d *daemon) answerOrDrop(ctx context.Context, j *job) error {
	if j.Ask.Kind == shelve {
		d.log.Warn(fmt.Sprintf("%s: moving its recordings to another disk, or back, was cut short; nothing is lost. Repeat the command: lectern shelve", Plain(j.Book)),
			zap.String("book", j.Book))
		return d.removeJob(j)
	}
	says, err := j.givenUp()
	if err == nil && says == "" {
		_, err = d.answer(ctx, j)
	} else if err == nil {
		err = refuse("the program failed on it again and again")
	}
	var refused *RefusedError
	if errors.As(err, &refused) && !exists(j.path("plan.json")) {
		d.log.Warn(fmt.Sprintf("%s: what was asked for is not done (%s). %s", j.label(), j.Ask.Kind, Plain(refused.Says)),
			about(j.Book, j.Chapter)...)
		return d.removeJob(j)
	}
	return err
}

// keptFor finds what an earlier run has filed of the chapter: the raws to use, in
// playing order, and the papers of the revision asked about.
func (d *daemon) keptFor(j *job, s shelf) ([]jobRaw, *Kept, error) {
	if j.Ask.Kind == CutSample {
		return d.keptForSample(j, s)
	}
	revision := s.Recipe
	if j.Ask.Kind == BringBack {
		revision = j.Ask.Revision
	}
	current := func(ending string) string { return filepath.Join(d.ws.Finished, s.Book, s.Stem+ending) }
	earlier := func(ending string) string {
		return filepath.Join(d.ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d%s", s.Stem, revision, ending))
	}
	kept := &Kept{Revision: revision, Recipe: d.recipePath(s, revision)}
	switch j.Ask.Kind {
	case Rename, Withdraw, Settle, Retag:
		kept.File, kept.Report = current(s.Ending), current(".json")
		if !exists(kept.Report) {
			return nil, nil, refuse("%s is not in finished: there is no report of it", Plain(j.Chapter))
		}
		if !exists(kept.File) {
			kept.File = ""
		}
	case BringBack:
		if revision == s.Current && s.HasFile {
			return nil, nil, refuse("revision %d of %s is the newest already; there is nothing to bring back", revision, Plain(j.Chapter))
		}
		if exists(earlier(s.Ending)) && exists(earlier(".json")) {
			kept.File, kept.Report = earlier(s.Ending), earlier(".json")
		}
	}
	switch j.Ask.Kind {
	case Withdraw:
		return nil, kept, nil
	case Retag:
		return nil, kept, d.keptToRetag(j, s, kept)
	}
	paper, err := readRecipe(kept.Recipe)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotJSON) || err == nil && len(paper.Raws) == 0 {
		return nil, nil, refuse("the recipe of revision %d of %s is not in the archive, or cannot be read; without it the chapter cannot be made again. "+
			"Drop its recordings into the inbox again", revision, Plain(j.Chapter))
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read recipe: %w", err)
	}
	kept.sample = paper.Sample
	list, err := d.archived(j, s, paper)
	return list, kept, err
}
