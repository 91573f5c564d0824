package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"lectern/config"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// begunWith returns the settings of the newest recipe in a book's archive, so
// that all chapters of a book sound alike; false if the book has none yet. Room tests
// are no chapters and begin nothing, and what was made with the settings of an earlier
// revision says nothing of the chapters to come.
func begunWith(archive string) (config.Chapter, bool, error) {
	entries, err := os.ReadDir(archive)
	if errors.Is(err, fs.ErrNotExist) {
		return config.Chapter{}, false, nil
	}
	if err != nil {
		return config.Chapter{}, false, fmt.Errorf("look for the book's settings: %w", err)
	}
	var recipes []fs.FileInfo
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".recipe.json") {
			continue
		}
		info, err := e.Info()
		if err != nil {
			return config.Chapter{}, false, fmt.Errorf("look for the book's settings: %w", err)
		}
		recipes = append(recipes, info)
	}
	slices.SortFunc(recipes, func(a, b fs.FileInfo) int { return b.ModTime().Compare(a.ModTime()) })
	for _, newest := range recipes {
		text, err := os.ReadFile(filepath.Join(archive, newest.Name()))
		if err != nil {
			return config.Chapter{}, false, fmt.Errorf("read the book's settings: %w", err)
		}
		var r report.RecipeFile
		if err := json.Unmarshal(text, &r); err != nil {
			return config.Chapter{}, false, fmt.Errorf("read the book's settings in %s: %w", newest.Name(), err)
		}
		if r.Origin == "" && (len(r.Raws) == 0 || r.Raws[0].Role != takes.RoomTest) {
			return r.Settings, true, nil
		}
	}
	return config.Chapter{}, false, nil
}
