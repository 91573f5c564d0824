package book

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"
)

// maker is what a file was made by.
type maker struct {
	chain    int
	settings string
}

// madeOtherwise tells of the files that were made by another chain or with other settings
// than the rest of the book, or, where all are alike, than would be used now.
func (l *todoList) madeOtherwise(b *Book, in Input) {
	groups := map[maker][]File{}
	for _, f := range b.finished(func(File) bool { return true }) {
		m := maker{f.Chain, f.Settings}
		groups[m] = append(groups[m], f)
	}
	if len(groups) == 0 {
		return
	}
	now := maker{in.Chain, in.SettingsSHA256}
	known := now.chain != 0 && now.settings != ""
	rest := restOf(groups, now)
	byWhat := map[string][]File{}
	for _, f := range b.finished(func(f File) bool { return maker{f.Chain, f.Settings} != rest }) {
		what := maker{f.Chain, f.Settings}.differs(rest)
		byWhat[what] = append(byWhat[what], f)
	}
	for _, what := range slices.Sorted(maps.Keys(byWhat)) {
		name := ""
		if len(byWhat[what]) == 1 {
			name = byWhat[what][0].Name
		}
		l.hint(DoOtherwise, name, saysMadeOtherwise(b.Book, quotedNames(byWhat[what]), what, false))
	}
	if known && rest != now && len(byWhat) == 0 {
		l.hint(DoOtherwise, "", saysMadeOtherwise(b.Book, nil, rest.differs(now), true))
	}
}

// restOf is what most of the book was made by; of equal parts, what a file would be made
// by now, else what made the newest file.
func restOf(groups map[maker][]File, now maker) maker {
	isNow := func(m maker) int {
		if m == now {
			return 1
		}
		return 0
	}
	return slices.MaxFunc(slices.Collect(maps.Keys(groups)), func(x, y maker) int {
		return cmp.Or(
			len(groups[x])-len(groups[y]), isNow(x)-isNow(y), newest(groups[x]).Compare(newest(groups[y])),
			x.chain-y.chain, strings.Compare(x.settings, y.settings),
		)
	})
}

func newest(files []File) time.Time {
	var at time.Time
	for _, f := range files {
		if f.MadeAt.After(at) {
			at = *f.MadeAt
		}
	}
	return at
}

// differs tells how one maker is unlike another, for a sentence.
func (m maker) differs(other maker) string {
	switch {
	case m.chain == other.chain:
		return "with other settings"
	case m.settings == other.settings:
		return "by a version of Lectern with another sound"
	}
	return "by a version of Lectern with another sound and with other settings"
}
