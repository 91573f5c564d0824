// Package config holds the settings: their defaults, what each may be, and
// how they are layered.
//
//	defaults  <  lectern.toml  <  a book's about.toml  <  --set
//	Default      Load             LoadBook                Set
//
// A misspelled or impossible setting is refused, never ignored: a chapter made
// with a limit its owner did not mean is found out too late.
package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// maxBytes bounds a settings file. The commented default is under 8 KiB; the
// TOML library takes 20 s for a MiB of keys, four times as long for twice as many.
const maxBytes = 256 << 10

// Load reads a workspace's lectern.toml over the defaults. A file that is not
// there gives an error that wraps fs.ErrNotExist; anything wrong inside it
// gives an *Error.
func Load(path string) (Settings, error) {
	s := Default()
	f := file{name: filepath.Base(path), sections: sectionNames()}
	if err := f.load(path, &s); err != nil {
		return Settings{}, err
	}
	return s, nil
}

// ReadBook lays the [delivery], [level] and [takes] of a book's about.toml, whose
// text is data, over base. Anything wrong inside it gives an *Error that names the
// book. The file is not opened here, since whoever may write into the book's folder
// may put something else there under its name.
func ReadBook(book string, data []byte, base Chapter) (Chapter, error) {
	s := Default()
	s.Chapter = base
	if err := aboutFile(book).decode(data, &s); err != nil {
		return Chapter{}, err
	}
	return s.Chapter, nil
}

// file is one kind of settings file: what it is called in messages, which
// sections it may set, and which other names it may hold.
type file struct {
	name     string
	sections []string
	words    []string
}

func (f file) load(path string, s *Settings) error {
	data, err := f.read(path)
	if err != nil {
		return err
	}
	return f.decode(data, s)
}

// read returns the text of the file without its byte-order mark.
func (f file) read(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("read settings: %w", err)
	}
	if !info.Mode().IsRegular() { // opening a pipe would wait for ever
		return nil, f.fault(0, "this is not a plain file, so no settings can be read from it")
	}
	r, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read settings: %w", err)
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read settings: %w", err)
	}
	return data, nil
}

// decode lays the settings in data over s, in the order they stand.
func (f file) decode(data []byte, s *Settings) error {
	values, entries, err := f.parse(data)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if refusal := f.apply(e, values, s); refusal != "" {
			return f.fault(e.line, refusal)
		}
	}
	given, lines := linesOf(entries)
	if says, blamed := brokenRule(s, given); says != "" {
		return f.fault(lines[blamed], says)
	}
	return nil
}

// linesOf names the entries as "section.name", in their order, and tells the line each
// stands in.
func linesOf(entries []entry) (given []string, lines map[string]int) {
	lines = map[string]int{}
	for _, e := range entries {
		id := strings.Join(e.path, ".")
		given = append(given, id)
		lines[id] = e.line
	}
	return given, lines
}

// parse reads data as TOML: the values, and every entry in the order they stand.
func (f file) parse(data []byte) (values map[string]any, entries []entry, err error) {
	if len(data) > maxBytes {
		return nil, nil, f.fault(0, "this file is larger than 256 KiB and cannot be a settings file")
	}
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, nil, f.fault(0, "this file is saved as UTF-16; open it in your editor and save it as UTF-8")
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if bad := firstInvalid(data); bad >= 0 {
		return nil, nil, f.fault(1+bytes.Count(data[:bad], []byte("\n")), "a letter here is not UTF-8; open the file in your editor and save it as UTF-8")
	}
	if err := toml.Unmarshal(data, &values); err != nil {
		return nil, nil, f.syntaxFault(err)
	}
	if entries, err = listEntries(data); err != nil {
		return nil, nil, f.syntaxFault(err)
	}
	return values, entries, nil
}

