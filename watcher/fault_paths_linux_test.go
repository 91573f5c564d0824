package watcher

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lectern/watcher/internal/durable"
)

// leading are names that lead out of the folder they are read in.
func leading(ws *Workspace) (names []string) {
	out := filepath.Join(ws.Root, "secret.wav")
	for _, up := range []string{"..", "../..", "a/../..", "./..", "..//..", "../../.", "../../archive/..", "../.././../books/..", "x/../../../"} {
		names = append(names, up, up+"/secret.wav", up+"/../secret.wav", strings.ReplaceAll(up, "/", `\`)+`\secret.wav`)
	}
	return append(names, out, "/"+out, "./"+out, ".", "/", `\`, `C:\secret.wav`, "C:secret.wav", `\\host\share\secret.wav`,
		"..\x00", "../../secret.wav\x00.wav", "/etc/passwd", "~/secret.wav", "..%2f..%2fsecret.wav", "....//....//secret.wav")
}

// Row 33: such a name as that of a recording or a book, as far as a disk takes it, and
// in a recipe, with the right sum of what it leads to.
func TestFaultLeadingNames(t *testing.T) {
	ws := memoryWorkspace(t)
	hidden := filepath.Join(ws.Root, "secret.wav")
	check(t, os.WriteFile(hidden, []byte(secret), 0o600))
	drop(t, ws, "Tides/01 take 1.wav", "one")
	check(t, drive(ws, &durable.Disk{}))
	paper := filepath.Join(ws.Archive, "Tides", "01.r1.recipe.json")
	good, err := os.ReadFile(paper)
	check(t, err)
	names, wrong, dropped := leading(ws), 0, map[string]int{sumOf([]byte("one")): 1}
	for i, name := range names {
		stem := outStem(name)
		if strings.ContainsAny(stem, "/\\\x00:") || stem == "." || stem == ".." || !filepath.IsLocal(stem) {
			wrong++
			t.Errorf("%q is filed under %q", name, stem)
		}
		var recipe map[string]any
		check(t, json.Unmarshal(good, &recipe))
		raw := recipe["raws"].([]any)[0].(map[string]any)
		raw["archived_as"], raw["sha256"] = name, sumOf([]byte(secret))
		forged, err := json.Marshal(recipe)
		check(t, err)
		check(t, os.WriteFile(paper, forged, 0o640))
		drop(t, ws, "Tides/01 take 2.wav", fmt.Sprint("two ", i))
		err = drive(ws, &durable.Disk{}) // names that lead nowhere make it ask for take 1
		if err == nil && isPlainName(name) {
			t.Logf("%q is a name like any other", name)
		} else if err == nil {
			wrong++
			t.Errorf("with %q in a recipe the chapter was made", name)
		}
		if err := leaks(ws, hidden); err != nil {
			wrong++
			t.Errorf("with %q in a recipe: %v", name, err)
		}
		check(t, os.WriteFile(paper, good, 0o640))
		check(t, os.RemoveAll(filepath.Join(ws.Inbox, "Tides")))
		check(t, os.RemoveAll(ws.Working))
		check(t, os.Mkdir(ws.Working, 0o750))
		if strings.ContainsAny(name, "/\x00") || name == "." || name == ".." {
			continue // no disk takes it
		}
		for _, path := range []string{name + ".wav", filepath.Join("Book "+name, "01.wav"), filepath.Join(name, "01.wav")} {
			if kindOf(path) == junk {
				continue // hidden files are nobody's recordings
			}
			dropped[drop(t, ws, path, "dropped as "+path)]++
		}
	}
	check(t, drive(ws, &durable.Disk{}))
	if err := invariant(ws, dropped, true); err != nil {
		wrong++
		t.Error(err)
	}
	entries, err := os.ReadDir(ws.Root)
	check(t, err)
	if len(entries) != 7 { // its five folders, the settings, and what is hidden
		wrong++
		t.Errorf("something was filed outside: %q", entries)
	}
	row(t, "33", "names that lead elsewhere, of recordings, of books, in a recipe", len(names), 0, wrong, "all filed below their own folder, none followed")
}
