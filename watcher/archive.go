package watcher

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lectern/watcher/internal/durable"
)

// shelf says how a chapter is filed: under which names, and what is there.
type shelf struct {
	// Book and Stem are the names in finished/ and archive/, spelled as they
	// were the first time.
	Book, Stem string
	// Highest is the highest revision known anywhere, 0 if there is none.
	Highest int
	// Current is the revision that lies under the plain name in finished/, and
	// HasFile tells whether its finished file is still there, Ending the ending of
	// such a file.
	Current int
	HasFile bool
	Ending  string
	// Recipe is the highest revision with a recipe in the archive, 0 if there is none;
	// Raws are its raws, in playing order, none if it is Sample, a stretch of another
	// chapter; and MadeSHA256 the sum of what was made, AudioSHA256 that of its sound.
	Recipe                  int
	Raws                    []recipeRaw
	Sample                  *Sample
	MadeSHA256, AudioSHA256 string
}

// recipeRaw is what the watcher reads of one raw in a recipe.
type recipeRaw struct {
	Role       string `json:"role"`
	Number     int    `json:"number"`
	Name       string `json:"name"`
	NameHex    string `json:"name_hex"`
	ArchivedAs string `json:"archived_as"`
	SHA256     string `json:"sha256"`
}

// member returns the raw as order wants it, named by its exact bytes.
func (r recipeRaw) member() member {
	return member{
		Role: r.Role, Number: r.Number, Name: fromHex(r.NameHex, r.Name),
		ArchivedAs: r.ArchivedAs, SHA256: r.SHA256,
	}
}

// revisionName matches what carries a revision in archive/ and superseded/.
var revisionName = regexp.MustCompile(`(?s)^(.+)\.r([0-9]{1,9})\.(recipe\.json|mp3|txt|json)$`)

// The endings of finished files.
const (
	endingMP3  = ".mp3"
	endingText = ".txt" // of a room test
)

// endingFor returns the ending of what is made of raws of a role.
func endingFor(role string) string {
	if role == roleRoomTest {
		return endingText
	}
	return endingMP3
}

// shelf finds a chapter in finished/ and archive/, whatever its spelling there.
// ending is that of its finished file.
func (ws *Workspace) shelf(book, chapter, ending string) (shelf, error) {
	filed, err := ws.filed(book)
	if err != nil {
		return shelf{}, err
	}
	s := shelf{Book: filed, Stem: outStem(chapter), Ending: ending}
	recipe := ""
	for _, dir := range []string{
		filepath.Join(ws.Finished, s.Book, "superseded"), filepath.Join(ws.Archive, s.Book),
	} {
		names, err := namesIn(dir)
		if err != nil {
			return shelf{}, err
		}
		for _, name := range names {
			if !mayBegin(name, s.Stem) {
				continue
			}
			m := revisionName.FindStringSubmatch(name)
			if m == nil || !sameName(m[1], s.Stem) {
				continue
			}
			s.Stem = m[1]
			n := revisionOf(m[2])
			if m[3] == "recipe.json" && n > s.Recipe {
				recipe, s.Recipe = filepath.Join(dir, name), n
			}
			s.Highest = max(s.Highest, n)
		}
	}
	if recipe != "" {
		// A damaged recipe counts as one without raws: order then asks for what
		// is missing.
		paper, err := readRecipe(recipe)
		if err != nil && !errors.Is(err, errNotJSON) {
			return shelf{}, fmt.Errorf("read recipe: %w", err)
		}
		s.MadeSHA256, s.AudioSHA256 = paper.Finished.SHA256, paper.Finished.AudioSHA256
		if s.Sample = paper.Sample; s.Sample == nil {
			s.Raws = paper.Raws
		}
	}
	return s, ws.current(&s)
}

// recipe is what the watcher reads of a recipe.
type recipe struct {
	Book       string      `json:"book"`
	Chapter    string      `json:"chapter"`
	BookHex    string      `json:"book_hex"` // the exact bytes, if they are no UTF-8
	ChapterHex string      `json:"chapter_hex"`
	Raws       []recipeRaw `json:"raws"`
	Sample     *Sample     `json:"sample"`
	Finished   struct {
		SHA256      string `json:"sha256"`
		AudioSHA256 string `json:"audio_sha256"`
	} `json:"finished"`
}

// readRecipe reads a recipe. A raw whose name in it would lead out of the archive's
// folder makes the recipe one that cannot be read.
func readRecipe(path string) (recipe, error) {
	var r recipe
	if err := readJSON(path, &r); err != nil {
		return recipe{}, err
	}
	var names []string
	for _, raw := range r.Raws {
		names = append(names, raw.ArchivedAs)
	}
	if err := allPlain(filepath.Base(path), names); err != nil {
		return recipe{}, err
	}
	return r, nil
}

// isPlainName tells whether a name read from a file is that of something in a
// folder, on this system, and leads nowhere else.
func isPlainName(name string) bool {
	return name != "." && name == filepath.Base(name) && filepath.IsLocal(name) && !strings.Contains(name, "\x00")
}

