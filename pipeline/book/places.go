package book

import (
	"cmp"
	"math"
	"slices"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// Place is a place of a finished file that a person should hear.
type Place struct {
	// AtS and UntilS are in the finished file.
	AtS, UntilS report.Seconds
	// Kinds are what is there: join, retake, or the kind of a finding. Says tell what to
	// listen for, in the report's own sentences.
	Kinds []string
	Says  []string
}

// Kinds of places that are no finding.
const (
	aJoin   = "join"
	aRetake = "retake"
)

// oneApartS is how near two things are one place to listen to. Our choice.
const oneApartS = 1

// Places are the places of a chapter to hear, in order, each once: joins and pickups,
// what was cut or may be read twice, tone that was laid in, and what was found at a place.
// What runs through the whole file, such as hum, is no place.
func Places(r *report.Report) []Place {
	var found []Place
	add := func(kind string, at, until report.Seconds, says string) {
		found = append(found, Place{AtS: at, UntilS: max(at, until), Kinds: []string{kind}, Says: []string{says}})
	}
	for _, j := range r.Joins {
		add(aJoin, j.AtS, j.AtS, j.Says)
	}
	for _, t := range r.Retakes {
		switch {
		case t.FinishedAgainS == nil || t.State == takes.Kept: // not heard, or answered
		case t.State == takes.Asked && t.FinishedAtS != nil:
			add(aRetake, *t.FinishedAtS, *t.FinishedAgainS+t.AgainToS-t.AgainS, t.Says)
		default:
			add(aRetake, *t.FinishedAgainS, *t.FinishedAgainS, t.Says)
		}
	}
	for _, f := range r.Finished.Findings {
		if isPlace(f) {
			add(f.Kind, *f.FinishedAtS, *f.FinishedAtS, toListenFor(f))
		}
	}
	for i, raw := range r.Raws {
		if raw.Unused {
			continue
		}
		from, until, heard := heardAt(r, i)
		for _, f := range raw.Findings {
			switch {
			case isPlace(f):
				add(f.Kind, *f.FinishedAtS, *f.FinishedAtS, toListenFor(f))
			case !ofWhole(f) || !heard:
			case f.Kind == "truncated" || f.Kind == "unfinished": // is the last sentence whole?
				add(f.Kind, until, until, f.Says)
			default:
				add(f.Kind, from, from, f.Says)
			}
		}
	}
	return merge(found)
}

// isPlace tells whether a finding is of a place in the finished file.
func isPlace(f report.Finding) bool {
	if f.FinishedAtS == nil || ofWhole(f) {
		return false
	}
	return f.NeedsEar() || f.Kind == "tone_laid_in" || f.Kind == "joined"
}

// ofWhole tells whether a finding is of a whole recording, of which a person must hear a
// part.
func ofWhole(f report.Finding) bool {
	return slices.Contains([]string{"truncated", "unfinished", "not_a_number", "unlike_channels"}, f.Kind)
}

// heardAt tells from where to where raw i is heard in the finished file; heard is false if
// it is not.
func heardAt(r *report.Report, i int) (from, until report.Seconds, heard bool) {
	for _, e := range r.Recipe.Edits {
		if e.Raw == nil || *e.Raw != i {
			continue
		}
		if !heard {
			from, heard = e.AtS, true
		}
		until = e.AtS + e.ToS - e.FromS
	}
	return from, until, heard
}

// merge puts what was found into order and makes one place of what is at one. What was
// found in a raw is often found again in the finished file, so of each kind of finding a
// place has one sentence.
func merge(found []Place) []Place {
	slices.SortStableFunc(found, func(a, b Place) int { return cmp.Compare(a.AtS, b.AtS) })
	out := []Place{}
	for _, p := range found {
		last := len(out) - 1
		if last < 0 || math.Abs(float64(p.AtS-out[last].AtS)) >= oneApartS {
			out = append(out, p)
			continue
		}
		at := &out[last]
		at.UntilS = max(at.UntilS, p.UntilS)
		kind, says := p.Kinds[0], p.Says[0]
		known := slices.Contains(at.Kinds, kind)
		if !slices.Contains(at.Says, says) && (!known || kind == aJoin || kind == aRetake) {
			at.Says = append(at.Says, says)
		}
		if !known {
			at.Kinds = append(at.Kinds, kind)
		}
	}
	return out
}
