package main

import (
	"os"
	"path/filepath"
	"strings"

	"lectern/watcher"
)

// troubleFile is the text that says why Lectern could not start, where nobody would see
// it otherwise.
const troubleFile = homeFolder + " could not start - please read.txt"

// tellTrouble writes why it could not start into the home folder, or, if that cannot be
// written to, into one for things that need not last, and shows it. There is nobody to
// tell if that fails too.
func tellTrouble(home string, trouble error, open func(string) error) {
	text := "Lectern could not start, or had to stop:\n\n" + plainText(trouble) + `
Nothing is lost: what was begun is taken up again at the next start. When you have
done what is said above, start Lectern again.`
	path := filepath.Join(home, troubleFile)
	inHome := []byte(text + " This text then goes away by itself.\n")
	if home == "" || os.WriteFile(path, inHome, 0o600) != nil {
		dir, err := os.MkdirTemp("", "lectern-")
		if err != nil {
			return
		}
		path = filepath.Join(dir, troubleFile)
		if os.WriteFile(path, []byte(text+"\n"), 0o600) != nil {
			return
		}
	}
	_ = open(path) // it lies there all the same
}

// clearTrouble takes the text away when Lectern has started. One that cannot be taken
// away does no harm.
func clearTrouble(home string) { _ = os.Remove(filepath.Join(home, troubleFile)) }

// plainText is what an error says, safe to show, each line ended.
func plainText(err error) string {
	var b strings.Builder
	for line := range strings.Lines(err.Error()) {
		b.WriteString(watcher.Plain(strings.TrimSuffix(line, "\n")) + "\n")
	}
	return b.String()
}