// apply puts one entry into s. The returned text is empty if all is well.
func (f file) apply(e entry, values map[string]any, s *Settings) string {
	section := e.path[0]
	if slices.Contains(f.words, section) {
		return ""
	}
	if !slices.Contains(f.sections, section) {
		return f.refuseTop(e, values[section])
	}
	table, ok := values[section].(map[string]any)
	if !ok {
		return fmt.Sprintf("%s = %s is not possible; allowed is the heading [%s] once, with its settings below it", section, show(values[section]), section)
	}
	if len(e.path) == 1 {
		return "" // the heading itself
	}
	name := e.path[1]
	value := table[name]
	k := findKey(section, name)
	switch {
	case k == nil && slices.Contains(f.words, name):
		return misplaced(name, value, section)
	case k == nil:
		return fmt.Sprintf("%s = %s is not a setting; allowed in [%s] are %s", name, show(value), section, namesIn(section))
	}
	return k.put(s, value)
}

// misplaced words the refusal of a word of the book that stands below a heading, which
// takes all that follows it.
func misplaced(name string, value any, heading string) string {
	return fmt.Sprintf("%s = %s stands below the heading [%s]; allowed is above the first heading of the file", name, show(value), heading)
}

// refuseTop words the refusal of a name that stands where only a section may,
// helping the person who left out the heading.
func (f file) refuseTop(e entry, value any) string {
	heads := "[" + strings.Join(f.sections, "], [") + "]"
	name := e.path[0]
	if _, isTable := value.(map[string]any); isTable {
		return fmt.Sprintf("[%s] is not a section of this file; allowed are %s", name, heads)
	}
	for _, k := range keys {
		if k.name == name && slices.Contains(f.sections, k.section) {
			return fmt.Sprintf("%s = %s stands outside its section; allowed is below the heading [%s]", name, show(value), k.section)
		}
	}
	words := ""
	if len(f.words) > 0 {
		words = strings.Join(f.words, ", ") + " and "
	}
	return fmt.Sprintf("%s = %s is not a setting; allowed are %sthe sections %s", name, show(value), words, heads)
}

func (f file) fault(line int, says string) error {
	where := f.name
	if line > 0 {
		where = fmt.Sprintf("%s, line %d", f.name, line)
	}
	return &Error{Where: where, Says: says}
}

// syntaxFault words a text that is no TOML at all.
func (f file) syntaxFault(err error) error {
	says := "this cannot be read (" + strings.TrimPrefix(err.Error(), "toml: ") +
		"); allowed is name = value, with words in 'single quotes'"
	var at *toml.DecodeError
	if errors.As(err, &at) {
		line, _ := at.Position()
		return f.fault(line, says)
	}
	return f.fault(0, says)
}

// entry is a key or a section heading as it stands in the file. Only the
// first two parts of the path matter to us.
type entry struct {
	path []string
	line int
}

// listEntries walks the text once more for the line of each key, which the
// decoder does not tell once a value has been accepted.
func listEntries(data []byte) ([]entry, error) {
	var (
		entries []entry
		heading entry
		p       unstable.Parser
		lines   = lineCounter{data: data}
	)
	p.Reset(data)
	for p.NextExpression() {
		node := p.Expression()
		switch node.Kind {
		case unstable.Table, unstable.ArrayTable:
			heading = lines.entry(nil, node)
			entries = append(entries, heading)
		case unstable.KeyValue:
			e := lines.entry(heading.path, node)
			entries = append(entries, e)
			value := node.Value()
			if value.Kind != unstable.InlineTable || len(e.path) > 1 {
				continue
			}
			for it := value.Children(); it.Next(); {
				entries = append(entries, lines.entry(e.path, it.Node()))
			}
		}
	}
	if err := p.Error(); err != nil {
		return nil, fmt.Errorf("find the lines of the settings: %w", err)
	}
	return entries, nil
}

// lineCounter turns rising offsets into line numbers, in one pass.
type lineCounter struct {
	data     []byte
	at, line int // line breaks before at
}

func (c *lineCounter) entry(heading []string, node *unstable.Node) entry {
	e := entry{path: slices.Clone(heading)}
	for it := node.Key(); it.Next(); {
		part := it.Node()
		if offset := int(part.Raw.Offset); offset > c.at {
			c.line += bytes.Count(c.data[c.at:offset], []byte("\n"))
			c.at = offset
		}
		e.path = append(e.path, string(part.Data))
	}
	e.line = c.line + 1
	return e
}

// firstInvalid returns the offset of the first byte that is not UTF-8, or -1.
func firstInvalid(data []byte) int {
	for i := 0; i < len(data); {
		r, n := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return -1
}
