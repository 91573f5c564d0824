package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"

	"lectern/watcher/internal/durable"
)

// Audit tells whether everything in a workspace is where it belongs and is what it is
// said to be.
type Audit struct {
	Schema     string   `json:"schema"`
	Clean      bool     `json:"clean"` // there are no exceptions
	LookedAt   LookedAt `json:"looked_at"`
	Exceptions []Remark `json:"exceptions"` // what somebody has to look at
	Notes      []Remark `json:"notes"`      // what is as it should be, but worth knowing
}

// LookedAt counts what was read.
type LookedAt struct {
	Raws     int   `json:"raws"`     // recordings in archive/ and setaside/
	Recipes  int   `json:"recipes"`  // in archive/
	Finished int   `json:"finished"` // reports in finished/, earlier revisions included
	Jobs     int   `json:"jobs"`     // in working/
	Bytes    int64 `json:"bytes"`    // summed
}

// Remark is one thing an audit says. Kind is one of a few fixed words, Name a path
// below the workspace, Says a sentence for the narrator.
type Remark struct {
	Kind string `json:"kind"`
	Book string `json:"book"`
	Name string `json:"name"`
	Says string `json:"says"`
}

// AuditSchema is the name and version of Audit's shape.
const AuditSchema = "lectern-audit/1"

// Audit reads the whole workspace and changes nothing. Every recording and finished
// file is read to its last byte. What looks wrong is looked at once more before it is
// believed, since a daemon may be moving files meanwhile. An error means that
// something could not be read at all.
func (ws *Workspace) Audit(ctx context.Context) (Audit, error) {
	if says := ws.diskAway(ws.mounts()); says != "" {
		return Audit{}, errors.New(says)
	}
	first, err := ws.auditOnce(ctx, nil)
	if err != nil {
		return Audit{}, err
	}
	if len(first.Exceptions) > 0 {
		doubtful := map[string]bool{}
		for _, r := range first.Exceptions {
			doubtful[r.Book] = true
		}
		again, err := ws.auditOnce(ctx, doubtful)
		if err != nil {
			return Audit{}, err
		}
		first.Exceptions = slices.DeleteFunc(first.Exceptions, func(r Remark) bool { return !slices.Contains(again.Exceptions, r) })
	}
	first.Clean = len(first.Exceptions) == 0
	return first, nil
}

// auditor is one reading of a workspace.
type auditor struct {
	ctx   context.Context
	ws    *Workspace
	store durable.Store
	out   Audit
}

// auditOnce reads everything, or the given books alone.
func (ws *Workspace) auditOnce(ctx context.Context, only map[string]bool) (Audit, error) {
	a := &auditor{ctx: ctx, ws: ws, store: durable.Store{FS: &durable.Disk{}}}
	a.out = Audit{Schema: AuditSchema, Exceptions: []Remark{}, Notes: []Remark{}}
	books := map[string]bool{"": true}
	for _, root := range []string{ws.Archive, ws.Finished, ws.SetAside} {
		names, err := namesIn(root)
		if err != nil {
			return Audit{}, err
		}
		for _, name := range names {
			info, err := os.Lstat(filepath.Join(root, name))
			if err == nil && info.IsDir() && !(name == "superseded" && root != ws.Archive) && !durable.IsTemp(name) {
				books[name] = true
			}
		}
	}
	var order []string
	for book := range books {
		if only == nil || only[book] {
			order = append(order, book)
		}
	}
	slices.Sort(order)
	for _, book := range order {
		recipes, err := a.archive(book)
		if err == nil {
			err = a.finished(book, recipes)
		}
		if err == nil {
			err = a.setAside(book)
		}
		if err != nil {
			return Audit{}, err
		}
	}
	return a.out, a.working()
}

func (a *auditor) wrong(kind, book, name, format string, args ...any) {
	a.out.Exceptions = append(a.out.Exceptions, Remark{kind, book, name, fmt.Sprintf(format, args...)})
}

func (a *auditor) note(kind, book, name, format string, args ...any) {
	a.out.Notes = append(a.out.Notes, Remark{kind, book, name, fmt.Sprintf(format, args...)})
}

// sum is the sha256 of a file; "" for one that is gone.
func (a *auditor) sum(path string) (string, error) {
	if err := a.ctx.Err(); err != nil {
		return "", err
	}
	sum, size, err := a.store.Sum(path)
	a.out.LookedAt.Bytes += size
	return sum, ignoreMissing(err)
}

