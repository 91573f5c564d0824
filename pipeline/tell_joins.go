package pipeline

import (
	"fmt"
	"math"

	"lectern/pipeline/findings"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// From here on a join is heard: where the octaves of the two voices differ by more than
// colorStandsOutDB, or the rooms by more than roomStandsOutDB (project's own figures).
const (
	colorStandsOutDB = 3.0
	roomStandsOutDB  = 6.0
)

// joins are the places where one raw follows on another.
func (m *Master) joins() []report.Join {
	out := []report.Join{}
	for i, j := range m.spliced.Joins {
		earlier, later := m.spliced.Stretches[j.Stretch-1], m.spliced.Stretches[j.Stretch]
		told := report.Join{
			Number: i + 1, Kind: j.Kind, AtS: inSeconds(m.timeline.starts[j.Stretch]),
			FromRaw: earlier.Raw, FromS: inSeconds(earlier.To), ToRaw: later.Raw, ToS: inSeconds(later.From),
			Likeness: report.Figure(j.Likeness), Dropped: []report.Piece{},
			GainDB: report.Figure(m.spliced.GainDB[later.Raw] - m.spliced.GainDB[earlier.Raw]),
		}
		for _, d := range j.Dropped {
			told.Dropped = append(told.Dropped, report.Piece{Raw: d.Raw, FromS: inSeconds(d.From), ToS: inSeconds(d.To)})
			told.DroppedS += inSeconds(d.Len())
		}
		for _, u := range j.Unread {
			told.UnreadS += inSeconds(u.Len())
		}
		a, b := m.raws.recs[earlier.Raw], m.raws.recs[later.Raw]
		if db, _, ok := m.colorAt(i); ok {
			told.ColorDB = figure(math.Abs(db))
		}
		if a.room.borrowed && b.room.borrowed {
			told.RoomDB = figure(b.room.powerDBFS - a.room.powerDBFS + float64(told.GainDB))
		}
		said := earlier.Raw
		if j.Kind == takes.ReadAgain && len(j.Dropped) > 0 { // a pickup may lie between
			said = j.Dropped[0].Raw
		}
		told.Says = report.SaysJoin(told, m.called(said), m.called(later.Raw))
		out = append(out, told)
	}
	return out
}

// colorAt is how the voices differ most at a join: over the words both say, where they say
// the same, else over all of the two raws.
func (m *Master) colorAt(join int) (db, hz float64, ok bool) {
	j := m.spliced.Joins[join]
	for i, d := range j.ColorDB {
		if math.Abs(d) > math.Abs(db) {
			db, hz = d, takes.OctaveHz[i]
		}
	}
	if j.ColorDB != nil {
		return db, hz, true
	}
	earlier, later := m.spliced.Stretches[j.Stretch-1], m.spliced.Stretches[j.Stretch]
	return unlikeOctave(m.raws.recs[earlier.Raw].faults.Voice, m.raws.recs[later.Raw].faults.Voice)
}

// unlikeOctave is the octave from 125 Hz up in which two voices differ most, each taken
// against its own mean over these octaves, and by how much the later one is stronger in
// it; ok is false if one of them is not known.
func unlikeOctave(earlier, later findings.Color) (db, hz float64, ok bool) {
	if earlier == nil || later == nil {
		return 0, 0, false
	}
	const first = 1 // 125 Hz
	var mean float64
	for i := first; i < len(findings.OctaveHz); i++ {
		mean += (later[i] - earlier[i]) / float64(len(findings.OctaveHz)-first)
	}
	for i := first; i < len(findings.OctaveHz); i++ {
		if d := later[i] - earlier[i] - mean; math.Abs(d) > math.Abs(db) {
			db, hz = d, findings.OctaveHz[i]
		}
	}
	return db, hz, true
}

// called names a raw for the narrator.
func (m *Master) called(raw int) string {
	r := m.job.Raws[raw]
	if r.Role != takes.Chapter {
		return fmt.Sprintf("%s %d", r.Role, r.Number)
	}
	for _, other := range m.job.Raws {
		if other.Role == takes.Take {
			return "take 1" // the plain name counts as that
		}
	}
	return "the first recording"
}

// joinFindings are the joins that a person must hear, or know of: those of raws that
// have no words in common, and those where the two sound unlike. Where a passage was put
// in, it is told once, where it begins.
func (m *Master) joinFindings(joins []report.Join) []report.Finding {
	var out []report.Finding
	for i, j := range joins {
		at := j.AtS
		if j.Kind == takes.Apart {
			out = append(out, report.Finding{Kind: "joined", AtS: at, UntilS: at, FinishedAtS: &at, Says: j.Says})
		}
		if i > 0 && joins[i-1].FromRaw == j.ToRaw && joins[i-1].ToRaw == j.FromRaw {
			continue
		}
		var d report.Differs
		if db, hz, _ := m.colorAt(i); math.Abs(db) > colorStandsOutDB {
			d.ColorDB, d.Hz = db, hz
		}
		if j.RoomDB != nil && math.Abs(float64(*j.RoomDB)) > roomStandsOutDB && !m.filledUp(m.spliced.Joins[i].Stretch) {
			d.RoomDB = float64(*j.RoomDB)
		}
		if d.ColorDB == 0 && d.RoomDB == 0 {
			continue
		}
		db := report.Figure(math.Abs(d.ColorDB))
		if d.ColorDB == 0 {
			db = report.Figure(math.Abs(d.RoomDB))
		}
		out = append(out, report.Finding{
			Kind: "join_stands_out", AtS: at, UntilS: at, FinishedAtS: &at, DB: &db,
			Says: report.SaysStandsOut(float64(at), m.called(j.FromRaw), m.called(j.ToRaw), d),
		})
	}
	return out
}

// markFindings are the marks behind which nothing was read again: they are still heard.
func (m *Master) markFindings() []report.Finding {
	var out []report.Finding
	for _, s := range m.spliced.LoneMarks {
		at := m.finishedFrame(s.Raw, s.From)
		if at == nil {
			continue
		}
		out = append(out, report.Finding{
			Kind: "mark_alone", AtS: *at, UntilS: *at + inSeconds(s.Len()), FinishedAtS: at, Says: report.SaysMarkAlone(float64(*at)),
		})
	}
	return out
}

// filledUp tells whether the room of a neighbor lies under the stretch or the one before
// it, so that none of it is missing there.
func (m *Master) filledUp(stretch int) bool {
	for _, s := range m.timeline.segments {
		for _, at := range []int{m.timeline.starts[stretch-1], m.timeline.starts[stretch]} {
			if s.At <= at && at < s.End() && s.Under != nil {
				return true
			}
		}
	}
	return false
}

// retakes are the passages that seem to be read twice within a raw.
func (m *Master) retakes() []report.Retake {
	out := []report.Retake{}
	for i, r := range m.spliced.Retakes {
		told := report.Retake{
			Number: i + 1, State: r.State, Raw: r.Raw,
			FromS: inSeconds(r.First.From), ToS: inSeconds(r.First.To),
			AgainS: inSeconds(r.Again.From), AgainToS: inSeconds(r.Again.To),
			FinishedAtS: m.finishedFrame(r.Raw, r.First.From), FinishedAgainS: m.finishedFrame(r.Raw, r.Again.From),
			Likeness: report.Figure(r.Likeness),
		}
		if m.excerpt != nil {
			told.Number = m.excerpt.retakes[i]
		}
		told.Says = report.SaysRetake(told, m.askedOf())
		out = append(out, told)
	}
	return out
}

// finishedFrame tells where a frame of raw i is in the finished file, nil if it was cut
// away.
func (m *Master) finishedFrame(i, frame int) *report.Seconds {
	for _, s := range m.timeline.segments {
		if s.Raw == i && !s.Tone && frame >= s.From && frame < s.From+s.Frames {
			at := inSeconds(frame - s.From + s.At)
			return &at
		}
	}
	return nil
}

// unused tells whether nothing of a raw is heard.
func (m *Master) unused(raw int) bool {
	for _, s := range m.spliced.Stretches {
		if s.Raw == raw {
			return false
		}
	}
	return true
}
