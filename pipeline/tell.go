package pipeline

import (
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"time"
	"unicode/utf8"

	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/pipeline/speech"
)

// tell fills in everything of the report that does not hang on the revision.
func (m *Master) tell(took time.Duration) {
	s := m.job.Settings
	joins, retakes := m.joins(), m.retakes()
	r := &m.report
	*r = report.Report{
		Schema: report.Schema, State: report.StateFinished, Book: m.job.Book, Chapter: m.job.Chapter,
		JudgedBy: report.JudgedBy,
		MadeBy:   report.MadeBy{Version: m.job.Version, Chain: Chain, SettingsSHA256: s.SHA256()},
		Finished: report.Finished{
			SHA256: m.Written.SHA256, AudioSHA256: m.Written.AudioSHA256, Bytes: m.Written.Bytes,
			DurationS: m.measured.DurationS, Measured: m.measured,
			Format: report.Format{
				Codec: "MP3", Says: fmt.Sprintf("MP3 %d kbps constant 44.1 kHz mono", s.Delivery.BitrateKbps),
				SampleRateHz: sampleRateHz, Channels: 1, ConstantRate: true,
				BitrateKbps: float64(s.Delivery.BitrateKbps), Frames: m.Written.Frames,
			},
			Findings: m.finishedFindings(joins),
		},
		Recipe:  report.Recipe{Settings: s, Edits: m.edits(), Answers: tellAnswers(m.job.Answers)},
		Joins:   joins,
		Retakes: retakes,
		History: []string{},
		Tags:    TellTags(m.tags()),
		Curves:  m.curves,
		Before:  m.before,
		Took: report.Took{
			WallS:         report.Figure(took.Seconds()),
			TimesRealTime: report.Figure(float64(m.measured.DurationS) / took.Seconds()),
		},
	}
	if m.excerpt != nil {
		r.Recipe.Sample = &m.excerpt.told
	}
	for i, raw := range m.job.Raws {
		r.Raws = append(r.Raws, m.tellRaw(i, raw))
	}
	r.Steps = m.steps()
	r.Checks = report.Judge(m.measured, r.Finished.Format, s.Delivery, float64(splitAt(m.timeline.frames(), m.timeline.pauses))/framesPerSecond)
	r.Checks = append(r.Checks, report.JudgeTakes(m.askedOf(), joins, retakes)...)
	r.Judge()
}

// Report returns the report for a revision. archivedAs names the raws in the
// archive, in the order of the job; it may be nil where nothing is archived.
func (m *Master) Report(revision int, madeAt time.Time, archivedAs []string) *report.Report {
	r := m.report
	r.Revision, r.MadeAt = revision, madeAt.UTC().Truncate(time.Second)
	r.Finished.Name = m.job.Chapter + ".mp3"
	r.Raws = append([]report.Raw(nil), r.Raws...)
	for i, name := range archivedAs {
		r.Raws[i].ArchivedAs = name
	}
	return &r
}

// Recipe returns what must be kept with the raws to make the chapter again.
func (m *Master) Recipe(revision int, archivedAs []string) *report.RecipeFile {
	f := &report.RecipeFile{
		Schema: report.RecipeSchema, Book: m.job.Book, Chapter: m.job.Chapter, Revision: revision,
		MadeBy: m.report.MadeBy, Recipe: m.report.Recipe,
		Finished: report.RecipeFinished{
			SHA256: m.Written.SHA256, AudioSHA256: m.Written.AudioSHA256, Bytes: m.Written.Bytes,
		},
	}
	if !utf8.ValidString(f.Book) {
		f.BookHex = hex.EncodeToString([]byte(f.Book))
	}
	if !utf8.ValidString(f.Chapter) {
		f.ChapterHex = hex.EncodeToString([]byte(f.Chapter))
	}
	for i, raw := range m.report.Raws {
		f.Raws = append(f.Raws, report.RecipeRaw{
			Role: raw.Role, Number: raw.Number, Name: raw.Name, NameHex: raw.NameHex,
			ArchivedAs: archivedAs[i], SHA256: raw.SHA256,
		})
	}
	return f
}