// list returns the names of regular files in a folder, and tells of what does not
// belong in any: temporaries, links, folders where there should be none.
func (a *auditor) list(root, in, book string, folders ...string) ([]string, error) {
	dir := filepath.Join(root, in)
	names, err := namesIn(dir)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	var out []string
	for _, name := range names {
		info, err := os.Lstat(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("look at %q: %w", name, err)
		}
		at := path.Join(filepath.Base(root), filepath.ToSlash(in), name)
		switch {
		case durable.IsTemp(name):
			a.wrong("unfinished", book, at, "an unfinished file was left behind; the next start of lectern watch removes it")
		case kindOf(name) == junk: // housekeeping of the system
		case info.Mode().IsRegular():
			out = append(out, name)
		case info.IsDir() && (in == "" && book == "" || slices.Contains(folders, name)):
		default:
			a.wrong("stray", book, at, "it is no file of this program's; move it elsewhere")
		}
	}
	return out, nil
}

// recipeAt is a recipe found in the archive.
type recipeAt struct {
	revision int
	recipe
}

// namedRaw is a raw that a recipe names.
type namedRaw struct{ name, sum string }

// archive checks one book's folder in archive/. It returns the recipes by the folded
// stem of their chapter, newest last.
func (a *auditor) archive(book string) (map[string][]recipeAt, error) {
	names, err := a.list(a.ws.Archive, book, book)
	if err != nil {
		return nil, err
	}
	at := func(name string) string { return path.Join("archive", book, name) }
	recipes := map[string][]recipeAt{}
	named := map[string]namedRaw{} // by the folded name, since some disks spell names in their own way
	for _, name := range names {
		m := revisionName.FindStringSubmatch(name)
		if m == nil || m[3] != "recipe.json" {
			continue
		}
		a.out.LookedAt.Recipes++
		r, err := readRecipe(filepath.Join(a.ws.Archive, book, name))
		switch {
		case errors.Is(err, errNotJSON) || err == nil && len(r.Raws) == 0:
			a.wrong("bad_recipe", book, at(name), "the recipe cannot be read; without it this revision cannot be made again")
			continue
		case errors.Is(err, fs.ErrNotExist):
			continue
		case err != nil:
			return nil, err
		}
		for _, raw := range r.Raws {
			if other, known := named[Fold(raw.ArchivedAs)]; known && other.sum != raw.SHA256 {
				a.wrong("bad_recipe", book, at(name), "another recipe tells otherwise of %s", Plain(raw.ArchivedAs))
			}
			named[Fold(raw.ArchivedAs)] = namedRaw{raw.ArchivedAs, raw.SHA256}
		}
		stem := Fold(m[1])
		recipes[stem] = append(recipes[stem], recipeAt{revisionOf(m[2]), r})
	}
	for _, list := range recipes {
		slices.SortFunc(list, func(x, y recipeAt) int { return x.revision - y.revision })
	}
	for _, name := range names {
		m := revisionName.FindStringSubmatch(name)
		if m != nil && m[3] == "recipe.json" {
			continue
		}
		want, known := named[Fold(name)]
		delete(named, Fold(name))
		switch {
		case kindOf(name) != wav:
			a.wrong("stray", book, at(name), "it is neither a recording nor a recipe; move it elsewhere")
			continue
		case !known:
			a.wrong("unnamed_raw", book, at(name), "no recipe names this recording; if it is no chapter of yet, drop a copy of it into the inbox")
			continue
		}
		a.out.LookedAt.Raws++
		sum, err := a.sum(filepath.Join(a.ws.Archive, book, name))
		if err != nil {
			return nil, err
		}
		if sum != "" && sum != want.sum {
			a.wrong("changed_raw", book, at(name), "the recording is not what it was when it was archived; put your second copy in its place")
		}
	}
	for _, raw := range named {
		if !exists(filepath.Join(a.ws.Archive, book, raw.name)) {
			a.wrong("missing_raw", book, at(raw.name), "the recording is gone, and its chapter cannot be made again; put your second copy in its place")
		}
	}
	return recipes, nil
}

// working checks the jobs.
func (a *auditor) working() error {
	names, err := namesIn(a.ws.Working)
	if err != nil {
		return err
	}
	slices.Sort(names)
	for _, name := range names {
		at := path.Join("working", name)
		if durable.IsTemp(name) {
			a.wrong("unfinished", "", at, "an unfinished folder was left behind; the next start of lectern watch removes it")
			continue
		}
		if kindOf(name) == junk {
			continue
		}
		var o orig
		dir := filepath.Join(a.ws.Working, name)
		err := readJSON(filepath.Join(dir, "orig.json"), &o)
		if !exists(dir) {
			continue
		}
		if err != nil {
			a.wrong("stray", "", at, "it is no job of this program's; move it elsewhere")
			continue
		}
		a.out.LookedAt.Jobs++
		j := jobOf(dir, o)
		if ownerLives(dir) {
			a.note("in_work", j.Book, at, "%s is in work", j.label())
		} else {
			a.wrong("half_done", j.Book, at, "%s is half done, and nobody works on it; lectern watch goes on with it", j.label())
		}
	}
	return nil
}
