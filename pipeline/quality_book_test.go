package pipeline

import (
	"fmt"
	"math"
	"os/exec"
	"slices"
	"testing"

	"lectern/pipeline/internal/made"
)

// TestBookFigures prints the rows of aim 9 alone, with 4 minutes in place of 40 unless
// LECTERN_LONG is set.
func TestBookFigures(t *testing.T) {
	q := &quality{t: t, cases: map[string]int{}}
	q.sameBook()
	q.report()
}

// bookTake is one file of a book: so long, its words this loud.
type bookTake struct{ seconds, levelDBFS float64 }

// bookTakes are credits and chapters at unlike distances and gains; the room is turned
// up along with the words, as a microphone's gain does.
func bookTakes() []bookTake {
	long := 240.0
	if thorough() {
		long = 2400
	}
	return []bookTake{{3, -38}, {8, -16}, {20, -24}, {30, -45}, {45, -30}, {60, -14}, {75, -20}, {90, -35}, {120, -27}, {long, -22}}
}

// sameBook masters ten takes of one reader and holds the finished files against each
// other, then masters a master again (aim 9).
func (q *quality) sameBook() {
	const aim = "9 same book"
	var rms, loud, active, short []float64
	for _, b := range bookTakes() {
		name := fmt.Sprintf("%.0f s at %g dBFS", b.seconds, b.levelDBFS)
		m, _ := mastered(q.t, jobOf(q.t, made.WAVFloat(sampleRateHz, b.reading())))
		gave := 0.0
		for _, g := range m.loudness.gaveWay {
			if g.GaveWay == "rms" {
				gave = float64(g.DB)
			}
		}
		x := decodedMP3(q.t, m.MP3)
		if _, err := exec.LookPath("ffmpeg"); err == nil {
			x = ffmpegDecoded(q.t, m.MP3, len(x))
		}
		body := rmsDBFS(x[sampleRateHz/2 : len(x)-2*sampleRateHz])
		rms, loud = append(rms, body-gave), append(loud, float64(m.measured.IntegratedLUFS)-gave)
		if b.seconds < 10 {
			short = append(short, float64(m.measured.ActiveSpeechDBOV)-gave)
		} else {
			active = append(active, float64(m.measured.ActiveSpeechDBOV)-gave)
		}
		q.t.Logf("%s: RMS %.2f (gave way %.2f), %.2f LUFS, active %.2f dBov, %.0f %% speech", name, body, gave, m.measured.IntegratedLUFS, m.measured.ActiveSpeechDBOV, m.measured.SpeechSharePct)
		if b.seconds == 60 || b.seconds == 8 {
			q.again(m, x, name)
		}
	}
	q.most(aim, "RMS between head and tail, loudest less softest (what gave way taken off), dB", 0.3, slices.Max(rms)-slices.Min(rms), "ten takes of a made voice")
	q.most(aim, "integrated loudness, loudest less softest (what gave way taken off), LU", 0.7, slices.Max(loud)-slices.Min(loud), "ten takes of a made voice")
	slices.Sort(active)
	middle := active[len(active)/2]
	for i, a := range short {
		q.most(aim, "active speech level of a short one away from the others', dB", 0.5, math.Abs(a-middle), []string{"3 s", "8 s"}[i])
	}
}

// reading reads for so long: the one voice of this book, its sentences beginning
// anew each time. A fifth of it is pauses; the credits of a few seconds have theirs
// between title and names. (RMS, loudness and active level of a short file without
// any pause lie up to 1 dB apart from a chapter's: all three cannot be alike.)
func (b bookTake) reading() []float32 {
	tape := made.NewTape(91)
	tape.Lively = true
	tape.Pause(0.8)
	for i := 0; float64(len(tape.Samples))/sampleRateHz < b.seconds; i++ {
		tape.Phrase(b.levelDBFS, min(b.seconds, 1.4+0.3*float64(i%5)), []made.Consonant{made.None, made.S, made.H}[i%3], made.None)
		tape.Pause([]float64{0.5, 0.4, 0.6, 0.5}[i%4])
	}
	tape.Pause(1)
	tape.Room(b.levelDBFS - 45)
	return tape.Float32()
}

// again masters a master: nothing may change by more than 0.5 dB.
func (q *quality) again(m *Master, x []float32, name string) {
	const aim = "9 same book"
	twice, _ := mastered(q.t, jobOf(q.t, made.WAVFloat(sampleRateHz, x)))
	y := decodedMP3(q.t, twice.MP3)
	changed := math.Abs(float64(twice.measured.IntegratedLUFS - m.measured.IntegratedLUFS))
	changed = max(changed, math.Abs(float64(twice.measured.ReadingRMSDBFS-m.measured.ReadingRMSDBFS)),
		math.Abs(float64(twice.measured.NoiseFloorDBFS-m.measured.NoiseFloorDBFS)))
	own := drawOwnMap(x)
	shift := (twice.timeline.body().From - m.timeline.body().From) * frameSamples
	first, second := own.phraseLevels(x, 0), own.phraseLevels(y, shift)
	for i := range first {
		changed = max(changed, math.Abs(second[i]-first[i]))
	}
	q.most(aim, "a master mastered again: change of loudness, RMS, noise floor or a phrase, dB", 0.5, changed, name)
}
