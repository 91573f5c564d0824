package speech

import (
	"math"
	"testing"

	"lectern/pipeline/internal/made"
)

// TestWordBeginsBehindOtherSounds wants the first phrase to begin with its word,
// within 20 ms, whatever was heard before it: coughs, a click close by, a breath
// that runs into a vowel, into a soft consonant, and one loud enough in a quiet room
// to be taken for a part of the word. The last phrase must end with its word.
func TestWordBeginsBehindOtherSounds(t *testing.T) {
	const start = 2.0
	breath := func(t *made.Tape, at, dbfs float64) {
		b := made.NewTape(77)
		b.Breath(dbfs, 0.4)
		t.Over(at, b.Samples)
	}
	for _, c := range []struct {
		name     string
		first    made.Consonant
		roomDBFS float64
		lay      func(t *made.Tape, end float64)
	}{
		{"coughs", made.S, -60, func(t *made.Tape, end float64) { t.Cough(start-1, -14); t.Cough(end+1, -14) }},
		{"a click 130 ms away", made.None, -75, func(t *made.Tape, _ float64) { t.Knock(start-0.13, -30, 2400, 0.003) }},
		{"a breath into a vowel", made.None, -66, func(t *made.Tape, end float64) { breath(t, start-0.4, -46); breath(t, end+0.02, -46) }},
		{"a breath into an h", made.H, -66, func(t *made.Tape, _ float64) { breath(t, start-0.4, -46) }},
		{"a breath into a th", made.Th, -62, func(t *made.Tape, _ float64) { breath(t, start-0.4, -46) }},
		{"a breath into an f in a quiet room", made.F, -76, func(t *made.Tape, end float64) { breath(t, start-0.4, -44); breath(t, end+0.02, -44) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			for seed := range uint64(5) {
				tape := made.NewTape(seed)
				tape.Pause(start)
				tape.Phrase(-20, 1.5, c.first, made.None)
				tape.Pause(0.8)
				tape.Phrase(-20, 1.5, made.None, made.None)
				tape.Pause(2)
				c.lay(tape, float64(tape.Phrases[1].To)/made.RateHz)
				tape.Room(c.roomDBFS)
				m := drawn(tape.Float32(), 4096)
				if len(m.Phrases) != 2 {
					t.Fatalf("seed %d: phrases %v, want 2", seed, m.Phrases)
				}
				if ms := awayMS(m.Phrases[0].From, tape.Phrases[0].From); math.Abs(ms) > 20 {
					t.Errorf("seed %d: the first word is found %.0f ms away", seed, ms)
				}
				if ms := awayMS(m.Phrases[1].To, tape.Phrases[1].To); math.Abs(ms) > 25 {
					t.Errorf("seed %d: the end of the last word is found %.0f ms away", seed, ms)
				}
			}
		})
	}
}

// TestThumpIsASound wants the thump of a step, which has nothing over 250 Hz, among
// the sounds of its pause, and the pause of a dark room free of sounds.
func TestThumpIsASound(t *testing.T) {
	for _, thump := range []bool{false, true} {
		tape := made.NewTape(3)
		tape.Pause(3)
		tape.Phrase(-20, 1.5, made.None, made.None)
		tape.Pause(1)
		tape.Room(-60)
		if thump {
			tape.Knock(1, -40, 110, 0.05)
		}
		sounds := 0
		for _, s := range drawn(tape.Float32(), 4096).Sounds {
			if s.To < 290 {
				sounds++
			}
		}
		if thump != (sounds > 0) {
			t.Errorf("a thump: %v, sounds in the head: %d", thump, sounds)
		}
	}
}
