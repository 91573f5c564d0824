package watcher

import (
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// clips checks the clips of one book against the reports of its chapters, by their folded
// stems. One that is gone or is another is no exception: it can be made again.
func (a *auditor) clips(book string, reports map[string]finishedReport, recipes map[string][]recipeAt) error {
	dir := filepath.Join(a.ws.Finished, book, clipFolder)
	at := func(name string) string { return path.Join("finished", book, clipFolder, name) }
	if isFolder(dir) != nil { // none, or what list has told of
		dir = ""
	}
	var names []string
	if dir != "" {
		var err error
		if names, err = a.list(dir, at(""), book); err != nil {
			return err
		}
	}
	there := map[string]bool{}
	for _, name := range names {
		stem, isClip := strings.CutSuffix(name, clipEnding)
		if !isClip {
			a.strayFile(book, at(name))
			continue
		}
		r, known := reports[Fold(stem)]
		_, made := recipes[Fold(stem)]
		there[Fold(stem)] = true
		switch {
		case known && r.Revision == 0: // a report that cannot be read: told of there
		case !known && made:
			a.note("left_clip", book, at(name), "the chapter it was cut from was taken away; delete it, or bring the chapter back with %s", toRemake(book, stem, 0))
		case !known, r.Before.SHA256 == "":
			a.wrong("stray", book, at(name), "this clip is about nothing that lies here any more; delete it")
		default:
			found, err := a.compare(book, at(name), filepath.Join(dir, name), r.Before.SHA256)
			if err != nil {
				return err
			}
			if found == otherwise {
				a.note("changed_clip", book, at(name), "it is not the clip its report tells of; %s makes it again", toRemake(book, stem, 0))
			}
		}
	}
	for stem, r := range reports {
		if r.Before.SHA256 != "" && !there[stem] {
			a.note("no_clip", book, at(r.stem+clipEnding), "its report tells of a clip to listen to, but it was taken away; %s makes it again", toRemake(book, r.stem, 0))
		}
	}
	return nil
}

// handovers checks the names of what was handed over. Nothing tells what must be in it.
func (a *auditor) handovers(book string) error {
	dir := filepath.Join(a.ws.Finished, book, handoverFolder)
	if !slices.Contains(foldersBeside(book), handoverFolder) || isFolder(dir) != nil {
		return nil
	}
	at := path.Join("finished", book, handoverFolder)
	names, err := a.list(dir, at, book)
	for _, name := range names {
		if !handoverName.MatchString(name) {
			a.strayFile(book, path.Join(at, name))
		}
	}
	return err
}