func (m *Master) tellRaw(i int, raw Raw) report.Raw {
	s, rec := m.raws.surveys[i], m.raws.recs[i]
	finishedAt := func(atS float64) *report.Seconds { return m.finishedAt(i, atS) }
	findings := append(s.findings(finishedAt), tellFaults(rec.faults, s.info.DurationS(), finishedAt)...)
	if m.excerpt != nil {
		findings = slices.DeleteFunc(findings, func(f report.Finding) bool { return !m.heard(i, f) })
	}
	return report.Raw{
		Role: raw.Role, Number: raw.Number, Name: raw.Name, NameHex: hex.EncodeToString([]byte(raw.Name)),
		SHA256: s.sha256, Format: s.info.Format(), DurationS: report.Seconds(s.info.DurationS()),
		Measured: rec.measured, Findings: findings, Unused: m.unused(i),
	}
}

// finishedAt tells where a time of raw i is in the finished file, nil if it was
// cut away.
func (m *Master) finishedAt(i int, atS float64) *report.Seconds {
	frame := int(atS * framesPerSecond)
	for _, s := range m.timeline.segments {
		if s.Raw == i && !s.Tone && frame >= s.From && frame < s.From+s.Frames {
			at := report.Seconds(atS + float64(s.At-s.From)/framesPerSecond)
			return &at
		}
	}
	return nil
}

// heard tells whether a place of raw i is in the finished file, at least a part of it.
func (m *Master) heard(i int, f report.Finding) bool {
	return slices.ContainsFunc(m.timeline.segments, func(s Segment) bool {
		return s.Raw == i && !s.Tone && f.AtS < inSeconds(s.From+s.Frames) && f.UntilS >= inSeconds(s.From)
	})
}

// askedOf is the chapter whose passages people are asked about: the chapter itself, or the
// one that a sample is of.
func (m *Master) askedOf() string {
	if m.excerpt != nil {
		return m.excerpt.told.Chapter
	}
	return m.job.Chapter
}

// edits are the segments, in seconds.
func (m *Master) edits() []report.Edit {
	var out []report.Edit
	for _, s := range m.timeline.segments {
		e := report.Edit{AtS: inSeconds(s.At)}
		if s.Tone {
			e.ToS = inSeconds(s.Frames)
		} else {
			raw := s.Raw
			e.Raw, e.FromS, e.ToS = &raw, inSeconds(s.From), inSeconds(s.From+s.Frames)
		}
		out = append(out, e)
	}
	return out
}

func inSeconds(frames int) report.Seconds { return report.Seconds(frames) / framesPerSecond }

// finishedFindings tell what was laid in, and what the room still lacks.
func (m *Master) finishedFindings(joins []report.Join) []report.Finding {
	out := []report.Finding{}
	body := m.timeline.body()
	var head, tail, inside Segment // inside reaches from the first such place to the last
	var places, frames int
	for _, s := range m.timeline.segments {
		// Silence may reach a little under the edge of a word.
		middle := s.At + s.Frames/2
		switch {
		case !s.Tone:
		case middle < body.From:
			head = joinedTo(head, s)
		case middle >= body.To:
			tail = joinedTo(tail, s)
		case s.Silence:
			places++
			frames += s.Frames
			inside = joinedTo(inside, s)
		}
	}
	if head.Frames > 0 {
		out = append(out, m.laidIn(head, "before the first word"))
	}
	if tail.Frames > 0 {
		out = append(out, m.laidIn(tail, "after the last word"))
	}
	if places > 0 {
		at := inSeconds(inside.At)
		out = append(out, report.Finding{
			Kind: "silence_inside", AtS: at, UntilS: inSeconds(inside.End()), FinishedAtS: &at,
			Says: report.SaysSilenceInside(places, float64(frames)/framesPerSecond, float64(at), m.raws.recs[inside.Raw].room.borrowed),
		})
	}
	out = append(out, m.joinFindings(joins)...)
	out = append(out, m.markFindings()...)
	out = append(out, tellSampleFaults(m.sampleFaults, float64(m.measured.DurationS), asIs)...)
	out = append(out, tellFaults(m.faults, float64(m.measured.DurationS), asIs)...)
	limit := m.job.Settings.Delivery.NoiseMaxDBFS
	left := max(float64(m.measured.NoiseFloorDBFS), float64(m.measured.RoomToneDBFS)) - limit
	if m.loudness.easeDB > 0 && left > 0 {
		db := report.Figure(left)
		out = append(out, report.Finding{
			Kind: "noise_left", UntilS: m.measured.DurationS, DB: &db,
			Says: report.SaysNoiseLeft(m.loudness.easeDB, left),
		})
	}
	return out
}