// revisionOf reads digits that revisionName has matched.
func revisionOf(digits string) int {
	n, _ := strconv.Atoi(digits) // at most nine digits
	return n
}

// filed returns the name of a book's folder in finished/ and archive/, "" for "".
func (ws *Workspace) filed(book string) (string, error) {
	name := outStem(book)
	if name == "" {
		return "", nil
	}
	for _, root := range []string{ws.Archive, ws.Finished} {
		spelled, err := spelling(root, name)
		if spelled != "" || err != nil {
			return spelled, err
		}
	}
	return name, nil
}

// current reads which revision lies under the plain name. A finished file without
// a report of ours is kept like any other revision.
func (ws *Workspace) current(s *shelf) error {
	dir := filepath.Join(ws.Finished, s.Book)
	for _, ending := range []string{".json", s.Ending} {
		name, err := spelling(dir, s.Stem+ending)
		if err != nil {
			return err
		}
		if name == "" {
			continue
		}
		s.Stem = name[:len(name)-len(ending)]
		s.HasFile = ending == s.Ending
		s.Current = s.Highest
	}
	var report struct {
		Revision int `json:"revision"`
	}
	err := readJSON(filepath.Join(dir, s.Stem+".json"), &report)
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, errNotJSON) {
		return fmt.Errorf("read report: %w", err)
	}
	if report.Revision > 0 {
		s.Current = report.Revision
	}
	s.Highest = max(s.Highest, s.Current)
	return nil
}

// spelling returns the name in dir that is the same as want when folded, or "".
func spelling(dir, want string) (string, error) {
	if _, err := os.Lstat(filepath.Join(dir, want)); err == nil {
		return want, nil
	}
	names, err := namesIn(dir)
	if err != nil {
		return "", err
	}
	for _, name := range names {
		if sameName(name, want) {
			return name, nil
		}
	}
	return "", nil
}

// namesIn lists a folder in no order; one that is not there yet is empty.
func namesIn(dir string) ([]string, error) {
	f, err := os.Open(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list folder: %w", err)
	}
	defer f.Close()
	names, err := f.Readdirnames(-1)
	if err != nil {
		return nil, fmt.Errorf("list folder: %w", err)
	}
	return names, nil
}

// booksIn lists the folders of books in finished/, archive/ or setaside/.
func booksIn(root string) ([]string, error) {
	names, err := namesIn(root)
	return slices.DeleteFunc(names, func(name string) bool {
		info, err := os.Lstat(filepath.Join(root, name))
		return err != nil || !info.IsDir() || kindOf(name) == junk || isOfTheDisk(root, name)
	}), err
}

// ofTheDisk are the folders a system keeps at the top of a disk, with rights of its own.
var ofTheDisk = map[string]bool{"lost+found": true, "system volume information": true, "$recycle.bin": true}

// isOfTheDisk tells whether a name in a folder is one of these.
func isOfTheDisk(dir, name string) bool {
	return ofTheDisk[strings.ToLower(name)] && (isMountPoint(dir) || filepath.Dir(dir) == dir)
}

// errNotJSON reports a file that was read well but is not what it should be.
var errNotJSON = errors.New("not readable as JSON")

// jsonMaxBytes bounds what is read into memory: a report of a very long
// chapter is well under a megabyte. Our choice.
const jsonMaxBytes = 64 << 20

// ReadPaper reads a small file, never through a link and never waiting on a pipe.
func ReadPaper(path string) ([]byte, error) {
	f, err := OpenRegular(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, jsonMaxBytes))
}

// ReadBookFile reads a small file of a book's folder in the inbox, into which others
// write: neither the file nor the folder may be a link. That is an ErrNotRegular; no such
// file is an fs.ErrNotExist.
func (ws *Workspace) ReadBookFile(book, name string) ([]byte, error) {
	f, err := durable.OpenBelow(ws.Inbox, book, name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, jsonMaxBytes))
}

// ErrNotRegular reports a link, a pipe or a device in place of a file.
var ErrNotRegular = durable.ErrNotRegular

// OpenFinished opens a plain file of finished by its path there, with slashes. Nothing
// outside finished is opened, whatever links lie in it.
func (ws *Workspace) OpenFinished(name string) (*os.File, error) {
	name = filepath.FromSlash(name)
	return durable.OpenBelow(ws.Finished, filepath.Dir(name), filepath.Base(name))
}

// OpenRegular opens a file for reading, never through a link and never waiting on a
// pipe: whoever may write into a folder may put one there under any name.
func OpenRegular(path string) (*os.File, error) { return durable.OpenRegular(path) }

// Flush flushes an open file to disk. A share that cannot do that at all is no error.
func Flush(f *os.File) error { return durable.Flush(f) }

// readJSON reads one of the program's own papers.
func readJSON(path string, into any) error {
	data, err := ReadPaper(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(data, into); err != nil {
		return fmt.Errorf("%w: %q: %w", errNotJSON, filepath.Base(path), err)
	}
	return nil
}
