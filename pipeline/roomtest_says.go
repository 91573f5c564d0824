package pipeline

import (
	"math"

	"lectern/pipeline/report"
)

// says puts the answer into sentences, the most important first.
func (a *RoomAnswer) says(book chapters) []string {
	d, r := a.job.Settings.Delivery, a.room
	var out []string
	if r.OverLimitDB == nil {
		a.advice = report.SaysRoomTooShort(float64(r.RoomS), leastRoomS)
		if a.muted() {
			a.advice = report.SaysRoomMuted()
		}
		out = append(out, a.advice)
	} else {
		figure, db := "room tone", float64(r.RoomToneDBFS)
		if r.NoiseFloorDBFS > r.RoomToneDBFS {
			figure, db = "noise floor", float64(r.NoiseFloorDBFS)
		}
		a.advice = report.SaysRoomFails(figure, db, d.NoiseMaxDBFS, float64(r.EasedDB))
		switch {
		case r.Passes && r.EasedDB > 0:
			out = append(out, report.SaysRoomJustPasses(figure, db, d.NoiseMaxDBFS, float64(r.EasedDB)))
		case r.Passes:
			out = append(out, report.SaysRoomPasses(figure, db, d.NoiseMaxDBFS))
		default:
			out = append(out, a.advice)
		}
		switch r.VoiceFrom {
		case report.VoiceOfTest:
			out = append(out, report.SaysVoiceOfTest(float64(r.VoiceDBFS)))
		case report.VoiceOfBook:
			out = append(out, report.SaysVoiceOfBook(book.newest().inWords(), float64(r.VoiceDBFS)))
		default:
			out = append(out, report.SaysVoiceAssumed(float64(r.VoiceDBFS)))
		}
		if a.restless {
			out = append(out, report.SaysRoomRestless())
		}
		if r.RoomToneDBFS < stillDBFS {
			out = append(out, report.SaysRoomStill())
		}
		stands := a.standsOut()
		out = append(out, report.SaysHeard(stands))
		if *r.OverLimitDB > 0 && stands.HumHz > 0 {
			out = append(out, report.AdviseHum)
		}
		if *r.OverLimitDB > 0 && stands.Hiss {
			out = append(out, report.AdviseHiss)
		}
	}
	switch {
	case r.Differs != nil:
		out = append(out, report.SaysCompared(book.inWords(), worthTelling(*r.Differs)))
	case r.WithSpeech && len(book) > 0:
		out = append(out, report.SaysTooFewWords())
	}
	return out
}

// standsOut gathers what is heard in the room.
func (a *RoomAnswer) standsOut() report.HeardInRoom {
	h := report.HeardInRoom{Hiss: a.hisses(), RumbleStays: a.job.Settings.Level.RumbleHz == 0, Rumble: a.faults.Rumble != nil}
	if a.faults.Hum != nil {
		h.HumHz = a.faults.Hum.MainsHz
	}
	for _, b := range a.faults.Bumps {
		at := report.Clock(b.FromS)
		if b.Thump {
			h.Thumps = append(h.Thumps, at)
		} else {
			h.Clicks = append(h.Clicks, at)
		}
	}
	return h
}

// heard names what stands out, in the words of the findings.
func (a *RoomAnswer) heard() []string {
	h := a.standsOut()
	var out []string
	for _, k := range []struct {
		name string
		is   bool
	}{{"hum", h.HumHz > 0}, {"hiss", h.Hiss}, {"rumble", h.Rumble}, {"click", len(h.Clicks) > 0}, {"thump", len(h.Thumps) > 0}} {
		if k.is {
			out = append(out, k.name)
		}
	}
	return out
}

// hissUnderLimitDB is how far under the noise limit a hiss may lie in the finished
// file and still be told: it then takes a fourth of what the room may be. Our choice.
const hissUnderLimitDB = 6.0

// hisses tells whether the room's sound from 2.8 kHz up (the octaves of 4 and 8 kHz)
// is louder than all of it below, rumble left out, and would be heard.
func (a *RoomAnswer) hisses() bool {
	room := a.measured.RoomBandsDBFS
	if room == nil {
		return false
	}
	low, high := bandsDB(room[1:6]), bandsDB(room[6:])
	return high > low && high+float64(a.room.GainDB) > a.job.Settings.Delivery.NoiseMaxDBFS-hissUnderLimitDB
}

// bandsDB is the level of several bands together.
func bandsDB(bands []report.Figure) float64 {
	var sum float64
	for _, db := range bands {
		sum += math.Pow(10, float64(db)/10)
	}
	return 10 * math.Log10(sum)
}