// joinedTo is the stretch from the start of s to the end of more, which comes later;
// just more, if there is no s.
func joinedTo(s, more Segment) Segment {
	if s.Frames == 0 {
		return more
	}
	s.Frames = more.End() - s.At
	return s
}

func (m *Master) laidIn(s Segment, where string) report.Finding {
	at := inSeconds(s.At)
	db := report.Figure(m.raws.recs[s.Raw].room.powerDBFS + s.ToneDB + s.GainDB + float64(m.plan.GainDB[s.At]) + m.plan.OverallDB)
	return report.Finding{
		Kind: "tone_laid_in", AtS: at, UntilS: inSeconds(s.End()), FinishedAtS: &at, DB: &db,
		Says: report.SaysToneLaidIn(float64(s.Frames)/framesPerSecond, where, m.raws.recs[s.Raw].room.borrowed),
	}
}

// splitAt is the frame at which a file of n frames that is too long could be
// split: the middle of the longest pause in its middle third.
func splitAt(n int, pauses []speech.Span) int {
	at, longest := n/2, 0
	for _, p := range pauses {
		if p.From >= n/3 && p.To <= 2*n/3 && p.Len() > longest {
			longest, at = p.Len(), (p.From+p.To)/2
		}
	}
	return at
}

// steps tells what each step of the chain did.
func (m *Master) steps() []report.Step {
	t, l, loud := m.timeline, m.leveling, m.loudness
	lowest, highest := 0.0, 0.0
	for i, g := range l.partDB {
		if i == 0 {
			lowest, highest = g, g
		}
		lowest, highest = min(lowest, g), max(highest, g)
	}
	laid := 0
	for _, in := range t.laidIn {
		if in {
			laid++
		}
	}
	clean := step("clean", map[string]float64{"rumble_hz": m.job.Settings.Level.RumbleHz})
	if took := m.rumbleTookDB(); !math.IsInf(took, 0) && !math.IsNaN(took) {
		clean.Figures["took_db"] = report.Figure(took)
	}
	ceiling := "ceiling_dbfs"
	if loud.byLoudness {
		ceiling = "ceiling_dbtp"
	}
	normalize := step("normalize", map[string]float64{
		"overall_db": m.plan.OverallDB, "limited_max_db": m.limitDB, ceiling: m.plan.CeilingDBFS,
		"reading_rms_dbfs": float64(m.measured.ReadingRMSDBFS),
	})
	normalize.GaveWay = append(normalize.GaveWay, loud.gaveWay...)
	return []report.Step{
		clean,
		step("trim", map[string]float64{
			"head_s":         float64(t.pauses[0].Len()) / framesPerSecond,
			"tail_s":         float64(t.pauses[len(t.pauses)-1].Len()) / framesPerSecond,
			"tone_laid_in_s": float64(laid) / framesPerSecond,
		}),
		step("level", map[string]float64{
			"phrases": float64(len(t.phrases)), "gain_min_db": lowest, "gain_max_db": highest,
			"spread_before_db": l.spreadBeforeDB, "spread_after_db": l.spreadAfterDB,
			"pauses_eased_db": loud.easeDB,
		}),
		normalize,
		step("encode", map[string]float64{
			"bitrate_kbps": float64(m.job.Settings.Delivery.BitrateKbps), "frames": float64(m.Written.Frames),
			"tries": float64(m.tries),
		}),
		step("prove", map[string]float64{
			"signal_to_difference_db": m.proof.SNRDB, "peak_moved_db": m.proof.PeakMoveDB,
		}),
	}
}

func step(name string, figures map[string]float64) report.Step {
	s := report.Step{Name: name, Figures: map[string]report.Figure{}, GaveWay: []report.GaveWay{}}
	for k, v := range figures {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			s.Figures[k] = report.Figure(v)
		}
	}
	return s
}

// rumbleTookDB is how much softer the filter made the room, over the pauses of
// all raws that are heard.
func (m *Master) rumbleTookDB() float64 {
	var before, after float64
	for i, rec := range m.raws.recs {
		if m.unused(i) {
			continue
		}
		for _, p := range rec.pauses {
			before += p.before
			after += p.after
		}
	}
	return float64(meter.FromPower(before) - meter.FromPower(after))
}
