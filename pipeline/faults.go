package pipeline

import (
	"lectern/pipeline/findings"
	"lectern/pipeline/report"
)

// mostPlaces is how many places of one kind are told.
const mostPlaces = 100

// teller turns what was heard in a file into findings. finishedAt tells where a time
// of the file is in the finished one, nil if it was cut away.
type teller struct {
	finishedAt func(atS float64) *report.Seconds
	out        []report.Finding
	count      map[string]int
}

// place adds a finding at a place.
func (t *teller) place(kind string, fromS, untilS float64, db *report.Figure, says func(p report.Place) string) {
	if t.count[kind]++; t.count[kind] > mostPlaces {
		return
	}
	at := t.finishedAt(fromS)
	t.out = append(t.out, report.Finding{
		Kind: kind, AtS: report.Seconds(fromS), UntilS: report.Seconds(untilS), FinishedAtS: at, DB: db,
		Says: says(report.PlaceOf(fromS, at)),
	})
}

// whole adds a finding about the whole of a file that lasts s seconds.
func (t *teller) whole(kind string, s float64, db *report.Figure, says string) {
	t.out = append(t.out, report.Finding{Kind: kind, UntilS: report.Seconds(s), FinishedAtS: t.finishedAt(0), DB: db, Says: says})
}

func figure(db float64) *report.Figure { f := report.Figure(db); return &f }

// tellSampleFaults are the findings of the samples, of a file that lasts s seconds.
func tellSampleFaults(f findings.SampleFaults, s float64, finishedAt func(atS float64) *report.Seconds) []report.Finding {
	t := &teller{finishedAt: finishedAt, count: map[string]int{}}
	clips := map[findings.ClipKind]struct {
		kind string
		says func(report.Place) string
	}{
		findings.Hard:    {"clipped", report.SaysClipped},
		findings.Lowered: {"clipped_lowered", report.SaysClippedLowered},
		findings.Soft:    {"soft_clipped", report.SaysSoftClipped},
	}
	for _, c := range f.Clips {
		t.place(clips[c.Kind].kind, c.FromS, c.UntilS, figure(c.DB), clips[c.Kind].says)
	}
	for _, d := range f.DropOuts {
		t.place("drop_out", d.FromS, d.UntilS, nil, func(p report.Place) string {
			return report.SaysDropOut(p, 1000*(d.UntilS-d.FromS))
		})
	}
	for _, r := range f.Repeats {
		until := r.AtS + float64(r.Times)*r.LengthS
		t.place("repeated", r.AtS, until, nil, func(p report.Place) string { return report.SaysRepeated(p, 1000*r.LengthS) })
	}
	if f.BandHz > 0 {
		t.whole("narrow_band", s, nil, report.SaysNarrowBand(f.BandHz))
	}
	return t.out
}

// tellFaults are the findings of a listener, of a file that lasts s seconds.
func tellFaults(f findings.Faults, s float64, finishedAt func(atS float64) *report.Seconds) []report.Finding {
	t := &teller{finishedAt: finishedAt, count: map[string]int{}}
	if h := f.Hum; h != nil {
		t.whole("hum", s, figure(h.RaisedDBFS), report.SaysHum(h.MainsHz, h.RaisedDBFS, h.HarmonicsHz))
	}
	if r := f.Rumble; r != nil {
		t.whole("rumble", s, figure(r.RaisedDBFS), report.SaysRumble(r.OverRoomDB))
	}
	if v := f.SoftSpeech; v != nil {
		t.whole("speech_soft", s, figure(v.OverRoomDB), report.SaysSoftSpeech(v.OverRoomDB, v.NeedDB))
	}
	for _, b := range f.Bumps {
		kind, says := "click", report.SaysClick
		if b.Thump {
			kind, says = "thump", report.SaysThump
		}
		t.place(kind, b.FromS, b.UntilS, figure(b.RaisedDBFS), func(p report.Place) string { return says(p, b.RaisedDBFS) })
	}
	for _, l := range f.LongPauses {
		t.place("long_pause", l.FromS, l.UntilS, nil, func(p report.Place) string {
			return report.SaysLongPause(p, l.UntilS-l.FromS, l.UsualS)
		})
	}
	for _, c := range f.RoomChanges {
		t.place("room_change", c.AtS, c.AtS, figure(c.DB), func(p report.Place) string { return report.SaysRoomChange(p, c.DB) })
	}
	for _, c := range f.ToneChanges {
		t.place("tone_change", c.AtS, c.AtS, figure(c.DB), func(p report.Place) string {
			return report.SaysToneChange(p, c.DB, c.BrightnessDB)
		})
	}
	return t.out
}
