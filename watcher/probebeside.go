package watcher

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"lectern/watcher/internal/durable"
)

// clockSlack is how far the clock of a disk may be off: some disks keep times to 2 s
// only (FAT, from memory).
const clockSlack = 2 * time.Second

// The years a clock that is set can tell: no earlier than this program, and no later than
// any use of it. Our choice.
const firstYear, lastYear = 2026, 2099

// tryClock compares the time a new file gets with that of this computer.
func (p *prober) tryClock(context.Context) {
	const what = "clock"
	for _, d := range p.disks {
		before := p.now()
		path := filepath.Join(d.trial, "09.wav")
		err := put(d.fs, path, probeText)
		after := p.now()
		info, statErr := os.Lstat(path)
		if err != nil || statErr != nil {
			p.todo(what, "%sthe time of a file cannot be read; choose another place", d.on)
			continue
		}
		off := time.Duration(0)
		if early := before.Sub(info.ModTime()); early > 0 {
			off = early
		} else if late := info.ModTime().Sub(after); late > 0 {
			off = late
		}
		switch {
		case before.Year() < firstYear || before.Year() > lastYear:
			p.todo(what, "this computer's clock says %s; set it", before.Format("2 January 2006"))
		case off > clockSlack:
			p.todo(what, "%sthe clock of this disk or share differs from this computer's by %s; let both be set by a time server", d.on, roughly(off))
		default:
			p.ok(what, "%snew files get the time of this computer's clock", d.on)
		}
	}
}

// roughly is a time in words.
func roughly(d time.Duration) string {
	switch {
	case d < 3*time.Minute:
		return inSeconds(d)
	case d < 3*time.Hour:
		return fmt.Sprintf("about %.0f minutes", d.Minutes())
	case d < 3*24*time.Hour:
		return fmt.Sprintf("about %.0f hours", d.Hours())
	}
	return fmt.Sprintf("about %.0f days", d.Hours()/24)
}

// tryRoom tells how many hours of recordings fit.
func (p *prober) tryRoom(context.Context) {
	if p.ws == nil {
		return
	}
	const what = "room"
	left, err := p.ws.roomLeft(p.set.FreeMarginBytes)
	switch {
	case err != nil:
		p.todo(what, "how full the disk is cannot be told: %s", plainly(err))
	case left.HoursLeft < 1:
		p.todo(what, "%s are free, too little for one more hour of recordings; make room, or use a larger disk", gigabytes(left.FreeBytes))
	default:
		p.ok(what, "%s are free, enough for about %.0f hours of recordings", gigabytes(left.FreeBytes), left.HoursLeft)
	}
}

// tryOthers looks who else works here: on this computer by the lock, on others by the
// leases of the jobs.
func (p *prober) tryOthers(context.Context) {
	if p.ws == nil || p.isNew {
		return
	}
	const what = "another lectern"
	pid, _, err := watchedBy(p.ws, p.set.LockDir)
	if err != nil {
		p.todo(what, "whether another lectern runs here cannot be told: %s", plainly(err))
		return
	}
	if host := p.busyHost(); host != "" {
		p.todo(what, "lectern on another computer (%s) works on this workspace; nothing is lost if both do, but stop one of them unless you mean it", Plain(host))
		return
	}
	switch pid {
	case 0:
		p.ok(what, "no other lectern works on this workspace")
	case os.Getpid():
		p.ok(what, "this lectern watches this workspace")
	default:
		p.ok(what, "lectern watches this workspace already (process %d); a second one is refused", pid)
	}
}

// busyHost returns another computer that renewed the lease of a job not long ago.
func (p *prober) busyHost() string {
	names, err := namesIn(p.ws.Working)
	if err != nil {
		return "" // the trial of the rights has told
	}
	for _, name := range names {
		lease := filepath.Join(p.ws.Working, name, "lease")
		info, err := os.Lstat(lease)
		if err != nil || p.now().Sub(info.ModTime()) > p.set.leaseLife {
			continue
		}
		var o owner
		if text, err := ReadPaper(lease); err == nil && json.Unmarshal(text, &o) == nil && !o.Released && o.Host != p.me.Host {
			host, _, _ := strings.Cut(o.Host, " ")
			return host
		}
	}
	return ""
}

// syncMarks are files that programs leave in a folder they keep the same on several
// computers. The first two are Syncthing's own, the others those of open desktop
// clients for a server of one's own, from memory.
var syncMarks = []string{".stfolder", ".syncthing*", ".sync_*.db", "._sync_*.db"}

// syncPlaces are parts of paths where macOS keeps such folders, from memory.
var syncPlaces = []string{"/library/mobile documents/", "/library/cloudstorage/"}

// marksAtMost bounds how many names of a folder are looked at. Our choice.
const marksAtMost = 2000

// trySynced looks for signs that another program copies working or archive elsewhere,
// and so may read half-written files, change them, or put copies beside them.
func (p *prober) trySynced(context.Context) {
	const what = "copied elsewhere"
	folders := []string{p.place}
	if p.ws != nil && !p.isNew {
		folders = []string{p.ws.Working, p.ws.Archive}
	}
	for _, folder := range folders {
		sign := syncedBy(folder)
		if sign == "" {
			continue
		}
		name, where := filepath.Base(folder), "make the workspace in an ordinary folder"
		if p.ws != nil && !p.isNew {
			where = "move the workspace into an ordinary folder"
		}
		p.todo(what, "%s seems to lie in a folder that another program copies to a cloud or to other computers (%s); %s: such programs change and lock files in mid-work",
			Plain(name), Plain(sign), where)
		return
	}
	p.ok(what, "nothing shows that another program copies these folders to a cloud or to other computers")
}

