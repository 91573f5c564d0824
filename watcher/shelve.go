package watcher

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// Shelf is where the recordings of a book are to go, or to come back from.
type Shelf struct {
	// Dir is a folder on another disk, in which the book has a folder of its own.
	Dir string
	// Disk is what the disk is called; "" takes its label, or the name of Dir.
	Disk string
	// Warn, if set, is told one sentence before anything is done that may not be meant so.
	Warn func(says string)
	// Progress, if set, is told the share done, 0 to 1.
	Progress func(share float64)
}

// Shelved tells what was moved.
type Shelved struct {
	Disk, Folder string
	Recordings   int
	Bytes        int64 // of the recordings, summed
	// Left are sentences on what was not moved, and why.
	Left []string
}

// Shelve copies what the archive holds of a book to another disk and reads every copy back.
// Only when all of them are safe there, and a note here says so, are the recordings removed
// from the archive; the recipes stay. in is the book's folder in the archive. It may be
// repeated after any error and any crash: no recording is ever without a whole copy. A
// RefusedError says what is in the way; nothing was removed then.
func Shelve(ctx context.Context, ws *Workspace, s Settings, in string, to Shelf) (Shelved, error) {
	folder, err := ws.shelfAt(to.Dir, in)
	if err != nil {
		return Shelved{}, err
	}
	if waits, err := ws.waitsInInbox(in); err != nil {
		return Shelved{}, err
	} else if waits != "" {
		return Shelved{}, refuse("%s of this book waits in the inbox; try again when it is finished, or take it out", Plain(waits))
	}
	if to.Warn != nil && sameDisk(filepath.Dir(folder), ws.Archive) {
		to.Warn(fmt.Sprintf("%s lies on the same disk as the archive, so this makes no room", Plain(filepath.Dir(folder))))
	}
	s.unlocked = true
	d := newDaemon(ws, s.withDefaults(), Hands{}, zap.NewNop())
	fsys := &countedFS{FS: d.set.fs, ctx: ctx, read: func(int) {}}
	if _, real := d.set.fs.(*durable.Disk); real {
		fsys.FS = &durable.Disk{} // whose flushes are those of this move alone
	}
	sh, release, err := begin(d, fsys, in, true)
	if err != nil {
		return Shelved{}, err
	}
	out, err := sh.shelve(folder, to, fsys)
	return out, errors.Join(err, release())
}

// shelve is Shelve, once nobody else begins anything with the book.
func (sh *shelving) shelve(folder string, to Shelf, fsys *countedFS) (Shelved, error) {
	files, left, err := sh.inArchive()
	if err != nil {
		return Shelved{}, err
	}
	place := shelvedPlace{
		Disk: sh.nameOfDisk(to.Disk, folder), Folder: strings.ToValidUTF8(folder, "\ufffd"), FolderHex: hex.EncodeToString([]byte(folder)),
		ShelvedAt: time.Now().UTC().Truncate(time.Second),
	}
	files = append(files, sh.foundAt(folder)...)
	out := Shelved{Disk: place.Disk, Folder: folder, Left: left}
	for _, f := range files {
		if f.isRaw {
			place.Files = append(place.Files, shelvedRaw{f.name, f.bytes, f.sum})
		}
	}
	if out.Recordings, out.Bytes = len(place.Files), place.bytes(); out.Recordings == 0 {
		if len(sh.note.Places) > 0 {
			return out, nil // an earlier run has done it all
		}
		return out, refuse("the archive holds no recording of this book")
	}
	if err := sh.store.MkdirAll(filepath.Dir(folder), sh.in, folderPerm); err != nil {
		return out, err
	}
	if err := sh.copyAll(folder, files, to, fsys); err != nil {
		return out, err
	}
	if disk, real := fsys.FS.(*durable.Disk); real && disk.Unconfirmed() {
		return out, refuse("all was copied, but %s does not confirm that files are safely written, so nothing was removed here; choose another disk", Plain(folder))
	}
	if err := sh.stillMine(); err != nil {
		return out, err
	}
	if err := sh.writeNote(sh.note.with(place)); err != nil {
		return out, fmt.Errorf("write note: %w", err)
	}
	return out, sh.removeRaws(folder, files)
}

