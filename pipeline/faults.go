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
func (t *teller) place(kind string, fromS, untilS, db float64, says func(p report.Place) string) {
	if t.count[kind]++; t.count[kind] > mostPlaces {
		return
	}
	at, level := t.finishedAt(fromS), report.Figure(db)
	t.out = append(t.out, report.Finding{
		Kind: kind, AtS: report.Seconds(fromS), UntilS: report.Seconds(untilS), FinishedAtS: at, DB: &level,
		Says: says(report.PlaceOf(fromS, at)),
	})
}

// whole adds a finding about the whole of a file that lasts s seconds.
func (t *teller) whole(kind string, s float64, db *float64, says string) {
	f := report.Finding{Kind: kind, UntilS: report.Seconds(s), FinishedAtS: t.finishedAt(0), Says: says}
	if db != nil {
		level := report.Figure(*db)
		f.DB = &level
	}
	t.out = append(t.out, f)
}

// tellFaults are the findings of a listener, of a file that lasts s seconds.
func tellFaults(f findings.Faults, s float64, finishedAt func(atS float64) *report.Seconds) []report.Finding {
	t := &teller{finishedAt: finishedAt, count: map[string]int{}}
	if h := f.Hum; h != nil {
		t.whole("hum", s, &h.RaisedDBFS, report.SaysHum(h.MainsHz, h.RaisedDBFS, h.HarmonicsHz))
	}
	if r := f.Rumble; r != nil {
		t.whole("rumble", s, &r.RaisedDBFS, report.SaysRumble(r.OverRoomDB))
	}
	if v := f.SoftSpeech; v != nil {
		t.whole("speech_soft", s, &v.OverRoomDB, report.SaysSoftSpeech(v.OverRoomDB, v.NeedDB))
	}
	for _, b := range f.Bumps {
		kind, says := "click", report.SaysClick
		if b.Thump {
			kind, says = "thump", report.SaysThump
		}
		t.place(kind, b.FromS, b.UntilS, b.RaisedDBFS, func(p report.Place) string { return says(p, b.RaisedDBFS) })
	}
	for _, l := range f.LongPauses {
		t.place("long_pause", l.FromS, l.UntilS, 0, func(p report.Place) string {
			return report.SaysLongPause(p, l.UntilS-l.FromS, l.UsualS)
		})
		t.out[len(t.out)-1].DB = nil
	}
	for _, c := range f.RoomChanges {
		t.place("room_change", c.AtS, c.AtS, c.DB, func(p report.Place) string { return report.SaysRoomChange(p, c.DB) })
	}
	for _, c := range f.ToneChanges {
		t.place("tone_change", c.AtS, c.AtS, c.DB, func(p report.Place) string {
			return report.SaysToneChange(p, c.DB, c.BrightnessDB)
		})
	}
	return t.out
}
