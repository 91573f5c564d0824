//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"unicode"
	"unicode/utf16"
)

// nasty are names that would do harm in a report, a line of log, a text, a tag, or on
// a terminal.
var nasty = []string{
	`01 "quoted", {"state": "finished"}`,
	"02 line\nend",
	"03 \x1b[2J\x1b]0;title\x07 escape",
	"04 \u202egnitirw eht snrut",
	"05 <b>bold&amp;",
	"06 ..\\..\\up",
	"07 tab\tand \r return",
	"08 not UTF-8 \xff\xfe",
	"09 $(rm -rf x) `x` %s %n %d",
	"10 \u2028 line separator",
}

// TestHostileNamesEndToEnd drops takes under such names and reads everything that
// comes of them, with the parsers of the world outside.
func TestHostileNamesEndToEnd(t *testing.T) {
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	lectern := buildLectern(t)
	// Whoever starts it may have set no mask at all.
	defer syscall.Umask(syscall.Umask(0))
	root := filepath.Join(t.TempDir(), "books")
	command(t, lectern, "init", root)
	setQuiet(t, root)
	for i, name := range nasty {
		take := shortTake(i)
		if i%3 == 0 {
			take = []byte("a letter\x1b[31m, no recording")
		}
		path := filepath.Join(root, "inbox", name+".wav")
		if i%2 == 1 {
			path = filepath.Join(root, "inbox", "Book "+name, name+".wav")
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Skipf("this disk refuses such names: %v", err)
		}
		if err := os.WriteFile(path, take, 0o644); err != nil {
			t.Skipf("this disk refuses such names: %v", err)
		}
	}
	// Books whose settings would do harm if they were quoted, or waited for.
	letter := filepath.Join(root, "inbox", "Book \x1b[31m", "about.toml")
	pipe := filepath.Join(root, "inbox", "Book \u202e", "about.toml")
	write(t, filepath.Join(filepath.Dir(letter), `back\slash.wav`), shortTake(3))
	write(t, filepath.Join(filepath.Dir(pipe), "pipe \x1b[1m.wav"), shortTake(3))
	write(t, letter, []byte("[delivery]\n\"he\\u001b[2Jad\\n\" = '\u202e<b>'\n"))
	if err := syscall.Mkfifo(pipe, 0o640); err != nil {
		t.Fatal(err)
	}
	takes := len(nasty) + 2
	d := start(t, lectern, root)
	waitUntilIdle(t, d, root, takes)
	status, _ := exec.Command(lectern, "status", root).CombinedOutput() // 3: some are set aside
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := <-d.ended; err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(d.log.Bytes()) {
		var entry struct{ Msg string }
		if err := json.Unmarshal(line, &entry); err != nil {
			t.Errorf("a line of log is no JSON: %q", line)
		}
		onlyPrinted(t, "a line of log", entry.Msg)
	}
	audit, err := exec.Command(lectern, "audit", root).CombinedOutput()
	if err != nil {
		t.Errorf("audit: %v\n%s", err, audit)
	}
	check, _ := exec.Command(lectern, "check", filepath.Join(root, "finished")).CombinedOutput()
	remade, err := exec.Command(lectern, "remake", "--workspace", root).CombinedOutput()
	if n := bytes.Count(remade, []byte("unchanged (revision 1)")); n != 6 {
		t.Errorf("remake: %v, %d chapters are the same, want 6\n%s", err, n, remade)
	}
	for what, out := range map[string][]byte{"status": status, "audit": audit, "check": check, "remake": remade} {
		onlyPrinted(t, what, string(out))
	}
	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	reports, notes, tags := 0, 0, 0
	for _, folder := range []string{"finished", "archive", "setaside"} {
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := e.Info()
			if err != nil {
				return err
			}
			if most := map[bool]fs.FileMode{true: 0o750, false: 0o640}[e.IsDir()]; info.Mode().Perm()&^most != 0 && !strings.HasSuffix(path, ".wav") {
				t.Errorf("%q has mode %v", path, info.Mode())
			}
			for _, r := range e.Name() {
				if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
					t.Errorf("the name %q", e.Name())
				}
			}
			if e.IsDir() || strings.HasSuffix(path, ".wav") {
				return nil
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			if strings.HasSuffix(path, ".mp3") {
				tags++
				tagsAreClean(t, path, text)
				return nil
			}
			if bytes.Contains(text, []byte(root)) || len(host) > 5 && bytes.Contains(text, []byte(host)) {
				t.Errorf("%q tells where it was made:\n%s", path, text)
			}
			switch {
			case e.Name() == "book.json":
				isValidBook(t, text)
			case e.Name() == "book.csv", e.Name() == "index.html": // see pipeline/book and pipeline/page
			case e.Name() == "about.toml": // a copy of what was dropped
			case strings.HasSuffix(path, ".txt"):
				notes++
				onlyPrinted(t, path, string(text))
			case strings.HasSuffix(path, ".recipe.json"):
				if !json.Valid(text) {
					t.Errorf("%q is no JSON", path)
				}
			default:
				reports++
				if err := validReport(text, ""); err != nil {
					t.Errorf("%q: %v", path, err)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if reports != takes || notes < 6 || tags < 5 {
		t.Errorf("%d reports, %d notes and %d tags were read, of %d takes", reports, notes, tags, takes)
	}
	// All that was set aside goes back under its own name, however that is spelled.
	for _, name := range []string{nasty[0], nasty[3], nasty[6], nasty[9], `back\slash`, "pipe \x1b[1m"} {
		out, err := exec.Command(lectern, "retry", "--workspace", root, name).CombinedOutput()
		onlyPrinted(t, "retry", string(out))
		if found := files(t, filepath.Join(root, "inbox"), name+".wav"); err != nil || len(found) != 1 {
			t.Errorf("retry of %q: %v, in the inbox lie %q\n%s", name, err, found, out)
		}
	}
}

// TestHostileNamesWithoutAWorkspace hands files under such names to the commands that
// print what they were called.
func TestHostileNamesWithoutAWorkspace(t *testing.T) {
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	lectern := buildLectern(t)
	for i, name := range nasty {
		dir := t.TempDir()
		path := filepath.Join(dir, name+".wav")
		if err := os.WriteFile(path, shortTake(i), 0o640); err != nil {
			t.Skipf("this disk refuses such names: %v", err)
		}
		// A form no line may quote either: the four letters of a chunk.
		bad := filepath.Join(dir, "bad "+name+".wav")
		write(t, bad, []byte("RIFF\x24\x00\x00\x00WAVE\x1b[2J\x04\x00\x00\x00abcdfmt \x10\x00\x00\x00\x1b[\x01\x00"))
		for _, args := range [][]string{
			{"check", path}, {"check", bad}, {"check", dir}, {"check", path + "\x1b[0m none"}, {"master", path, bad}, {"master", path},
			{"status", dir}, {"init", filepath.Join(dir, name)}, {"init", filepath.Join(dir, name)}, {"audit", filepath.Join(dir, name)},
			{"retry", "--workspace", filepath.Join(dir, name), name}, {"remake", "--workspace", filepath.Join(dir, name), name},
			{name}, {"check", "--" + name},
		} {
			out, _ := exec.Command(lectern, args...).CombinedOutput() // most are refused
			if len(out) == 0 {
				t.Errorf("%q printed nothing", args)
			}
			onlyPrinted(t, strings.ToValidUTF8(strings.Join(args, " "), "?"), string(out))
		}
		text, err := os.ReadFile(filepath.Join(dir, name+".json"))
		if err == nil {
			err = validReport(text, "")
		}
		if err != nil {
			t.Errorf("the report of %q: %v", name, err)
		}
	}
}

// onlyPrinted fails if a text holds anything but printed characters and line ends.
func onlyPrinted(t *testing.T, what, text string) {
	t.Helper()
	for _, r := range text {
		if r != '\n' && !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			t.Errorf("%s holds %U:\n%q", what, r, text)
			return
		}
	}
}

// tagsAreClean reads the text frames of an ID3v2.3 tag (id3.org, ID3v2.3.0, 3.3 and
// 4.2) without the program's own code.
func tagsAreClean(t *testing.T, path string, mp3 []byte) {
	t.Helper()
	if !bytes.HasPrefix(mp3, []byte("ID3\x03")) {
		t.Errorf("%q has no tag", path)
		return
	}
	size := int(mp3[6])<<21 | int(mp3[7])<<14 | int(mp3[8])<<7 | int(mp3[9])
	for tag := mp3[10 : 10+size]; len(tag) > 10 && tag[0] != 0; {
		n := int(binary.BigEndian.Uint32(tag[4:]))
		body := tag[10 : 10+n]
		text := string(body[1:])
		if body[0] == 1 { // UTF-16 with a byte-order mark
			var units []uint16
			for i := 3; i+1 < len(body); i += 2 {
				units = append(units, binary.LittleEndian.Uint16(body[i:]))
			}
			text = string(utf16.Decode(units))
		}
		for _, r := range strings.TrimRight(text, "\x00") {
			if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
				t.Errorf("%q: the tag %s holds %U", path, tag[:4], r)
			}
		}
		tag = tag[10+n:]
	}
}
