package pipeline

import (
	"fmt"
	"math"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
)

// TestNoiseLimitFigures prints the rows of aim 5 alone.
func TestNoiseLimitFigures(t *testing.T) {
	q := &quality{t: t, cases: map[string]int{}}
	q.noiseLimit()
	q.report()
}

// noiseLimit masters one reading in rooms from 12 dB under the limit to 20 dB over it,
// with easing and without, and looks at the finished MP3 (aim 5).
func (q *quality) noiseLimit() {
	const aim = "5 noise limit"
	rooms := []float64{-76, -66, -63, -61, -57, -53, -46}
	if testing.Short() {
		rooms = []float64{-76, -61, -46}
	}
	for _, roomDBFS := range rooms {
		name := fmt.Sprintf("room at %g dBFS under words at -24", roomDBFS)
		raw := made.WAV16(sampleRateHz, noisyReading(roomDBFS))
		limit := jobOf(q.t, raw).Settings.Delivery.NoiseMaxDBFS
		for _, most := range []float64{12, 6} {
			bare := jobOf(q.t, raw)
			bare.Settings.Level.EaseMaxDB = 0
			without, _ := mastered(q.t, bare)
			job := jobOf(q.t, raw)
			job.Settings.Level.EaseMaxDB = most
			with, rep := mastered(q.t, job)
			misses, left := overLimit(without, limit), overLimit(with, limit)
			eased := easedBy(q.t, rep)
			if misses < -0.3 { // nearer than that the plan cannot tell
				q.most(aim, "eased though the limit was met, dB", 0, eased, name)
			}
			q.most(aim, "eased beyond the setting, dB", 0, eased-most, name)
			if misses > 0 && misses < most-1 {
				// The need is measured on the finished file: near the words less is eased.
				q.most(aim, "eased beyond the need and 1 dB more, dB", 0.3, -left-1, name)
			}
			if misses < most {
				q.most(aim, "over the limit though the setting would reach it, dB", 0, left, name)
			}
			done := float64(without.measured.NoiseFloorDBFS - with.measured.NoiseFloorDBFS)
			q.most(aim, "pauses eased, off what the report says, dB", 0.3, math.Abs(done-eased), name)
			told := 0.0
			for _, f := range rep.Finished.Findings {
				if f.Kind == "noise_left" {
					told = float64(*f.DB)
				}
			}
			q.most(aim, "what is missing, off what the report says, dB", 0.05, math.Abs(told-math.Max(0, left)), name)
			q.t.Logf("%s, at most %g dB: misses %.2f, eased %.2f, left %.2f", name, most, misses, eased, left)
		}
	}
}

// noisyReading is half a minute of made speech in a steady room.
func noisyReading(roomDBFS float64) []float32 {
	tape := made.NewTape(51)
	tape.Lively = true
	tape.Pause(1)
	for i := range 10 {
		tape.Phrase(-24, 1.5+0.2*float64(i%3), made.None, made.None)
		tape.Pause(0.9)
	}
	tape.Pause(2)
	tape.Room(roomDBFS)
	return tape.Float32()
}

// overLimit is how far the finished file's room lies over the limit.
func overLimit(m *Master, limitDBFS float64) float64 {
	return max(float64(m.measured.NoiseFloorDBFS), float64(m.measured.RoomToneDBFS)) - limitDBFS
}

func easedBy(t *testing.T, r *report.Report) float64 {
	t.Helper()
	for _, s := range r.Steps {
		if s.Name == "level" {
			return float64(s.Figures["pauses_eased_db"])
		}
	}
	t.Fatal("the report tells of no leveling")
	return 0
}