// syncedBy returns a sign that a folder, or one above it, is synchronized; "" for none.
func syncedBy(folder string) string {
	real, err := filepath.EvalSymlinks(folder)
	if err != nil {
		real = folder
	}
	slashed := strings.ToLower(filepath.ToSlash(real)) + "/"
	for _, place := range syncPlaces {
		if strings.Contains(slashed, place) {
			return "the folder " + strings.Trim(place, "/")
		}
	}
	for dir := real; ; dir = filepath.Dir(dir) {
		if sign := marksIn(dir, dir == real); sign != "" {
			return sign
		}
		if dir == filepath.Dir(dir) {
			return ""
		}
	}
}

// marksIn looks at one folder: its name, what the system keeps of it, and the names in it;
// at the files themselves too if it is the folder in question.
func marksIn(dir string, files bool) string {
	name := strings.ToLower(filepath.Base(dir))
	if name == "sync" || name == "synced" || strings.HasSuffix(name, "cloud") {
		return "the folder's name is " + filepath.Base(dir)
	}
	if info, err := os.Lstat(dir); err == nil && liesInCloud(info) {
		return "the system says so of " + filepath.Base(dir)
	}
	f, err := os.Open(dir)
	if err != nil {
		return "" // not for this user to look into
	}
	defer f.Close()
	names, _ := f.Readdirnames(marksAtMost) // as many as there are
	for _, n := range names {
		for _, mark := range syncMarks {
			if match, _ := path.Match(mark, strings.ToLower(n)); match {
				return "there is a " + n + " in " + filepath.Base(dir)
			}
		}
		if !files {
			continue
		}
		if info, err := os.Lstat(filepath.Join(dir, n)); err == nil && liesInCloud(info) {
			return "the system says that " + n + " does not lie on this computer"
		}
	}
	return ""
}

// tryMachine tells how many chapters are made at once.
func (p *prober) tryMachine(context.Context) {
	const what = "computer"
	memory := memoryBytes()
	says := fmt.Sprintf("%d at once (%s", jobsAtOnce(p.set.Jobs), countedCores(runtime.NumCPU()))
	if memory > 0 {
		says += ", " + gigabytes(memory) + " of memory"
	}
	if memory > 0 && memory/2 < jobBytes {
		p.todo(what, "%s of memory is too little to make a chapter beside all else; at least %s is needed", gigabytes(memory), gigabytes(2*jobBytes))
		return
	}
	p.ok(what, "chapters are made %s)", says)
}

func countedCores(n int) string {
	if n == 1 {
		return "1 core"
	}
	return fmt.Sprintf("%d cores", n)
}

// trySpeed says if what was tried took long.
func (p *prober) trySpeed(context.Context) {
	if took := p.now().Sub(p.began); took > p.slowly {
		p.todo("speed", "this place answers slowly: it took %s to try what takes less than a second elsewhere. "+
			"A workspace on a disk of this computer would be quicker", inSeconds(took))
	}
}

// tryNotice waits for the system to tell of a new file in the inbox.
func (p *prober) tryNotice(ctx context.Context) {
	if p.ws == nil || p.bad[p.ws.Inbox] {
		return
	}
	const what = "new recordings"
	byItself := func(every time.Duration) string { return "lectern looks by itself every " + inSeconds(every) }
	found := byItself(min(pollPause, p.set.Rescan))
	switch {
	case p.set.PollOnly:
		p.ok(what, "%s, as you asked", found)
		return
	case pollsByDefault:
		p.ok(what, "%s on this system", found)
		return
	}
	took, err := p.toldWithin(ctx)
	switch {
	case err != nil:
		p.todo(what, "the system cannot tell of new recordings (%s). Nothing is lost: %s. Stop programs that watch many folders, or raise what the system allows",
			Plain(err.Error()), found)
	case isNetwork(p.ws.Inbox):
		p.ok(what, "inbox lies on another computer, or is only shown here by a helper program, and then not every new file is told of: %s, and takes a recording that has not changed for %s",
			found, inSeconds(p.set.NetworkQuiet))
	case took < 0:
		p.todo(what, "the system does not tell of a new file in inbox within %s. Nothing is lost: %s; start it with lectern watch --poll, so that it waits long enough for slow copies",
			inSeconds(p.patience), byItself(p.set.Rescan))
	default:
		p.ok(what, "a new file in inbox is noticed at once")
	}
}

// toldWithin makes a file in the inbox and returns how long the notification took,
// negative if none came.
func (p *prober) toldWithin(ctx context.Context) (took time.Duration, err error) {
	told, stop, err := p.listen(p.ws.Inbox)
	if err != nil {
		return 0, err
	}
	defer stop()
	path := p.temp(p.ws.Inbox)
	began := time.Now()
	if err := put(p.store.FS, path, ""); err != nil {
		return 0, err
	}
	limit := time.NewTimer(p.patience)
	defer limit.Stop()
	select {
	case <-told:
		return time.Since(began), p.store.FS.Remove(path)
	case <-limit.C:
	case <-ctx.Done():
	}
	return -1, p.store.FS.Remove(path)
}

// listenTo is the watcher's own way to be told.
func listenTo(folder string) (told <-chan struct{}, stop func(), err error) {
	h, err := newHints(folder)
	if err != nil {
		return nil, nil, err
	}
	if err := h.arm(folder); err != nil {
		h.close()
		return nil, nil, err
	}
	return h.ready, h.close, nil
}

// bookFolders counts the folders in the inbox that are watched, itself included.
func (p *prober) bookFolders() int {
	names, err := durable.ListFolder(p.ws.Inbox)
	if err != nil {
		return 1
	}
	n := 1
	for _, name := range names {
		if info, err := os.Lstat(filepath.Join(p.ws.Inbox, name)); err == nil && info.IsDir() && kindOf(name) != junk {
			n++
		}
	}
	return n
}
