package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/text/unicode/norm"

	"lectern/watcher/internal/durable"
)

// probeDisk is one of the disks that a workspace lies on.
type probeDisk struct {
	folder string // one that lies there, for the sentences
	on     string // "" if there is one disk only
	trial  string // a folder of ours on it
	fs     durable.FS
}

// tryRights does in each folder what the watcher does there.
func (p *prober) tryRights(context.Context) {
	const what = "rights"
	var fine, faults []string
	folders := map[string][]string{} // by what is wrong with them
	for _, folder := range p.folders() {
		name := filepath.Base(folder)
		did, err := p.useFolder(folder)
		if err == nil {
			fine = append(fine, name)
			continue
		}
		p.bad[folder] = true
		fault := fmt.Sprintf("cannot be %s: %s", did, plainly(err))
		if folders[fault] == nil {
			faults = append(faults, fault)
		}
		folders[fault] = append(folders[fault], name)
	}
	for _, fault := range faults {
		p.todo(what, "a file in %s %s", inWords(folders[fault]), fault)
	}
	if p.ws == nil {
		return
	}
	if strangersStay(p.ws.Inbox) {
		p.todo(what, "only its owner may take other people's recordings out of inbox (its sticky bit is set), and that is somebody else; "+
			"make whoever runs lectern the owner of inbox")
	} else if len(fine) > 0 {
		p.ok(what, "files can be made, written, read, renamed and deleted in %s", inWords(fine))
	}
}

// useFolder makes, writes, reads, renames and deletes a file. did is what failed.
func (p *prober) useFolder(folder string) (did string, err error) {
	from, to := p.temp(folder), p.temp(folder)
	for _, step := range []struct {
		did string
		do  func() error
	}{
		{"made", func() error { return put(p.store.FS, from, "") }},
		{"seen in the folder's list", func() error { return lists(folder, filepath.Base(from)) }},
		{"deleted", func() error { return p.store.FS.Remove(from) }},
		{"written", func() error { return put(p.store.FS, from, probeText) }},
		{"read", func() error { return holds(p.store.FS, from, probeText) }},
		{"renamed", func() error { return p.store.Rename(from, to) }},
		{"deleted", func() error { return p.store.FS.Remove(to) }},
	} {
		if err := step.do(); err != nil {
			return step.did, err
		}
	}
	return "", nil
}

// lists tells, by an error, that a folder does not list a name.
func lists(folder, name string) error {
	names, err := durable.ListFolder(folder)
	if err == nil && !slices.Contains(names, name) {
		err = errors.New("it is not listed")
	}
	return err
}

// tryDisks finds out which folders lie on one disk: for inbox and working a file is
// moved, as for a claim.
func (p *prober) tryDisks(context.Context) {
	if p.ws == nil {
		return
	}
	const what = "disks"
	if says := p.ws.diskAway(p.ws.mounts()); says != "" {
		p.todo(what, "%s", says)
	}
	if !p.bad[p.ws.Inbox] && !p.bad[p.ws.Working] {
		from, to := p.temp(p.ws.Inbox), p.temp(p.ws.Working)
		err := put(p.store.FS, from, "")
		if err == nil {
			err = p.store.Rename(from, to)
		}
		if err != nil {
			p.todo(what, "inbox and working must lie on one disk, so that a recording can be taken in one step, and a file cannot be moved between them (%v); "+
				"let both be ordinary folders of the workspace", bare(err))
		} else {
			p.ok(what, "%s", p.whereAll())
		}
	}
	p.disks = append(p.disks, probeDisk{folder: p.ws.Working})
	for _, folder := range []string{p.ws.Finished, p.ws.Archive, p.ws.SetAside} {
		if !slices.ContainsFunc(p.disks, func(d probeDisk) bool { return sameDisk(d.folder, folder) }) {
			p.disks = append(p.disks, probeDisk{folder: folder})
		}
	}
	several := len(p.disks) > 1
	p.disks = slices.DeleteFunc(p.disks, func(d probeDisk) bool { return p.bad[d.folder] })
	for i, d := range p.disks {
		if several {
			p.disks[i].on = "on the disk of " + filepath.Base(d.folder) + ": "
		}
		p.disks[i].fs = p.newDisk()
		p.disks[i].trial = p.temp(d.folder)
		if err := os.Mkdir(p.disks[i].trial, folderPerm); err != nil {
			p.todo("rights", "a folder in %s cannot be made: %s", filepath.Base(d.folder), plainly(err))
		}
	}
	p.disks = slices.DeleteFunc(p.disks, func(d probeDisk) bool { return !exists(d.trial) })
}

