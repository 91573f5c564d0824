package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lectern/watcher/internal/durable"
)

// invariant is the oracle after every case: each dropped sum lies somewhere
// exactly as often as it was dropped; every report in finished/ names the finished
// file beside it, of the kind its raws ask for, and there is none without a report;
// every archived raw is named by a recipe, with its sum. idle adds: nothing is left
// in working/, no temporaries.
func invariant(ws *Workspace, dropped map[string]int, idle bool) error {
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	found := map[string]int{}
	count := func(root string, skip func(name string) bool) {
		walkErr := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || !e.Type().IsRegular() || skip(path) {
				return err
			}
			data, err := os.ReadFile(path)
			found[sumOf(data)]++
			return err
		})
		if walkErr != nil {
			fault("walk: %w", walkErr)
		}
	}
	notWAV := func(path string) bool { return kindOf(filepath.Base(path)) != wav }
	count(ws.Inbox, notWAV)
	count(ws.Archive, notWAV)
	count(ws.SetAside, notWAV)
	count(ws.Working, func(path string) bool { return filepath.Base(filepath.Dir(path)) != "new" })
	for sum, times := range dropped {
		if found[sum] != times {
			fault("a recording dropped %d times is there %d times (%.8s)", times, found[sum], sum)
		}
	}
	named := namedByRecipes(ws)
	for _, root := range []string{ws.Finished, ws.Archive} {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			if durable.IsTemp(e.Name()) {
				if idle {
					fault("temporary file %s", path)
				}
				return nil
			}
			return checkPaper(path, idle, named)
		})
		if err != nil {
			fault("%w", err)
		}
	}
	if idle {
		if err := clipsRight(ws); err != nil {
			fault("%w", err)
		}
		names, err := namesIn(ws.Working)
		if err != nil || len(names) > 0 {
			fault("working is not empty: %q %w", names, errors.Join(err))
		}
	}
	return errors.Join(faults...)
}

// checkPaper checks what one file of finished/ or archive/ promises.
func checkPaper(path string, idle bool, named map[string]bool) error {
	dir, name := filepath.Split(path)
	switch {
	case strings.HasSuffix(name, clipEnding): // see clipsRight
	case name == diaryFile: // see diaryRight
	case strings.HasSuffix(name, ".recipe.json"):
		var recipe struct {
			Raws []recipeRaw `json:"raws"`
		}
		if err := readJSON(path, &recipe); err != nil {
			return err
		}
		for _, r := range recipe.Raws {
			data, err := os.ReadFile(filepath.Join(dir, r.ArchivedAs))
			if errors.Is(err, fs.ErrNotExist) && !idle {
				continue // the recipe comes first
			}
			if err != nil || sumOf(data) != r.SHA256 {
				return fmt.Errorf("%s names a raw that is not there: %w", name, errors.Join(err))
			}
		}
	case strings.HasSuffix(name, ".json"):
		var report testReport
		if err := readJSON(path, &report); err != nil {
			return err
		}
		data, err := os.ReadFile(strings.TrimSuffix(path, ".json") + endingFor(report.Raws[0].Role))
		if errors.Is(err, fs.ErrNotExist) && !idle && filepath.Base(filepath.Dir(path)) != "superseded" {
			return nil // the earlier file has moved, its report follows
		}
		if err != nil || sumOf(data) != report.Finished.SHA256 {
			return fmt.Errorf("%s does not name its file: %w", name, errors.Join(err))
		}
	case strings.HasSuffix(name, pleaseRead):
	case (strings.HasSuffix(name, endingMP3) || strings.HasSuffix(name, endingText)) && idle:
		if report := strings.TrimSuffix(path, filepath.Ext(path)) + ".json"; !exists(report) {
			return fmt.Errorf("%s has no report", name)
		}
	case strings.HasSuffix(name, ".wav") && idle:
		if !named[Fold(path)] { // some disks spell names in their own way
			return fmt.Errorf("no recipe names %q", name)
		}
	}
	return nil
}

// namedByRecipes returns the paths of all raws that a recipe beside them names.
func namedByRecipes(ws *Workspace) map[string]bool {
	named := map[string]bool{}
	_ = filepath.WalkDir(ws.Archive, func(path string, e fs.DirEntry, err error) error {
		var recipe struct {
			Raws []recipeRaw `json:"raws"`
		}
		if err == nil && strings.HasSuffix(path, ".recipe.json") && readJSON(path, &recipe) == nil {
			for _, r := range recipe.Raws {
				named[Fold(filepath.Join(filepath.Dir(path), r.ArchivedAs))] = true
			}
		}
		return nil // what cannot be read names nothing, and is found out by checkPaper
	})
	return named
}
