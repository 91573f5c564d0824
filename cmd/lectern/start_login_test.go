package main

import (
	"encoding/xml"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// hardPath is a program's path with all that quoting can get wrong.
const hardPath = "/opt/tam verrall/50 % \"off\" `id` $HOME \\ & <b> é/lectern"

// Each system's text is read back by the rules of its own format.
func TestLoginFiles(t *testing.T) {
	home := t.TempDir()
	settings := filepath.Join(home, "settings")
	for goos, tt := range map[string]struct {
		path string
		args func(t *testing.T, text string) []string
	}{
		"linux":   {"settings/autostart/lectern.desktop", readExec},
		"darwin":  {"Library/LaunchAgents/lectern.plist", readPlist},
		"windows": {"settings/Microsoft/Windows/Start Menu/Programs/Startup/Lectern.cmd", readCmd},
	} {
		t.Run(goos, func(t *testing.T) {
			program := hardPath
			if goos == "windows" {
				program = strings.ReplaceAll(program, `"`, "'") // no name there holds one
			}
			f := newLoginFile(goos, home, settings, program)
			if want := filepath.Join(home, filepath.FromSlash(tt.path)); f.path != want {
				t.Errorf("path %q, want %q", f.path, want)
			}
			if err := f.write(); err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile(f.path)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := tt.args(t, string(text)), []string{program, "start", "--no-page"}; !slices.Equal(got, want) {
				t.Errorf("starts %q, want %q, from\n%s", got, want, text)
			}
			if was, err := f.remove(); err != nil || !was {
				t.Errorf("remove = %v, %v", was, err)
			}
			if _, err := os.Stat(f.path); err == nil {
				t.Error("it is still there")
			}
			if was, err := f.remove(); err != nil || was {
				t.Errorf("remove of none = %v, %v", was, err)
			}
		})
	}
}

// readExec reads the key Exec as a desktop does: the string's escapes, the quotes, then
// the field codes.
func readExec(t *testing.T, text string) []string {
	_, rest, found := strings.Cut(text, "\nExec=")
	line, _, _ := strings.Cut(rest, "\n")
	if !found || !strings.HasPrefix(text, "[Desktop Entry]\nType=Application\n") {
		t.Fatalf("no desktop entry with Exec:\n%s", text)
	}
	line = strings.ReplaceAll(line, `\\`, `\`)
	var args []string
	arg, quoted := "", false
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case c == '"':
			quoted = !quoted
		case c == '\\' && quoted:
			i++
			arg += line[i : i+1]
		case c == ' ' && !quoted:
			args = append(args, arg)
			arg = ""
		case strings.ContainsRune("\"`$\\", rune(c)):
			t.Fatalf("%q stands unquoted in %s", c, line)
		case c == '%':
			if i++; line[i] != '%' {
				t.Fatalf("a field code in %s", line)
			}
			arg += "%"
		default:
			arg += line[i : i+1]
		}
	}
	return append(args, arg)
}

// readPlist reads the array that follows the key ProgramArguments.
func readPlist(t *testing.T, text string) []string {
	d := xml.NewDecoder(strings.NewReader(text))
	var key string
	var args []string
	for {
		token, err := d.Token()
		if err == io.EOF {
			return args
		}
		if err != nil {
			t.Fatal(err)
		}
		start, is := token.(xml.StartElement)
		if !is || (start.Name.Local != "key" && start.Name.Local != "string") {
			continue
		}
		var says string
		if err := d.DecodeElement(&says, &start); err != nil {
			t.Fatal(err)
		}
		if start.Name.Local == "key" {
			key = says
		} else if key == "ProgramArguments" {
			args = append(args, says)
		}
	}
}

// readCmd reads the line that starts the program: what stands in quotes is one argument,
// and a doubled percent sign is one.
func readCmd(t *testing.T, text string) []string {
	if strings.Count(text, "\n") != strings.Count(text, "\r\n") {
		t.Errorf("not every line ends as a shell there wants it: %q", text)
	}
	_, rest, found := strings.Cut(text, "\r\nstart \"Lectern\" /min \"")
	program, rest, closed := strings.Cut(rest, `"`)
	if !found || !closed {
		t.Fatalf("no line that starts it:\n%s", text)
	}
	if strings.Contains(strings.ReplaceAll(program, "%%", ""), "%") {
		t.Errorf("a variable in %q", program)
	}
	return append([]string{strings.ReplaceAll(program, "%%", "%")}, strings.Fields(rest)...)
}
