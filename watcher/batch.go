package watcher

import (
	"cmp"
	"fmt"
	"slices"
)

// member is one raw of a chapter: one that waits, or one an earlier revision
// has archived.
type member struct {
	Role   string
	Number int
	Name   string
	// File is its name in the job's new/ folder; for a waiting raw.
	File string
	// ArchivedAs and SHA256 are set for an archived one.
	ArchivedAs, SHA256 string
}

// slot is the place in a chapter a raw fills. Two raws for one slot are either
// a question or a replacement.
type slot struct {
	kind   string
	number int
}

// The roles Hands.Sort tells apart.
const (
	roleChapter = "chapter"
	roleTake    = "take"
	rolePart    = "part"
	rolePickup  = "pickup"
	// roleRoomTest is measured, not made into a chapter.
	roleRoomTest = "room test"
)

// order puts a chapter's raws into playing order: takes or parts by number,
// then pickups. A waiting raw replaces the archived one of its slot. If the
// names leave a question open, problem is the sentence that asks it, and
// nothing is to be made. A room test stands alone: whatever was archived under its
// name is no part of it.
func order(waiting, archived []member) (playing []member, problem string) {
	has := func(role string) func(member) bool { return func(m member) bool { return m.Role == role } }
	if slices.ContainsFunc(waiting, has(roleRoomTest)) {
		archived = nil
	}
	all := slices.Concat(waiting, archived)
	inParts := slices.ContainsFunc(all, has(rolePart))
	if inParts && slices.ContainsFunc(all, has(roleTake)) {
		return nil, "some files of this chapter are named as takes and some as parts; use one of the two words for all of them"
	}
	slotOf := func(m member) slot {
		switch {
		case m.Role == roleChapter && inParts:
			return slot{rolePart, 1}
		case m.Role == roleChapter, m.Role == roleRoomTest:
			return slot{roleTake, 1}
		}
		return slot{m.Role, m.Number}
	}

	taken := map[slot]member{}
	for _, m := range waiting {
		if first, twice := taken[slotOf(m)]; twice {
			return nil, fmt.Sprintf("%s and %s are both there, and only one can be used; take the wrong one out of the inbox",
				Plain(first.Name), Plain(m.Name))
		}
		taken[slotOf(m)] = m
		playing = append(playing, m)
	}
	for _, m := range archived {
		by, replaced := taken[slotOf(m)]
		if replaced && by.Role != m.Role {
			return nil, fmt.Sprintf("%s was finished before, and %s would take the same place; if it replaces that one, give it the same name",
				Plain(m.Name), Plain(by.Name))
		}
		if !replaced {
			playing = append(playing, m)
		}
	}
	slices.SortStableFunc(playing, func(a, b member) int {
		x, y := slotOf(a), slotOf(b)
		return cmp.Or(pickupsLast(x)-pickupsLast(y), cmp.Compare(x.number, y.number))
	})
	return playing, gap(playing, slotOf)
}

func pickupsLast(s slot) int {
	if s.kind == rolePickup {
		return 1
	}
	return 0
}

// gap asks for the first missing take or part, or for the chapter a pickup
// belongs to.
func gap(playing []member, slotOf func(member) slot) string {
	want := 1
	for _, m := range playing {
		s := slotOf(m)
		if s.kind == rolePickup {
			break
		}
		if s.number != want {
			return fmt.Sprintf("%s %d is missing; nothing is made until it is there", s.kind, want)
		}
		want++
	}
	if want == 1 {
		return "a pickup waits for its chapter, which is not there yet"
	}
	return ""
}