// shelfFile is one file that is to lie on the other disk.
type shelfFile struct {
	from  string // in the archive; "" for a recording that lies on the other disk already
	name  string // there
	sum   string
	bytes int64
	look  look
	isRaw bool
}

// inArchive lists the recordings and recipes of a book. left says what stays.
func (sh *shelving) inArchive() (files []shelfFile, left []string, err error) {
	dir := filepath.Join(sh.d.ws.Archive, sh.in)
	names, err := namesIn(dir)
	if err != nil {
		return nil, nil, err
	}
	slices.Sort(names)
	named := map[string]recipeRaw{}
	for _, name := range names {
		m := revisionName.FindStringSubmatch(name)
		if m == nil || m[3] != "recipe.json" {
			continue
		}
		r, err := readRecipe(filepath.Join(dir, name))
		if errors.Is(err, errNotJSON) || errors.Is(err, ErrNotRegular) {
			return nil, nil, refuse("the recipe %s cannot be read; lectern audit tells what to do about it", Plain(name))
		} else if err != nil {
			return nil, nil, fmt.Errorf("read recipe: %w", err)
		}
		for _, raw := range r.Raws {
			if other, known := named[Fold(raw.ArchivedAs)]; known && other.SHA256 != raw.SHA256 {
				return nil, nil, refuse("two recipes tell otherwise of %s; lectern audit tells what to do about it", Plain(raw.ArchivedAs))
			}
			named[Fold(raw.ArchivedAs)] = raw
		}
		sum, size, err := sh.d.store.Sum(filepath.Join(dir, name))
		if err != nil {
			return nil, nil, err
		}
		files = append(files, shelfFile{from: filepath.Join(dir, name), name: name, sum: sum, bytes: size})
	}
	for _, name := range names {
		if kindOf(name) != wav {
			continue
		}
		raw, known := named[Fold(name)]
		info, err := os.Lstat(filepath.Join(dir, name))
		switch {
		case err != nil:
			return nil, nil, fmt.Errorf("look at recording: %w", err)
		case !info.Mode().IsRegular():
			return nil, nil, refuse("%s is a link or a folder and no recording; lectern audit tells what to do about it", Plain(name))
		case !known:
			left = append(left, fmt.Sprintf("%s stays in the archive, because no recipe names it", Plain(name)))
			continue
		}
		files = append(files, shelfFile{
			from: filepath.Join(dir, name), name: raw.ArchivedAs, sum: raw.SHA256, bytes: info.Size(), look: lookAt(info), isRaw: true,
		})
	}
	return files, left, nil
}

// foundAt lists the recordings that were shelved elsewhere, or whose disk has another place
// now, and that lie in this folder.
func (sh *shelving) foundAt(folder string) (files []shelfFile) {
	for _, p := range sh.note.Places {
		for _, f := range p.Files {
			if p.folder() != folder && !exists(filepath.Join(sh.d.ws.Archive, sh.in, f.Name)) && liesAt(folder, f) {
				files = append(files, shelfFile{name: f.Name, sum: f.SHA256, bytes: f.Bytes, isRaw: true})
			}
		}
	}
	return files
}

