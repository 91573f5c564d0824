package report

import (
	"fmt"
	"strings"
	"testing"

	"lectern/config"
	"lectern/pipeline/takes"
)

// joinOf is a join at a place, with some seconds dropped and some of them unread.
func joinOf(kind string, atS, droppedS, unreadS float64) Join {
	j := Join{Number: 1, Kind: kind, AtS: Seconds(atS), ToRaw: 1, DroppedS: Seconds(droppedS), UnreadS: Seconds(unreadS)}
	if droppedS > 0 {
		j.Dropped = []Piece{{ToS: Seconds(droppedS)}}
	}
	j.Says = SaysJoin(j, "take 1", "take 2")
	return j
}

func retakeOf(number int, state string, firstS, againS *Seconds) Retake {
	r := Retake{Number: number, State: state, FromS: 200, ToS: 204, AgainS: 205, AgainToS: 209, FinishedAtS: firstS, FinishedAgainS: againS}
	r.Says = SaysRetake(r, "03 The Ferry")
	return r
}

func asked(number int, atS float64) Retake {
	return retakeOf(number, takes.Asked, ptr(Seconds(atS)), ptr(Seconds(atS+5)))
}

// joinSentences is everything said of joins and retakes.
func joinSentences() []string {
	all := []string{
		SaysStandsOut(192, "take 1", "take 2", Differs{ColorDB: 4.1, Hz: 250}),
		SaysStandsOut(192, "the chapter", "pickup 1", Differs{ColorDB: -3.2, Hz: 1000, RoomDB: 7.4}),
		SaysStandsOut(192, "take 1", "take 2", Differs{RoomDB: -9}),
	}
	for _, j := range []Join{
		joinOf(takes.ReadAgain, 192, 4.2, 0), joinOf(takes.ReadAgain, 192, 4.2, 0.4), joinOf(takes.ReadAgain, 192, 4.2, 1.3),
		joinOf(takes.Inserted, 192, 12.3, 0), joinOf(takes.Inserted, 205, 0, 0), joinOf(takes.GoesOn, 192, 0, 0),
		joinOf(takes.Apart, 192, 0, 0), joinOf(takes.PickedUp, 192, 3.1, 0), joinOf(takes.PickedUp, 195, 0, 0),
	} {
		all = append(all, j.Says)
	}
	here, later := ptr(Seconds(192)), ptr(Seconds(197))
	for _, r := range []Retake{
		retakeOf(1, takes.Asked, here, later), retakeOf(2, takes.Marked, nil, here), retakeOf(3, takes.Cut, nil, here),
		retakeOf(4, takes.Kept, here, later), retakeOf(5, takes.Marked, nil, nil),
	} {
		all = append(all, r.Says)
	}
	for _, c := range JudgeTakes("03 The Ferry",
		[]Join{joinOf(takes.Apart, 192, 0, 0), joinOf(takes.ReadAgain, 250, 4, 1), joinOf(takes.Apart, 300, 0, 0)},
		[]Retake{asked(1, 192), asked(2, 400)}) {
		all = append(all, c.Advice)
	}
	for _, reason := range []string{takes.NotThere, takes.SeveralFit, takes.TooUnlike, takes.NoWords} {
		all = append(all, SaysNoPlace(2, reason, 3, 9))
	}
	return all
}

