package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// Beside a chapter lies a clip to listen to, in a folder of its own. It is derived from
// the recordings like the chapter, and unlike it nobody hands it over: there is one of the
// newest revision, or none.
const (
	clipFolder = "listen"
	clipEnding = ".before.mp3"
)

// clipAt is the place of a chapter's clip.
func clipAt(s shelf) place {
	return place{"finished", path.Join(s.Book, clipFolder, s.Stem+clipEnding)}
}

// replaceClip plans to publish the clip that was made with a chapter, if there is one, in
// place of the one before.
func (d *daemon) replaceClip(p *plan, j *job, s shelf, made Made) error {
	if err := d.dropClip(p, s); err != nil || made.Beside == "" || d.clipHeld(clipAt(s)) != "" {
		return err
	}
	sum, _, err := d.store.Sum(made.Beside)
	if err != nil {
		return err
	}
	if sum != made.BesideSHA256 {
		return fmt.Errorf("check the clip: %w", durable.ErrNotSame)
	}
	from, err := jobFile(j, made.Beside)
	p.Steps = append(p.Steps, step{From: from, To: clipAt(s), SHA256: sum})
	return err
}

// dropClip plans to remove a chapter's clip.
func (d *daemon) dropClip(p *plan, s shelf) error {
	if says := d.clipHeld(clipAt(s)); says != "" {
		d.log.Warn(says, zap.String("book", s.Book))
		return nil
	}
	return d.removeText(p, clipAt(s))
}

// paperClip is the name, in the job's folder, of a clip that goes with its chapter to
// another name.
const paperClip = "clip.mp3"

// renameClip plans to publish a chapter's clip under another name; dropClip removes it
// under the old one.
func (d *daemon) renameClip(p *plan, j *job, from, to shelf) error {
	if d.clipHeld(clipAt(from)) != "" {
		return nil // told by dropClip
	}
	data, err := ReadPaper(d.ws.at(clipAt(from), ""))
	if errors.Is(err, fs.ErrNotExist) {
		return d.dropClip(p, to)
	}
	if err != nil {
		return fmt.Errorf("read the clip: %w", err)
	}
	if err := d.dropClip(p, to); err != nil || d.clipHeld(clipAt(to)) != "" {
		return err
	}
	return d.paper(p, j, paperClip, data, clipAt(to))
}

// clipHeld says what lies in place of a clip, or of its folder, and is neither: a link,
// which might lead elsewhere, or a file of hers. "" if nothing does, and of other places.
func (d *daemon) clipHeld(at place) string {
	dir := path.Dir(at.Path)
	if path.Base(dir) != clipFolder || at.In != "finished" {
		return ""
	}
	const says = "%s in finished is not what this program puts there, and is left alone; move it elsewhere, and make the chapters again to have clips to listen to"
	if info, err := os.Lstat(d.ws.at(place{at.In, dir}, "")); err == nil && !info.IsDir() {
		return fmt.Sprintf(says, Plain(dir))
	}
	if info, err := os.Lstat(d.ws.at(at, "")); err == nil && !info.Mode().IsRegular() {
		return fmt.Sprintf(says, Plain(at.Path))
	}
	return ""
}
