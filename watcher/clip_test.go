package watcher

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// hasClip tells whether a chapter has a clip beside it: those that are too loud.
func hasClip(job Job) bool {
	return slices.ContainsFunc(job.Raws, func(r Raw) bool { return strings.Contains(r.Name, "Loud") && r.Role != roleRoomTest })
}

// clipsRight checks that beside the reports of every folder lie the clips they tell of,
// and no others.
func clipsRight(ws *Workspace) error {
	var faults []error
	books, err := ws.BookFolders()
	for _, book := range append(books, "") {
		told := map[string]string{}
		reports, globErr := filepath.Glob(filepath.Join(ws.Finished, book, "*.json"))
		err = errors.Join(err, globErr)
		for _, path := range reports {
			var r testReport
			if readJSON(path, &r) == nil && r.Before.SHA256 != "" {
				told[strings.TrimSuffix(filepath.Base(path), ".json")+clipEnding] = r.Before.SHA256
			}
		}
		names, listErr := namesIn(filepath.Join(ws.Finished, book, clipFolder))
		err = errors.Join(err, listErr)
		for _, name := range names {
			data, readErr := os.ReadFile(filepath.Join(ws.Finished, book, clipFolder, name))
			if readErr != nil || told[name] != sumOf(data) {
				faults = append(faults, fmt.Errorf("no report tells of clip %s, %q %w", name, data, errors.Join(readErr)))
			}
			delete(told, name)
		}
		for name := range told {
			faults = append(faults, fmt.Errorf("clip %s is not there", name))
		}
	}
	return errors.Join(append(faults, err)...)
}

// Neither a link nor a file of hers in place of the clips, or of one, is followed,
// overwritten or in the way of a chapter.
func TestClipsWhereSomethingElseLies(t *testing.T) {
	for name, plant := range map[string]func(t *testing.T, listen, outside string){
		"a link in place of the folder": func(t *testing.T, listen, outside string) {
			check(t, os.RemoveAll(listen))
			check(t, os.Symlink(outside, listen))
		},
		"a file in place of the folder": func(t *testing.T, listen, _ string) {
			check(t, os.RemoveAll(listen))
			check(t, os.WriteFile(listen, []byte("hers"), 0o640))
		},
		"a link in place of a clip": func(t *testing.T, listen, outside string) {
			clip := filepath.Join(listen, "03 Loud"+clipEnding)
			check(t, os.Remove(clip))
			check(t, os.Symlink(filepath.Join(outside, "03 Loud"+clipEnding), clip))
		},
		"a folder in place of a clip": func(t *testing.T, listen, _ string) {
			clip := filepath.Join(listen, "03 Loud"+clipEnding)
			check(t, os.Remove(clip))
			check(t, os.Mkdir(clip, 0o750))
		},
	} {
		for _, do := range []asked{
			{name: "a new recording"}, {name: "words", ask: words("new")}, {name: "remake", ask: Ask{Kind: Remake}},
			{name: "rename", ask: Ask{Kind: Rename, NewName: "04 Loud"}}, {name: "withdraw", ask: Ask{Kind: Withdraw}},
		} {
			t.Run(name+", "+do.name, func(t *testing.T) {
				ws := withTwoRevisions(t, asked{})
				outside := t.TempDir()
				for _, stem := range []string{"03 Loud", "04 Loud"} { // as if it were the very clip
					check(t, os.WriteFile(filepath.Join(outside, stem+clipEnding), []byte("clip of louder"), 0o640))
				}
				listen := filepath.Join(ws.Finished, "Tides", clipFolder)
				plant(t, listen, outside)
				if do.ask.Kind == "" {
					drop(t, ws, "Tides/03 Loud.wav", "the loudest")
					check(t, drive(ws, &dyingDisk{}))
					if got := content(t, loudIn(ws, ".mp3")); got != "the loudest" {
						t.Errorf("the chapter is %q", got)
					}
				} else {
					_, err := doAsk(ws, &dyingDisk{}, do)
					check(t, err)
				}
				for _, stem := range []string{"03 Loud", "04 Loud"} {
					if got := content(t, filepath.Join(outside, stem+clipEnding)); got != "clip of louder" {
						t.Errorf("outside lies %q", got)
					}
				}
				if names, err := namesIn(outside); err != nil || len(names) != 2 {
					t.Errorf("outside lie %q %v", names, err)
				}
				if names, err := namesIn(ws.Working); err != nil || len(names) > 0 {
					t.Errorf("left in working: %v %v", names, err)
				}
				if info, err := os.Lstat(listen); strings.HasSuffix(name, "folder") && (err != nil || info.IsDir()) {
					t.Errorf("what lay in place of the folder is another: %v", err)
				}
			})
		}
	}
}

// Nor is a link followed that takes the folder's place after all was planned.
func TestClipsBehindALinkThatCameLater(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	withdraw := Ask{Kind: Withdraw}
	_, _ = doAsk(ws, diesBefore(t, withdraw, "rename 03 Loud.r2.json"), asked{ask: withdraw})
	listen, outside := filepath.Join(ws.Finished, "Tides", clipFolder), t.TempDir()
	clip := filepath.Join(outside, "03 Loud"+clipEnding)
	check(t, os.WriteFile(clip, []byte("clip of louder"), 0o640))
	check(t, os.RemoveAll(listen))
	check(t, os.Symlink(outside, listen))
	check(t, drive(ws, &dyingDisk{}))
	if got := content(t, clip); got != "clip of louder" {
		t.Errorf("outside lies %q", got)
	}
	if exists(loudIn(ws, ".mp3")) || exists(loudIn(ws, ".json")) {
		t.Error("it was not withdrawn")
	}
}

// A clip that somebody put there while a chapter was published moves aside like a chapter.
func TestClipOfSomebodyElse(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	_, _ = doAsk(ws, diesBefore(t, Ask{Kind: Remake, Set: []string{"!"}}, "rename 03 Loud.before.mp3"), asked{ask: Ask{Kind: Remake, Set: []string{"!"}}})
	clip := filepath.Join(ws.Finished, "Tides", clipFolder, "03 Loud"+clipEnding)
	check(t, os.WriteFile(clip, []byte("hers"), 0o640))
	check(t, drive(ws, &dyingDisk{}))
	if got := content(t, clip); got != "clip of louder" {
		t.Errorf("the clip is %q", got)
	}
	if got := content(t, filepath.Join(ws.Finished, "Tides", "superseded", "03 Loud.before.found.mp3")); got != "hers" {
		t.Errorf("put aside is %q", got)
	}
	if got := audited(t, ws); !got.Clean {
		t.Errorf("audit: %+v", got.Exceptions)
	}
}

// The longest names have room for what is put behind them, and no book is called like the
// folder of the clips.
func TestNamesOfClips(t *testing.T) {
	const longest = 255 // bytes, of the file systems in use
	names := append([]string{strings.Repeat("x", 250), strings.Repeat("\u00e9", 120), "con." + strings.Repeat("x", 240), strings.Repeat("\u1e9e", 83) + " - please read"}, hostile...)
	for _, name := range names {
		if clip := outStem(name) + clipEnding; len(clip) > longest {
			t.Errorf("%d bytes: %q", len(clip), clip)
		}
	}
	for _, name := range []string{"listen", "LISTEN", "listen.", "Listen ", "superseded"} {
		if stem := outStem(name); Fold(stem) == clipFolder || Fold(stem) == "superseded" {
			t.Errorf("a book called %q lies in %q", name, stem)
		}
	}
}