// TestJudgeTakes counts the places a person must hear, and no others.
func TestJudgeTakes(t *testing.T) {
	for name, c := range map[string]struct {
		joins       []Join
		retakes     []Retake
		lost, twice float64
		says        []string
	}{
		"one recording": {},
		"all is read again": {joins: []Join{
			joinOf(takes.ReadAgain, 60, 4, 0), joinOf(takes.Inserted, 80, 9, 0.6), joinOf(takes.Inserted, 90, 0, 0),
			joinOf(takes.GoesOn, 120, 0, 0), joinOf(takes.PickedUp, 150, 2, 0.2),
		}},
		"not all is":         {joins: []Join{joinOf(takes.ReadAgain, 192, 4, 0.61)}, lost: 1, says: []string{"3:12", "0.6 seconds were not found"}},
		"apart":              {joins: []Join{joinOf(takes.Apart, 192, 0, 0)}, lost: 1, says: []string{"3:12", "nothing was left out"}},
		"several":            {joins: []Join{joinOf(takes.Apart, 192, 0, 0), joinOf(takes.ReadAgain, 251, 4, 2)}, lost: 2, says: []string{"At 3:12 a take", "At 4:11 words"}},
		"read twice":         {retakes: []Retake{asked(1, 192)}, twice: 1, says: []string{"3:12", "3:17", `lectern cut "03 The Ferry" 1;`, `lectern keep "03 The Ferry" 1.`}},
		"read twice, often":  {retakes: []Retake{asked(1, 192), asked(3, 251)}, twice: 2, says: []string{"number 1 at 3:12 and number 3 at 4:11", "lectern cut", "lectern keep"}},
		"answered or marked": {retakes: []Retake{retakeOf(1, takes.Cut, nil, ptr(Seconds(4))), retakeOf(2, takes.Marked, nil, ptr(Seconds(9))), retakeOf(3, takes.Kept, ptr(Seconds(4)), ptr(Seconds(9)))}},
	} {
		t.Run(name, func(t *testing.T) {
			checks := JudgeTakes("03 The Ferry", c.joins, c.retakes)
			for i, want := range []struct {
				name string
				n    float64
			}{{"nothing_lost", c.lost}, {"read_twice", c.twice}} {
				got := checks[i]
				if got.Name != want.name || got.Measured == nil || float64(*got.Measured) != want.n || got.Pass != (want.n == 0) || (got.Advice == "") != got.Pass {
					t.Errorf("%s: measured %v, pass %v, advice %q; want %s of %g", got.Name, got.Measured, got.Pass, got.Advice, want.name, want.n)
				}
			}
			for _, words := range c.says {
				if !strings.Contains(checks[0].Advice+checks[1].Advice, words) {
					t.Errorf("advice %q %q, want words on %q", checks[0].Advice, checks[1].Advice, words)
				}
			}
		})
	}
}

// Where a person is asked, the verdict is listen, and the summary names no limit; a limit
// that is missed as well makes it fail.
func TestVerdictOfAsking(t *testing.T) {
	r := settled()
	r.Raws[0].Findings, r.Finished.Findings = nil, nil
	r.Joins, r.Retakes = []Join{joinOf(takes.Apart, 192, 0, 0)}, []Retake{asked(1, 250)}
	judge := func() {
		r.Checks = append(Judge(r.Finished.Measured, r.Finished.Format, config.Default().Delivery, 0), JudgeTakes(r.Chapter, r.Joins, r.Retakes)...)
		r.Judge()
	}
	judge()
	if r.Verdict != Listen || len(r.ToDo()) != 2 || strings.Contains(r.Summary(), "misses") || !strings.Contains(r.Letter(), r.Joins[0].Says) {
		t.Errorf("verdict %s, to do %q, summary %q, letter %q", r.Verdict, r.ToDo(), r.Summary(), r.Letter())
	}
	r.Finished.Measured.RoomToneDBFS = -40
	judge()
	if r.Verdict != Fail || r.Summary() != "misses the limit for room tone" || len(r.ToDo()) != 3 {
		t.Errorf("verdict %s, summary %q, to do %q", r.Verdict, r.Summary(), r.ToDo())
	}
}

// What is wrong with a recording of which nothing is heard asks for nothing.
func TestUnusedRaw(t *testing.T) {
	r := settled()
	r.Finished.Findings = nil
	r.Raws[0].Findings = []Finding{{Kind: "truncated", Says: SaysTruncated(60)}}
	r.Judge()
	if r.Verdict != Listen {
		t.Errorf("verdict %s of a recording that was cut short", r.Verdict)
	}
	r.Raws[0].Unused = true
	r.Judge()
	if r.Verdict != Pass || len(r.ToDo()) != 0 || len(r.AlsoHeard()) != 0 {
		t.Errorf("unused: verdict %s, to do %q", r.Verdict, r.ToDo())
	}
}

// A long list of places is shortened.
func TestManyPlacesReadTwice(t *testing.T) {
	var retakes []Retake
	for i := range 20 {
		retakes = append(retakes, asked(i+1, float64(60*i)))
	}
	says := JudgeTakes("03 The Ferry", nil, retakes)[1].Advice
	if !strings.Contains(says, "In 20 places") || !strings.Contains(says, "number 8 at 7:00 and 12 more") || strings.Contains(says, fmt.Sprint("number ", 9)) {
		t.Errorf("advice %q", says)
	}
}
