package watcher

import (
	"os"
	"path"
	"path/filepath"
	"slices"
)

// recipeAt is a recipe found in the archive.
type recipeAt struct {
	stem     string // of its chapter's files
	revision int
	recipe
}

func (r recipeAt) isRoomTest() bool { return r.Raws[0].Role == roleRoomTest }

// namedRaw is a raw that a recipe names.
type namedRaw struct{ name, sum string }

// archive checks one book's folder in archive/. It returns the recipes by the folded
// stem of their chapter, newest last.
func (a *auditor) archive(book string) (map[string][]recipeAt, error) {
	dir := filepath.Join(a.ws.Archive, book)
	at := func(name string) string { return path.Join("archive", book, name) }
	names, err := a.list(dir, at(""), book)
	if err != nil {
		return nil, err
	}
	recipes := map[string][]recipeAt{}
	named := map[string]namedRaw{} // by the folded name, since some disks spell names in their own way
	for _, name := range names {
		m := revisionName.FindStringSubmatch(name)
		if m == nil || m[3] != "recipe.json" {
			continue
		}
		a.out.LookedAt.Recipes++
		r, err := readRecipe(filepath.Join(dir, name))
		found := a.opened(book, at(name), err)
		switch {
		case found == gone, found == unreadable:
			continue
		case found == otherwise, len(r.Raws) == 0:
			a.wrong("bad_recipe", book, at(name), "the recipe cannot be read, and without it this revision cannot be made again; "+
				"put your second copy in its place, or drop the chapter's recordings into the inbox again")
			continue
		}
		for _, raw := range r.Raws {
			if other, known := named[Fold(raw.ArchivedAs)]; known && other.sum != raw.SHA256 {
				a.wrong("bad_recipe", book, at(name), "another recipe tells otherwise of %s, so one of the two was changed; put your second copy of both in their place", Plain(raw.ArchivedAs))
			}
			named[Fold(raw.ArchivedAs)] = namedRaw{raw.ArchivedAs, raw.SHA256}
		}
		stem := Fold(m[1])
		recipes[stem] = append(recipes[stem], recipeAt{m[1], revisionOf(m[2]), r})
	}
	for _, list := range recipes {
		slices.SortFunc(list, func(x, y recipeAt) int { return x.revision - y.revision })
	}
	note := a.shelvedNote(book, at(shelvedFile))
	for _, name := range names {
		m := revisionName.FindStringSubmatch(name)
		if m != nil && m[3] == "recipe.json" || name == shelvedFile || name == shelvedText && slices.Contains(names, shelvedFile) {
			continue
		}
		want, known := named[Fold(name)]
		delete(named, Fold(name))
		switch {
		case kindOf(name) != wav:
			a.wrong("stray", book, at(name), "it is neither a recording nor a recipe; move it elsewhere")
			continue
		case !known:
			a.wrong("unnamed_raw", book, at(name), "no recipe names this recording, so nothing tells whether it is as it was; if it is in no chapter yet, drop a copy of it into the inbox")
			continue
		}
		if _, f, shelved := note.find(name, want.sum); shelved && a.isHeld(filepath.Join(dir, name), f) {
			a.wrong("half_done", book, at(name), "bringing this recording back was cut short, and nothing is lost; repeat: %s", toBringBack(book))
			continue
		}
		a.out.LookedAt.Raws++
		found, err := a.compare(book, at(name), filepath.Join(dir, name), want.sum)
		if err != nil {
			return nil, err
		}
		if found == otherwise {
			a.wrong("changed_raw", book, at(name), "the recording is not what it was when it was archived; put your second copy in its place")
		}
	}
	if err := a.shelved(book, at(""), note, named); err != nil {
		return nil, err
	}
	for _, raw := range named {
		// A link or a folder of its name is not it.
		if info, err := os.Lstat(filepath.Join(dir, raw.name)); err != nil || !info.Mode().IsRegular() {
			a.wrong("missing_raw", book, at(raw.name), "the recording is gone, and its chapter cannot be made again; put your second copy in its place")
		}
	}
	return recipes, nil
}
