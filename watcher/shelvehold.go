package watcher

import (
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"

	"lectern/watcher/internal/durable"
)

// shelveMark stands in the name of a job that moves a book's recordings, behind its key.
const shelveMark = "-shelve-"

// shelveKey begins the name of every such job of a book, however the book is spelled.
func shelveKey(book string) string { return shortHash("shelve/"+Fold(outStem(book)), 8) + shelveMark }

// isShelving tells whether a book's recordings are on their way to another disk, or back. A
// claim looks for that after it has made its own folder, and hold looks for claims after it
// has made this one: at least one of the two gives way.
func (d *daemon) isShelving(book string) (bool, error) {
	there, err := d.jobsNamed(shelveKey(book))
	return len(there) > 0, err
}

// hold puts a job into working/ that keeps everybody else from beginning anything with a
// book; alone tells that nothing of it may be begun already. What an earlier hold, whose
// process is gone, leaves is taken away.
func (d *daemon) hold(in string, alone bool) (*job, error) {
	earlier, err := d.jobsNamed(shelveKey(in))
	if err != nil {
		return nil, err
	}
	for _, name := range earlier {
		dir := filepath.Join(d.ws.Working, name)
		var o owner
		text, err := os.ReadFile(filepath.Join(dir, "lease"))
		if err == nil && json.Unmarshal(text, &o) == nil && !o.Released && !o.isGone(d.me) {
			return nil, busyShelving()
		}
		if err := d.removeJob(jobOf(dir, orig{})); err != nil {
			return nil, err
		}
	}
	var id [6]byte
	rand.Read(id[:]) // never fails: see crypto/rand.Read
	dir := filepath.Join(d.ws.Working, shelveKey(in)+hex.EncodeToString(id[:]))
	j, err := d.makeFolder(jobOf(dir, orig{Book: in, Ask: &Ask{Kind: shelve}}))
	if err != nil {
		return nil, err
	}
	if err := d.othersGiveWay(j, alone); err != nil {
		return nil, errors.Join(err, d.removeJob(j))
	}
	return j, nil
}

func busyShelving() error {
	return &RefusedError{Says: "another lectern moves recordings of this book just now; try again when it is done", Busy: true}
}

// othersGiveWay refuses if somebody else was there first.
func (d *daemon) othersGiveWay(j *job, alone bool) error {
	if there, err := d.jobsNamed(shelveKey(j.Book)); err != nil {
		return err
	} else if len(there) > 1 {
		return busyShelving()
	}
	names, err := namesIn(d.ws.Working)
	if err != nil {
		return err
	}
	for _, name := range names {
		dir := filepath.Join(d.ws.Working, name)
		if !alone || dir == j.Dir || kindOf(name) == junk {
			continue
		}
		var o orig
		err := readJSON(filepath.Join(dir, "orig.json"), &o)
		other := jobOf(dir, o)
		switch {
		case !exists(dir): // done meanwhile
		case err != nil:
			return refuse("something in the folder working cannot be read, so it is not known whether it is of this book; lectern audit tells what to do about it")
		case !sameName(outStem(other.Book), j.Book):
		case ownerLives(dir):
			return &RefusedError{Says: other.label() + " is being worked on just now; try again when it is done", Busy: true}
		default:
			return refuse("%s is half done; start lectern watch, and try again when it is finished", other.label())
		}
	}
	return nil
}

// shelving is one move of a book's recordings between the archive and another disk.
type shelving struct {
	d    *daemon
	in   string // the book's folder in the archive
	job  *job
	note shelvedNote
	// store writes on both disks. Its temporaries are told from all others, since the daemon
	// sweeps those of its own computer when it starts, maybe in the middle of this.
	store durable.Store
}

// stillMine returns an errLost once somebody else has taken the job away.
func (sh *shelving) stillMine() error {
	if !exists(sh.job.Dir) {
		return errLost // this process slept, and somebody else went on
	}
	return nil
}

// sweep deletes what an earlier, interrupted run of the same kind left in a folder.
func (sh *shelving) sweep(dir string) error {
	names, err := namesIn(dir)
	for _, name := range names {
		if sh.store.IsOwnTemp(name) && err == nil {
			err = sh.store.Remove(filepath.Join(dir, name))
		}
	}
	return err
}

// begin makes sure of the book for the time of one move. release gives it back.
func begin(d *daemon, fs durable.FS, in string, alone bool) (sh *shelving, release func() error, err error) {
	if says := d.ws.diskAway(d.mounts); says != "" {
		return nil, nil, refuse("%s", says)
	}
	sh = &shelving{d: d, in: in, store: durable.Store{FS: fs, Tag: shortHash(d.me.Host+"/"+d.ws.Root+"/shelve", 4)}}
	if sh.job, err = d.hold(in, alone); err != nil {
		return nil, nil, err
	}
	stop := d.beatFor(sh.job)
	release = func() error {
		stop()
		if !exists(sh.job.Dir) {
			return nil
		}
		return d.removeJob(sh.job)
	}
	sh.note, err = d.ws.shelvedNote(in)
	if errors.Is(err, errNotJSON) {
		err = refuse("the note %s in the archive's folder of the book cannot be read; put your second copy of it in its place", shelvedFile)
	}
	if err == nil {
		err = sh.sweep(filepath.Join(d.ws.Archive, in))
	}
	if err != nil {
		return nil, nil, errors.Join(err, release())
	}
	return sh, release, nil
}