// copyAll brings every file to the folder, or makes sure of the one that lies there. What
// is in the way is said before anything is copied.
func (sh *shelving) copyAll(folder string, files []shelfFile, to Shelf, fsys *countedFS) error {
	before, err := os.Lstat(folder)
	if err == nil && !before.IsDir() {
		err = refuse("%s is a file or a link and no folder", Plain(folder))
	}
	if err == nil {
		err = sh.sweep(folder)
	}
	if err != nil {
		return err
	}
	var missing, there []shelfFile
	var bytes, work int64
	for _, f := range files {
		is, err := sh.isThere(filepath.Join(folder, f.name), f.bytes)
		if err != nil {
			return err
		}
		if is {
			there, work = append(there, f), work+f.bytes
		} else {
			missing, bytes, work = append(missing, f), bytes+f.bytes, work+2*f.bytes // copied, and read back
		}
	}
	if free, err := freeBytes(folder); err != nil {
		return err
	} else if free < bytes {
		return refuse("the disk is too full: %s are free and %s are needed. Nothing was changed", amount(free), amount(bytes))
	}
	fsys.read = shareOf(work, to.Progress)
	for _, f := range there {
		if sum, _, err := sh.store.Confirm(filepath.Join(folder, f.name)); err != nil {
			return fmt.Errorf("read what lies on the disk: %w", err)
		} else if sum != f.sum {
			return otherBytes(filepath.Join(folder, f.name))
		}
	}
	for _, f := range missing {
		if err := sh.copyOne(f.from, filepath.Join(folder, f.name), f.sum); err != nil {
			return err
		}
	}
	after, err := os.Lstat(folder)
	if err != nil || !os.SameFile(before, after) {
		return refuse("%s was taken away or replaced meanwhile; nothing was removed here", Plain(folder))
	}
	return nil
}

// shareOf returns a function that is told of bytes done and tells the share of the whole.
func shareOf(whole int64, tell func(share float64)) func(int) {
	done := int64(0)
	return func(n int) {
		if done += int64(n); tell != nil && whole > 0 {
			tell(min(1, float64(done)/float64(whole)))
		}
	}
}

// isThere tells whether a name is taken, by what may be the file that is to get it. An empty
// file is what a crash leaves on a disk that cannot move without overwriting; it makes way.
func (sh *shelving) isThere(path string, bytes int64) (bool, error) {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, err
	case info.Mode().IsRegular() && info.Size() == 0 && bytes > 0:
		return false, sh.store.Remove(path)
	case !info.Mode().IsRegular() || info.Size() != bytes:
		return false, otherBytes(path)
	}
	return true, nil
}

func otherBytes(path string) error {
	return refuse("there is another %s in %s already, and nothing is overwritten; move it elsewhere, or choose another folder",
		Plain(filepath.Base(path)), Plain(filepath.Dir(path)))
}

// copyOne copies one file and says what went wrong in words.
func (sh *shelving) copyOne(from, to, sum string) error {
	err := sh.store.Copy(from, to, sum, filePerm)
	name := Plain(filepath.Base(to))
	switch {
	case err == nil:
		return nil
	case errors.Is(err, durable.ErrNotSame):
		if is, _, readErr := sh.store.Sum(from); readErr == nil && is != sum {
			return refuse("%s is not what it was when it was archived: it was changed or damaged. Put your second copy in place of %s", name, Plain(from))
		}
		return refuse("%s was written to %s, but other bytes came back; do not trust that disk. Nothing was removed", name, Plain(filepath.Dir(to)))
	case isDiskFull(err):
		return refuse("the disk became full while %s was copied; nothing was removed. Make room, and repeat the command", name)
	case errors.Is(err, syscall.EFBIG):
		return refuse("%s is larger than a file on that disk may be; choose a disk that is formatted otherwise. Nothing was removed", name)
	case errors.Is(err, fs.ErrExist):
		return otherBytes(to)
	}
	return fmt.Errorf("copy %q: %w", name, err)
}

// removeRaws removes from the archive what is safe elsewhere.
func (sh *shelving) removeRaws(folder string, files []shelfFile) error {
	for _, f := range files {
		if !f.isRaw || f.from == "" {
			continue
		}
		if err := sh.stillMine(); err != nil {
			return err
		}
		if !liesAt(folder, shelvedRaw{Name: f.name, Bytes: f.bytes}) {
			return refuse("the disk was taken off before all was done; nothing is lost. Connect it and repeat the command")
		}
		if info, err := os.Lstat(f.from); err != nil || !lookAt(info).sameBytes(f.look) {
			return refuse("%s was changed just now and stays in the archive; lectern audit tells what to do about it", Plain(filepath.Base(f.from)))
		}
		if err := sh.store.Remove(f.from); err != nil {
			return fmt.Errorf("remove recording: %w", err)
		}
	}
	return nil
}
