package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// loginFile is what has Lectern started when a user logs in. Nothing else does: to
// delete it is to undo it.
type loginFile struct {
	path string
	text []byte
}

// newLoginFile returns it for a system, as runtime.GOOS names it. home is the user's home
// folder and settings where os.UserConfigDir says settings go; program is the absolute
// path of lectern.
func newLoginFile(goos, home, settings, program string) loginFile {
	switch goos {
	case "windows": // the folder the system starts everything from; a shell script needs no shortcut's format
		return loginFile{
			path: filepath.Join(settings, "Microsoft", "Windows", "Start Menu", "Programs", "Startup", "Lectern.cmd"),
			text: startupScript(program),
		}
	case "darwin": // what launchd runs for this user: launchd.plist(5)
		return loginFile{
			path: filepath.Join(home, "Library", "LaunchAgents", "lectern.plist"),
			text: agentPlist(program),
		}
	default: // Desktop Application Autostart Specification
		return loginFile{
			path: filepath.Join(settings, "autostart", "lectern.desktop"),
			text: autostartEntry(program),
		}
	}
}

func autostartEntry(program string) []byte {
	return fmt.Appendf(nil, `[Desktop Entry]
Type=Application
Name=Lectern
Comment=Master raw readings into finished audiobook chapters
Exec=%s start --no-page
Icon=lectern
Terminal=false
`, desktopQuote(program))
}

// desktopQuote quotes an argument of the key Exec: Desktop Entry Specification, "The Exec
// key". Within quotes a backslash stands before ", `, $ and \, each of those backslashes
// is doubled since the value is a string, and % is doubled since it begins a field code.
func desktopQuote(arg string) string {
	quoted := strings.NewReplacer("\\", `\\\\`, `"`, `\\"`, "`", "\\\\`", "$", `\\$`, "%", "%%").Replace(arg)
	return `"` + quoted + `"`
}

func agentPlist(program string) []byte {
	var escaped bytes.Buffer
	_ = xml.EscapeText(&escaped, []byte(program)) // a buffer takes everything
	return fmt.Appendf(nil, `<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE plist PUBLIC "-//Apple//DTD PLIST 1.0//EN" "http://www.apple.com/DTDs/PropertyList-1.0.dtd">
<plist version="1.0">
<dict>
	<key>Label</key>
	<string>lectern</string>
	<key>ProgramArguments</key>
	<array>
		<string>%s</string>
		<string>start</string>
		<string>--no-page</string>
	</array>
	<key>RunAtLoad</key>
	<true/>
</dict>
</plist>
`, &escaped)
}

// startupScript names the program in UTF-8, whatever the shell's own characters are; a
// percent sign is doubled, since it begins a variable. No file can have a quote in its name.
func startupScript(program string) []byte {
	lines := "@echo off\nchcp 65001 >nul\nstart \"Lectern\" /min \"" + strings.ReplaceAll(program, "%", "%%") + "\" start --no-page\n"
	return []byte(strings.ReplaceAll(lines, "\n", "\r\n"))
}

// write makes the file, and the folders it lies in.
func (f loginFile) write() error {
	if err := os.MkdirAll(filepath.Dir(f.path), 0o755); err != nil {
		return fmt.Errorf("have Lectern started at login: %w", err)
	}
	if err := os.WriteFile(f.path, f.text, 0o644); err != nil {
		return fmt.Errorf("have Lectern started at login: %w", err)
	}
	return nil
}

// remove takes it away, and reports false if there was none.
func (f loginFile) remove() (bool, error) {
	err := os.Remove(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("no longer have Lectern started at login: %w", err)
	}
	return true, nil
}

// ownLoginFile is the file of this user, this system and this very program.
func ownLoginFile() (loginFile, error) {
	home, err := homeDir()
	if err != nil {
		return loginFile{}, err
	}
	settings, err := os.UserConfigDir()
	if err != nil {
		return loginFile{}, fmt.Errorf("find where programs to start at login are listed: %w", err)
	}
	program, err := os.Executable()
	if err != nil {
		return loginFile{}, fmt.Errorf("find this program's own place: %w", err)
	}
	return newLoginFile(runtime.GOOS, home, settings, program), nil
}

func startAtLogin(out *show) error {
	f, err := ownLoginFile()
	if err != nil {
		return err
	}
	if err := f.write(); err != nil {
		return err
	}
	out.line("From now on Lectern starts whenever you log in.")
	out.line("If you move the program, say so again. To undo it, delete %s", f.path)
	return nil
}

func notStartAtLogin(out *show) error {
	f, err := ownLoginFile()
	if err != nil {
		return err
	}
	was, err := f.remove()
	switch {
	case err != nil:
		return err
	case was:
		out.line("Lectern no longer starts when you log in. One that is at work now goes on.")
	default:
		out.line("Lectern was not set to start when you log in; nothing was changed.")
	}
	return nil
}
