package watcher

import (
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
)

// The note that a shelved book leaves in its folder of the archive: shelvedFile is what the
// program reads, shelvedText what a person does.
const (
	shelvedFile   = "shelved.json"
	shelvedText   = "shelved.txt"
	shelvedSchema = "lectern-shelved/1"
)

// shelvedNote tells which recordings of a book lie on other disks. Its zero value is that
// of a book of which nothing was shelved.
type shelvedNote struct {
	Schema string         `json:"schema"`
	Says   string         `json:"says"`
	Places []shelvedPlace `json:"places"`
}

// shelvedPlace is a folder on another disk.
type shelvedPlace struct {
	Disk      string       `json:"disk"`   // as the person named it, or its label
	Folder    string       `json:"folder"` // the book's folder there, absolute
	FolderHex string       `json:"folder_hex"`
	ShelvedAt time.Time    `json:"shelved_at"` // UTC
	Files     []shelvedRaw `json:"files"`
}

// shelvedRaw is one recording, by its name in the archive.
type shelvedRaw struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"` // lower-case hex
}

func (p shelvedPlace) folder() string { return fromHex(p.FolderHex, p.Folder) }

func (p shelvedPlace) bytes() (n int64) {
	for _, f := range p.Files {
		n += f.Bytes
	}
	return n
}

// shelvedNote reads the note of a book's folder in the archive. One that cannot be relied
// on is an errNotJSON.
func (ws *Workspace) shelvedNote(in string) (shelvedNote, error) {
	var n shelvedNote
	err := readJSON(filepath.Join(ws.Archive, in, shelvedFile), &n)
	if errors.Is(err, fs.ErrNotExist) {
		return shelvedNote{}, nil
	}
	if err == nil {
		err = n.isSound()
	}
	if err != nil {
		return shelvedNote{}, fmt.Errorf("read note: %w", err)
	}
	return n, nil
}

// isSound returns an errNotJSON if a name in the note would lead elsewhere, or if it is
// none of a version that is known here.
func (n shelvedNote) isSound() error {
	var names []string
	for _, p := range n.Places {
		if !filepath.IsAbs(p.folder()) {
			return fmt.Errorf("%w: %q: it names the folder %q", errNotJSON, shelvedFile, p.folder())
		}
		for _, f := range p.Files {
			names = append(names, f.Name)
			if sum, err := hex.DecodeString(f.SHA256); err != nil || len(sum) != 32 || f.Bytes < 0 {
				return fmt.Errorf("%w: %q: it tells no sum of %q", errNotJSON, shelvedFile, f.Name)
			}
		}
	}
	if n.Schema != shelvedSchema {
		return fmt.Errorf("%w: %q: it is of the kind %q", errNotJSON, shelvedFile, n.Schema)
	}
	return allPlain(shelvedFile, names)
}

// find returns where a recording of a name and sum was shelved.
func (n shelvedNote) find(name, sha256 string) (shelvedPlace, shelvedRaw, bool) {
	for _, p := range n.Places {
		for _, f := range p.Files {
			if sameName(f.Name, name) && f.SHA256 == sha256 {
				return p, f, true
			}
		}
	}
	return shelvedPlace{}, shelvedRaw{}, false
}

// has tells whether a name in the archive is that of a shelved recording.
func (n shelvedNote) has(name string) bool {
	return slices.ContainsFunc(n.Places, func(p shelvedPlace) bool {
		return slices.ContainsFunc(p.Files, func(f shelvedRaw) bool { return sameName(f.Name, name) })
	})
}

// with returns the note with one place more, and its files in no other.
func (n shelvedNote) with(at shelvedPlace) shelvedNote {
	out := shelvedNote{}
	for _, p := range n.Places {
		if p.folder() == at.folder() {
			at.Files = slices.Concat(at.Files, without(p.Files, at.Files))
			continue
		}
		if p.Files = without(p.Files, at.Files); len(p.Files) > 0 {
			out.Places = append(out.Places, p)
		}
	}
	out.Places = append(out.Places, at)
	return out
}

// without returns the files of a that are not among those of b.
func without(a, b []shelvedRaw) []shelvedRaw {
	return slices.DeleteFunc(slices.Clone(a), func(f shelvedRaw) bool {
		return slices.ContainsFunc(b, func(o shelvedRaw) bool { return sameName(o.Name, f.Name) })
	})
}

// says is the note for people.
func (n shelvedNote) says(in string) string {
	var b strings.Builder
	for _, p := range n.Places {
		fmt.Fprintf(&b, "On %s %s of this book, %s, went to the disk %s, into the folder %s. ",
			p.ShelvedAt.Format(time.DateOnly), counted(len(p.Files), "recording"), amount(p.bytes()), inQuotes(p.Disk), Plain(p.folder()))
	}
	fmt.Fprintf(&b, "What is in this folder stays here. Connect the disk when a recording is asked for, or bring all of them back with: %s", toBringBack(in))
	return b.String()
}

