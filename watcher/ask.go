package watcher

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
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
type RefusedError struct{ Says string }

func (e *RefusedError) Error() string { return e.Says }

func refuse(format string, args ...any) error { return &RefusedError{fmt.Sprintf(format, args...)} }

// Do carries out one Ask. It works beside a running daemon as another daemon
// would, through a job in working/: if this process dies, the next one finishes
// what was begun.
func Do(ctx context.Context, ws *Workspace, s Settings, hands Hands, log *zap.Logger, f Filed, ask Ask) (Outcome, error) {
	s.unlocked = true
	d := newDaemon(ws, s.withDefaults(), hands, log)
	j, err := d.makeAsk(f, ask)
	if err != nil {
		return Outcome{}, err
	}
	if ask.Kind == Remake || ask.Kind == BringBack || ask.Kind == Settle {
		if !d.hasRoom(d.roomFor(0, f.rawBytes(ws))) {
			return Outcome{}, errors.Join(refuse("the disk is nearly full; make room and try again"), d.removeJob(j))
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
	key := chapterKey(f.Book, d.askSort(f.Book, f.Chapter+".wav").Key)
	busy := refuse("%s is being worked on just now; try again when it is done", Plain(f.Chapter))
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
		err = &RefusedError{bad.Says}
	}
	return plan{}, errors.Join(err, d.store.Remove(mark+".began"))
}

// answerOrDrop is answer for a job whose process is gone: what cannot be done is
// said in the log, and the job is dropped, since no recording hangs on it.
func (d *daemon) answerOrDrop(ctx context.Context, j *job) error {
	says, err := j.givenUp()
	if err == nil && says == "" {
		_, err = d.answer(ctx, j)
	} else if err == nil {
		err = refuse("the program failed on it again and again")
	}
	var refused *RefusedError
	if errors.As(err, &refused) && !exists(j.path("plan.json")) {
		d.log.Warn(fmt.Sprintf("%s: what was asked for is not done (%s). %s", j.label(), j.Ask.Kind, Plain(refused.Says)),
			zap.String("book", j.Book), zap.String("chapter", j.Chapter))
		return d.removeJob(j)
	}
	return err
}

// keptFor finds what an earlier run has filed of the chapter: the raws to use, in
// playing order, and the papers of the revision asked about.
func (d *daemon) keptFor(j *job, s shelf) ([]jobRaw, *Kept, error) {
	revision := s.Recipe
	if j.Ask.Kind == BringBack {
		revision = j.Ask.Revision
	}
	current := func(ending string) string { return filepath.Join(d.ws.Finished, s.Book, s.Stem+ending) }
	earlier := func(ending string) string {
		return filepath.Join(d.ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d%s", s.Stem, revision, ending))
	}
	kept := &Kept{
		Revision: revision,
		Recipe:   filepath.Join(d.ws.Archive, s.Book, fmt.Sprintf("%s.r%d.recipe.json", s.Stem, revision)),
	}
	switch j.Ask.Kind {
	case Rename, Withdraw, Settle:
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
	if j.Ask.Kind == Withdraw {
		return nil, kept, nil
	}
	paper, err := readRecipe(kept.Recipe)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errNotJSON) || err == nil && len(paper.Raws) == 0 {
		return nil, nil, refuse("the recipe of revision %d of %s is not in the archive, or cannot be read; without it the chapter cannot be made again. "+
			"Drop its recordings into the inbox again", revision, Plain(j.Chapter))
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read recipe: %w", err)
	}
	var list []jobRaw
	for _, r := range paper.Raws {
		path := filepath.Join(d.ws.Archive, s.Book, r.ArchivedAs)
		if j.Ask.Kind != Rename && !exists(path) {
			return nil, nil, refuse("%s also needs %s from the archive, which is not there any more; put it back, or drop all takes again",
				Plain(j.Chapter), Plain(r.ArchivedAs))
		}
		list = append(list, jobRaw{recipeRaw: r, path: path})
	}
	return list, kept, nil
}

// Filed is a chapter, or a room test, as the archive knows it.
type Filed struct {
	Book, Chapter string // as the narrator spelled them
	// In and Stem are the names of its folder and of its files, without endings.
	In, Stem string
	Ending   string // of its finished file
	Revision int    // the newest with a recipe
	raws     []recipeRaw
}

func (f Filed) rawBytes(ws *Workspace) (n int64) {
	for _, r := range f.raws {
		if info, err := os.Lstat(filepath.Join(ws.Archive, f.In, r.ArchivedAs)); err == nil {
			n += info.Size()
		}
	}
	return n
}

// Filed lists every chapter and room test the archive holds a recipe of, by book
// and name. A recipe that cannot be read is left out; Audit tells of it.
func (ws *Workspace) Filed() ([]Filed, error) {
	books, err := booksIn(ws.Archive)
	if err != nil {
		return nil, err
	}
	var out []Filed
	for _, in := range append(books, "") {
		names, err := namesIn(filepath.Join(ws.Archive, in))
		if err != nil {
			return nil, err
		}
		newest := map[string]Filed{}
		for _, name := range names {
			m := revisionName.FindStringSubmatch(name)
			if m == nil || m[3] != "recipe.json" {
				continue
			}
			f := Filed{In: in, Stem: m[1], Revision: revisionOf(m[2])}
			if f.Revision > newest[f.Stem].Revision {
				newest[f.Stem] = f
			}
		}
		for _, f := range newest {
			if err := ws.describe(&f); errors.Is(err, errNotJSON) || errors.Is(err, fs.ErrNotExist) {
				continue
			} else if err != nil {
				return nil, err
			}
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b Filed) int { return strings.Compare(a.In+"\x00"+a.Stem, b.In+"\x00"+b.Stem) })
	return out, nil
}

// describe reads a chapter's own names out of its newest recipe. They are believed
// only if they lead back to where the recipe lies.
func (ws *Workspace) describe(f *Filed) error {
	paper, err := readRecipe(filepath.Join(ws.Archive, f.In, fmt.Sprintf("%s.r%d.recipe.json", f.Stem, f.Revision)))
	if err != nil {
		return err
	}
	f.Book, f.Chapter, f.raws = f.In, f.Stem, paper.Raws
	if book := fromHex(paper.BookHex, paper.Book); sameName(outStem(book), f.In) {
		f.Book = book
	}
	if chapter := fromHex(paper.ChapterHex, paper.Chapter); sameName(outStem(chapter), f.Stem) {
		f.Chapter = chapter
	}
	f.Ending = endingMP3
	if len(f.raws) > 0 {
		f.Ending = endingFor(f.raws[0].Role)
	}
	return nil
}

// ReportOf returns the path of a chapter's report in finished/. There may be none.
func (ws *Workspace) ReportOf(f Filed) (string, error) {
	s, err := ws.shelf(f.Book, f.Chapter, f.Ending)
	return filepath.Join(ws.Finished, s.Book, s.Stem+".json"), err
}

// Withdrawn tells whether a chapter is in finished/ no more because somebody
// withdrew or renamed it.
func (ws *Workspace) Withdrawn(f Filed) (bool, error) {
	s, err := ws.shelf(f.Book, f.Chapter, f.Ending)
	if err != nil || exists(filepath.Join(ws.Finished, s.Book, s.Stem+".json")) {
		return false, err
	}
	var report struct {
		State string `json:"state"`
	}
	err = readJSON(filepath.Join(ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d.json", s.Stem, s.Highest)), &report)
	return report.State == stateWithdrawn, ignoreMissing(err)
}