// whereAll tells which folders lie on the disk of inbox and working, and which do not.
func (p *prober) whereAll() string {
	here, away := []string{"inbox", "working"}, []string{}
	for _, folder := range []string{p.ws.Finished, p.ws.Archive, p.ws.SetAside} {
		name := filepath.Base(folder)
		switch {
		case sameDisk(p.ws.Working, folder):
			here = append(here, name)
		case mountPoint(folder) != "":
			away = append(away, name+" on the one at "+Plain(mountPoint(folder)))
		default:
			away = append(away, name+" on another")
		}
	}
	says := inWords(here) + " lie on one disk"
	if len(away) > 0 {
		says += ", " + inWords(away) + ", where files are copied and compared instead of moved"
	}
	return says
}

// tryRename looks whether a renamed file is the same file, and seen at once.
func (p *prober) tryRename(context.Context) {
	const what = "renaming"
	for _, d := range p.disks {
		from, to := filepath.Join(d.trial, "01.wav"), filepath.Join(d.trial, "02.wav")
		same := false
		err := put(d.fs, from, probeText)
		if err == nil {
			same, err = renamed(d.fs, from, to)
		}
		switch {
		case err != nil:
			p.todo(what, "%sa renamed file is not under its new name as it was: %s", d.on, plainly(err))
		case !same:
			p.ok(what, "%sa renamed file keeps its bytes and is seen at once; the disk takes it for another file, which only makes lectern look once more", d.on)
		default:
			p.ok(what, "%sa renamed file stays the same file, and is seen at once", d.on)
		}
	}
}

func renamed(disk durable.FS, from, to string) (same bool, err error) {
	before, err := os.Lstat(from)
	if err != nil {
		return false, err
	}
	if err := disk.Rename(from, to); err != nil {
		return false, err
	}
	after, err := os.Lstat(to)
	if err != nil {
		return false, err
	}
	if exists(from) {
		return false, errors.New("it is still there under its old name")
	}
	err = errors.Join(lists(filepath.Dir(to), filepath.Base(to)), holds(disk, to, probeText))
	return os.SameFile(before, after), err
}

// tryNoClobber looks whether the renames of the watcher refuse a name that is taken.
func (p *prober) tryNoClobber(context.Context) {
	const what = "no overwriting"
	for _, d := range p.disks {
		const theirs = "somebody else's\n"
		from, to := filepath.Join(d.trial, "03.wav"), filepath.Join(d.trial, "04.wav")
		err := errors.Join(put(d.fs, from, probeText), put(d.fs, to, theirs))
		for _, rename := range []func() error{
			func() error { return d.fs.Rename(from, to) },
			func() error { return d.fs.Give(from, d.trial, filepath.Base(to)) },
		} {
			if err != nil {
				break
			}
			switch err = rename(); {
			case err == nil:
				err = errors.New("a file was put over another one")
			case errors.Is(err, fs.ErrExist):
				err = errors.Join(holds(d.fs, from, probeText), holds(d.fs, to, theirs))
			}
		}
		if err != nil {
			p.todo(what, "%sa name that is taken is not safely refused, so that one file could replace another: %s", d.on, plainly(err))
			continue
		}
		p.ok(what, "%sa name that is taken is refused, and nothing is overwritten", d.on)
	}
}

// tryFlush asks the disk to confirm that files, and the names in a folder, are written.
func (p *prober) tryFlush(context.Context) {
	const what = "power cut"
	for _, d := range p.disks {
		err := durable.Store{FS: d.fs, Tag: p.store.Tag}.Write(filepath.Join(d.trial, "05.wav"), []byte(probeText), filePerm)
		asked, can := d.fs.(interface{ Unconfirmed() bool })
		switch {
		case err != nil:
			p.todo(what, "%sthe disk does not manage to write a file for good: %s", d.on, plainly(err))
		case can && asked.Unconfirmed():
			p.todo(what, "%sthis disk does not confirm that files are safely written; a disk in this computer does. "+
				"If you stay with it, run lectern audit after a power cut", d.on)
		default:
			p.ok(what, "%sthe disk confirms that files and their names are safely written", d.on)
		}
	}
}

// tryNames gives files names of the kinds that some disks change or refuse.
func (p *prober) tryNames(context.Context) {
	for _, d := range p.disks {
		p.trySpellings(d)
		p.tryOddNames(d)
	}
}

