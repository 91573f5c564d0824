package watcher

import (
	"os"
	"path/filepath"
)

// shelvedNote reads what the archive's folder of a book tells of recordings on other disks.
func (a *auditor) shelvedNote(book, at string) shelvedNote {
	n, err := a.ws.shelvedNote(book)
	if a.opened(book, at, err) == otherwise {
		a.wrong("bad_note", book, at, "the note cannot be read that tells on which disk recordings of this book lie; put your second copy in its place")
	}
	return n
}

// isHeld tells whether a file only holds the name of a recording that was to come back.
func (a *auditor) isHeld(path string, f shelvedRaw) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Size() == 0 && f.Bytes > 0
}

// shelved checks the recordings on other disks, as far as these are connected, and takes
// them off the list of those that are to be in the archive.
func (a *auditor) shelved(book, at string, n shelvedNote, named map[string]namedRaw) error {
	for _, p := range n.Places {
		info, err := os.Lstat(p.folder())
		connected := err == nil && info.IsDir()
		var only []shelvedRaw // what is not in the archive as well
		both := 0
		for _, f := range p.Files {
			if exists(filepath.Join(a.ws.Archive, book, f.Name)) {
				both++
			}
			want, missing := named[Fold(f.Name)]
			if !missing || want.sum != f.SHA256 {
				continue
			}
			only = append(only, f)
			delete(named, Fold(f.Name))
			if !connected {
				continue
			}
			name := at + "/" + f.Name
			found, err := a.compare(book, name, filepath.Join(p.folder(), f.Name), f.SHA256)
			if err != nil {
				return err
			}
			switch found {
			case gone:
				a.wrong("missing_raw", book, name, "the recording is gone from the disk %s, where it was shelved in %s, and its chapter cannot be made again; put your second copy there",
					inQuotes(p.Disk), Plain(p.folder()))
			case otherwise:
				a.wrong("changed_raw", book, name, "what lies on the disk %s, in %s, is not the recording that was shelved; put your second copy in its place",
					inQuotes(p.Disk), Plain(p.folder()))
			}
		}
		a.out.LookedAt.Shelved += len(only)
		if both > 0 {
			a.note("shelved_too", book, at, "%s on the disk %s and here as well; lectern shelve, repeated, makes the room", counted(both, "recording"), inQuotes(p.Disk))
		}
		if len(only) == 0 {
			continue
		}
		which, size := counted(len(only), "recording"), amount(shelvedPlace{Files: only}.bytes())
		if connected {
			a.note("shelved", book, at, "%s, %s, shelved on the disk %s, which is connected: they were read there", which, size, inQuotes(p.Disk))
		} else {
			a.note("shelved", book, at, "%s, %s, shelved on the disk %s, which is not connected, so they were not read; they are to be in %s",
				which, size, inQuotes(p.Disk), Plain(p.folder()))
		}
	}
	return nil
}