// text is what lies in shelvedText.
func (n shelvedNote) text(in string) string {
	var b strings.Builder
	b.WriteString(n.says(in) + "\n")
	for _, p := range n.Places {
		fmt.Fprintf(&b, "\nOn the disk %s, in %s:\n", inQuotes(p.Disk), Plain(p.folder()))
		for _, f := range p.Files {
			fmt.Fprintf(&b, "  %s, %d bytes, sha256 %s\n", f.Name, f.Bytes, f.SHA256)
		}
	}
	return b.String()
}

func toBringBack(in string) string { return fmt.Sprintf("lectern shelve %s --back", inQuotes(in)) }

// inQuotes is a name between quotation marks in a sentence.
func inQuotes(name string) string { return `"` + Plain(name) + `"` }

// amount is a number of bytes in words.
func amount(n int64) string {
	if n < 1e8 {
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return gigabytes(n)
}

// counted is a number of things in words.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// writeNote puts a note in the place of the one that lies in the archive, or takes that
// away if it names nothing more. The part for people comes after the other and goes before
// it: without the other it is somebody's own file, and left alone.
func (sh *shelving) writeNote(n shelvedNote) error {
	dir := filepath.Join(sh.d.ws.Archive, sh.in)
	file, text := filepath.Join(dir, shelvedFile), filepath.Join(dir, shelvedText)
	if len(n.Places) == 0 {
		if err := sh.store.Remove(text); err != nil {
			return err
		}
		return sh.store.Remove(file)
	}
	ours := exists(file) || !exists(text)
	n.Schema, n.Says = shelvedSchema, n.says(sh.in)
	data, err := json.MarshalIndent(n, "", " ")
	if err != nil {
		return fmt.Errorf("describe note: %w", err)
	}
	if err := sh.store.Put(data, dir, dir, shelvedFile, filePerm); err != nil || !ours {
		return err
	}
	return sh.store.Put([]byte(n.text(sh.in)), dir, dir, shelvedText, filePerm)
}

// rawAt is where an archived recording lies.
type rawAt struct {
	path string
	// shelved is set if that is on another disk. away then says which disk to connect, ""
	// if the recording lies there, by its name and size.
	shelved bool
	away    string
}

// archivedRaw finds the recording that a recipe names, in the archive or where it was
// shelved. Nobody else joins that path. One that is nowhere has its place in the archive.
func (ws *Workspace) archivedRaw(in string, r recipeRaw) rawAt {
	path := filepath.Join(ws.Archive, in, r.ArchivedAs)
	info, err := os.Lstat(path)
	n, noteErr := ws.shelvedNote(in)
	if noteErr != nil {
		return rawAt{path: path} // audit tells of it
	}
	p, f, ok := n.find(r.ArchivedAs, r.SHA256)
	// A crash on the way back may leave an empty file that only holds the name.
	held := err == nil && info.Mode().IsRegular() && info.Size() == 0 && f.Bytes > 0
	if !ok || !errors.Is(err, fs.ErrNotExist) && !held {
		return rawAt{path: path}
	}
	at := rawAt{path: filepath.Join(p.folder(), f.Name), shelved: true}
	if !liesAt(p.folder(), f) {
		at.away = fmt.Sprintf("it needs %s, which was shelved on the disk %s. Connect that disk, so that the recording is in %s again, "+
			"or bring all of the book back with: %s", Plain(f.Name), inQuotes(p.Disk), Plain(p.folder()), toBringBack(in))
	}
	return at
}

// liesAt tells whether a folder, which is no link, holds a file of that name and size.
func liesAt(folder string, f shelvedRaw) bool {
	dir, err := os.Lstat(folder)
	if err != nil || !dir.IsDir() {
		return false
	}
	info, err := os.Lstat(filepath.Join(folder, f.Name))
	return err == nil && info.Mode().IsRegular() && info.Size() == f.Bytes
}

// readable reads a shelved recording to its last byte: another disk may have taken the
// place of the one it was shelved on. says is what is wrong, "" if nothing is.
func (d *daemon) readable(at rawAt, r recipeRaw) (says string, err error) {
	if !at.shelved || at.away != "" {
		return at.away, nil
	}
	sum, _, err := d.store.Sum(at.path)
	if err != nil || sum == r.SHA256 {
		return "", err
	}
	return fmt.Sprintf("it needs %s, but what lies in %s under that name is not the recording that was shelved; connect the right disk, or put your second copy there",
		Plain(r.ArchivedAs), Plain(filepath.Dir(at.path))), nil
}
