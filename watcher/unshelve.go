package watcher

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"go.uber.org/zap"
)

// Unshelve copies the shelved recordings of a book back into the archive, each read back and
// compared, and then takes the note away. The copies on the other disk stay. from.Dir is
// where that disk is now, "" for where it was. What cannot be brought back stays in the
// note, and Left says why. A RefusedError says why nothing can.
func Unshelve(ctx context.Context, ws *Workspace, s Settings, in string, from Shelf) (Shelved, error) {
	s.unlocked = true
	d := newDaemon(ws, s.withDefaults(), Hands{}, zap.NewNop())
	fsys := &countedFS{FS: d.set.fs, ctx: ctx, read: func(int) {}}
	// Work on a chapter goes on meanwhile: what comes to lie in the archive is in nobody's way.
	sh, release, err := begin(d, fsys, in, false)
	if err != nil {
		return Shelved{}, err
	}
	out, err := sh.unshelve(from, fsys)
	return out, errors.Join(err, release())
}

func (sh *shelving) unshelve(from Shelf, fsys *countedFS) (out Shelved, err error) {
	if len(sh.note.Places) == 0 {
		return out, refuse("nothing of this book was shelved")
	}
	archive := filepath.Join(sh.d.ws.Archive, sh.in)
	var need, work int64
	var rest shelvedNote // what cannot be brought back now
	var here, there []shelfFile
	for _, p := range sh.note.Places {
		folder, away := p.folder(), 0
		if from.Dir != "" {
			if folder, err = filepath.Abs(filepath.Join(from.Dir, sh.in)); err != nil {
				return out, err
			}
		}
		gone := p
		gone.Files = nil
		for _, f := range p.Files {
			is, err := sh.isThere(filepath.Join(archive, f.Name), f.Bytes)
			file := shelfFile{from: filepath.Join(folder, f.Name), name: f.Name, sum: f.SHA256, bytes: f.Bytes}
			switch {
			case err != nil:
				return out, err
			case is:
				here, work = append(here, file), work+f.Bytes
			case liesAt(folder, f):
				there, need, work = append(there, file), need+f.Bytes, work+2*f.Bytes
				out.Disk, out.Folder = p.Disk, folder
			default:
				gone.Files, away = append(gone.Files, f), away+1
			}
		}
		if away > 0 {
			rest.Places = append(rest.Places, gone)
			out.Left = append(out.Left, fmt.Sprintf("%s on the disk %s cannot be found in %s; connect that disk and repeat the command",
				counted(away, "recording"), inQuotes(p.Disk), Plain(folder)))
		}
	}
	if len(here)+len(there) == 0 {
		return out, refuse("%s. If the disk has another place now, say where: %s --from FOLDER", out.Left[0], toBringBack(sh.in))
	}
	if free, err := freeBytes(archive); err != nil {
		return out, err
	} else if need > 0 && free < need+sh.d.set.FreeMarginBytes {
		return out, refuse("the archive's disk is too full: %s are free and %s are needed. Nothing was changed", amount(free), amount(need+sh.d.set.FreeMarginBytes))
	}
	fsys.read = shareOf(work, from.Progress)
	for _, f := range here {
		if sum, _, err := sh.store.Confirm(filepath.Join(archive, f.name)); err != nil {
			return out, err
		} else if sum != f.sum {
			return out, otherBytes(filepath.Join(archive, f.name))
		}
	}
	for _, f := range there {
		if err := sh.copyOne(f.from, filepath.Join(archive, f.name), f.sum); err != nil {
			return out, err
		}
		out.Recordings, out.Bytes = out.Recordings+1, out.Bytes+f.bytes
	}
	if err := sh.stillMine(); err != nil {
		return out, err
	}
	return out, sh.writeNote(rest)
}
