package page

import (
	"cmp"
	"math"
	"slices"

	"lectern/pipeline/report"
)

// Kinds of places; each has a shape of its own in the picture.
const (
	hear   = "hear"   // a finding a person should listen to
	joined = "join"   // one take follows on another
	pickup = "pickup" // a pickup begins or ends
	again  = "again"  // read twice
	noted  = "note"   // good to know, such as tone laid in
)

// placeWords tell each kind in a word.
var placeWords = map[string]string{hear: "listen", joined: "join", pickup: "pickup", again: "read twice", noted: "note"}

// leadS is how long before a place the playing begins, so that an ear is ready and what
// leads up to it is heard (our choice).
const leadS = 1

// mostPlaces is how many places of a chapter are listed (our choice: nobody works
// through more, and the report beside the MP3 holds them all).
const mostPlaces = 200

// place is somewhere in the finished file that was worked on or should be heard.
type place struct {
	Number int
	Kind   string
	Word   string
	AtS    float64
	Clock  string
	Says   string
	ID     string // in the page
	Link   string // the MP3 from here on, which plays without a script too
	FromS  float64
}

// placesOf lists the joins, retakes and findings of a chapter that are in its finished
// file, from its beginning to its end.
func placesOf(r *report.Report) []place {
	var list []place
	add := func(kind string, atS report.Seconds, says string) {
		list = append(list, place{Kind: kind, Word: placeWords[kind], AtS: float64(atS), Says: says})
	}
	for _, j := range r.Joins {
		kind := joined
		if isPickup(r, j.FromRaw) || isPickup(r, j.ToRaw) {
			kind = pickup
		}
		add(kind, j.AtS, j.Says)
	}
	for _, t := range r.Retakes {
		at := t.FinishedAtS
		if at == nil {
			at = t.FinishedAgainS
		}
		if at != nil {
			add(again, *at, t.Says)
		}
	}
	for _, f := range heardOnce(r) {
		kind := noted
		if f.NeedsEar() {
			kind = hear
		}
		add(kind, *f.FinishedAtS, f.Says)
	}
	slices.SortStableFunc(list, func(a, b place) int { return cmp.Compare(a.AtS, b.AtS) })
	for i := range list {
		p := &list[i]
		p.Number, p.Clock, p.FromS = i+1, report.Clock(p.AtS), max(0, p.AtS-leadS)
	}
	return list
}

func isPickup(r *report.Report, raw int) bool {
	return raw >= 0 && raw < len(r.Raws) && r.Raws[raw].Role == "pickup"
}

// heardOnce lists the findings that are at a place of the finished file, each place once:
// what was found in a raw is found again in the finished file. A join is told by the
// join itself.
func heardOnce(r *report.Report) []report.Finding {
	const apartS = 1 // as the letter beside the MP3 counts them
	var list []report.Finding
	for _, f := range r.Findings() {
		if f.FinishedAtS == nil || f.Kind == "joined" {
			continue
		}
		told := slices.ContainsFunc(list, func(o report.Finding) bool {
			return o.Kind == f.Kind && math.Abs(float64(*o.FinishedAtS-*f.FinishedAtS)) < apartS
		})
		if !told {
			list = append(list, f)
		}
	}
	return list
}

// ofTheWhole lists what is said of a chapter as a whole: what should be heard first, then
// what is good to know.
func ofTheWhole(r *report.Report) []string {
	var list []string
	for _, f := range r.Findings() {
		if f.FinishedAtS == nil && f.NeedsEar() && !slices.Contains(list, f.Says) {
			list = append(list, f.Says)
		}
	}
	return append(list, r.AlsoHeard()...)
}