// trySpellings looks whether the disk takes two spellings of a name for one.
func (p *prober) trySpellings(d probeDisk) {
	const what = "spellings"
	const composed = "06 caf\u00e9.wav"
	path := filepath.Join(d.trial, composed)
	if err := put(d.fs, path, ""); err != nil {
		p.todo(what, "%sa name with an accent is refused: %s", d.on, plainly(err))
		return
	}
	var one []string
	if exists(filepath.Join(d.trial, strings.ToUpper(composed))) {
		one = append(one, "upper and lower case")
	}
	if exists(filepath.Join(d.trial, norm.NFD.String(composed))) {
		one = append(one, "the two ways to write an accent")
	}
	switch stored := listedLike(d.trial, composed); {
	case stored == "":
		p.todo(what, "%sa name with an accent comes back as another name, so that chapters would be mixed up; choose another place", d.on)
	case len(one) > 0:
		p.ok(what, "%s%s are one name here: \"Ferry.wav\" and a second spelling of it cannot lie side by side. lectern counts on that", d.on, inWords(one))
	default:
		p.ok(what, "%seach spelling of a name is a file of its own here; lectern takes them for one chapter all the same", d.on)
	}
}

// listedLike returns the name in a folder that is the given one in some spelling.
func listedLike(folder, name string) string {
	names, err := durable.ListFolder(folder)
	if err != nil {
		return ""
	}
	for _, n := range names {
		if sameName(n, name) {
			return n
		}
	}
	return ""
}

// tryOddNames: one longer than lectern ever gives, one in Japanese, and one with a colon.
func (p *prober) tryOddNames(d probeDisk) {
	const what = "names"
	var refused []string
	for kind, name := range map[string]string{
		"long ones (200 bytes)": "07 " + strings.Repeat("n", 193) + ".wav",
		"Japanese ones":         "07 \u7b2c\u4e09\u7ae0 \u6e21\u3057\u8239.wav",
	} {
		if put(d.fs, filepath.Join(d.trial, name), "") != nil || listedLike(d.trial, name) == "" {
			refused = append(refused, kind)
		}
	}
	slices.Sort(refused)
	const colon = "07 Ferry: the crossing.wav"
	colonToo := put(d.fs, filepath.Join(d.trial, colon), "") == nil && listedLike(d.trial, colon) != ""
	switch {
	case len(refused) > 0:
		p.todo(what, "%sthis disk cannot hold every name: it refuses %s. Give books and recordings short plain names, or choose another place", d.on, inWords(refused))
	case colonToo:
		p.ok(what, "%slong names, Japanese ones and ones with a colon can be used", d.on)
	default:
		p.ok(what, "%slong and Japanese names can be used; no name here can hold a colon, and lectern writes none", d.on)
	}
}

// tryWriter looks whether the system tells that a file is still open in another program.
func (p *prober) tryWriter(context.Context) {
	const what = "still being written"
	if len(p.disks) == 0 || p.bad[p.ws.Working] {
		return
	}
	path := filepath.Join(p.disks[0].trial, "08.wav")
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, filePerm)
	if err != nil {
		p.todo(what, "could not be tried: %s", plainly(err))
		return
	}
	open, err := p.hasWriter(path)
	err = errors.Join(err, f.Close())
	shut, shutErr := p.hasWriter(path)
	quiet := p.quiet()
	switch err = errors.Join(err, shutErr); {
	case err != nil:
		p.todo(what, "whether a file is still being written cannot be asked: %s", plainly(err))
	case open == no, shut == yes:
		p.todo(what, "the system is wrong about whether a file is still being written, so that a recording could be taken too early; choose another place, or set quiet_s in lectern.toml to 60 and more")
	case open == yes && shut == no:
		p.ok(what, "the system tells whether a recording of this user is still open in another program")
	default:
		p.ok(what, "the system does not tell whether a recording is still open in another program, so lectern waits longer: it takes one that has not changed for %s", inSeconds(3*quiet))
	}
}

// quiet is how long a recording here must not have changed.
func (p *prober) quiet() time.Duration {
	if p.set.PollOnly || isNetwork(p.ws.Inbox) {
		return p.set.NetworkQuiet
	}
	return p.set.Quiet
}

func inSeconds(d time.Duration) string { return fmt.Sprintf("%.0f s", d.Seconds()) }

// inWords joins with commas and an "and".
func inWords(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
