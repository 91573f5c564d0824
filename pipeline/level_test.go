package pipeline

import (
	"fmt"
	"math"
	"testing"

	"lectern/config"
)

// leveled is the timeline and leveling of one recording with the default settings.
func leveled(t *testing.T, roomDBFS float64, levelsDBFS ...float64) (*timeline, *leveling, *recording) {
	t.Helper()
	r, _ := wordsIn(t, roomDBFS, levelsDBFS...)
	tl := trimWhole([]*recording{r}, 0.5, 2, 1.5)
	return tl, level(tl, config.Default().Level), r
}

// wantHeld wants one gain through each phrase and the 50 ms beside it, moves
// only in the pauses, and every frame covered.
func wantHeld(t *testing.T, tl *timeline, l *leveling) {
	t.Helper()
	if len(l.gainDB) != tl.frames()+1 || len(l.eased) != tl.frames()+1 {
		t.Fatalf("%d gains, %d easings for %d frames", len(l.gainDB), len(l.eased), tl.frames())
	}
	for i, p := range tl.phrases {
		for k := p.From - 1; k <= p.To; k++ {
			if l.gainDB[k] != float32(l.partDB[i]) {
				t.Errorf("phrase %d: gain %.2f dB at frame %d, %.2f is held", i, l.gainDB[k], k-p.From, l.partDB[i])
				break
			}
			if l.eased[k] != 0 {
				t.Errorf("phrase %d: frame %d would be eased down", i, k-p.From)
				break
			}
		}
	}
	for k := 1; k < len(l.gainDB); k++ {
		if step := math.Abs(float64(l.gainDB[k] - l.gainDB[k-1])); step > 6 {
			t.Errorf("a step of %.1f dB at frame %d", step, k)
		}
	}
	for i, p := range tl.pauses {
		most := float32(0)
		for k := p.From; k < p.To; k++ {
			most = max(most, l.eased[k])
		}
		if p.Len() >= 50 && most != 1 {
			t.Errorf("pause %d can be eased by %g at most, want 1", i, most)
		}
	}
}

// TestLevelSteps planted: phrases at 0, +8, -8, +4, -6, +6 and -3 dB must come
// out even within 1 dB of standard deviation (the project's own figure), the room
// at one level within 1.5 dB though it steps with the words.
func TestLevelSteps(t *testing.T) {
	steps := []float64{0, 8, -8, 4, -6, 6, -3, 0, 8, -8}
	var levels []float64
	for _, s := range steps {
		levels = append(levels, -26+s)
	}
	tl, l, _ := leveled(t, -68, levels...)
	wantHeld(t, tl, l)
	if l.spreadBeforeDB < 4 || l.spreadAfterDB > 1 {
		t.Errorf("phrases spread by %.2f dB before and %.2f after, want at most 1 after", l.spreadBeforeDB, l.spreadAfterDB)
	}
	for i, want := range steps {
		// Each gain undoes nine tenths of its step (strength 90), within the
		// half decibel by which made words differ.
		if got := l.partDB[i] - l.partDB[0]; math.Abs(got+0.9*want) > 0.8 {
			t.Errorf("phrase %d, planted at %+g dB, got %+.2f dB, want %+.2f", i, want, got, -0.9*want)
		}
	}
}

// TestLevelEven wants an even reading hardly moved.
func TestLevelEven(t *testing.T) {
	tl, l, _ := leveled(t, -65, -22, -22.8, -21.5, -22.3, -21.9)
	wantHeld(t, tl, l)
	for i, g := range l.partDB {
		if math.Abs(g) > 1.5 {
			t.Errorf("phrase %d moved by %+.2f dB, want 1.5 at most", i, g)
		}
	}
	if l.spreadAfterDB > l.spreadBeforeDB {
		t.Errorf("the spread grew from %.2f to %.2f dB", l.spreadBeforeDB, l.spreadAfterDB)
	}
}

// TestLevelIsRestrained wants a whisper to stay softer than its neighbors and a
// shout louder: a line at -18 dB stays 3 to 8 dB under, a shout at +10 dB 1 to 4
// dB on top (the project's own figures).
func TestLevelIsRestrained(t *testing.T) {
	for _, c := range []struct{ planted, least, most float64 }{{-18, -8, -3}, {10, 1, 4}} {
		tl, l, _ := leveled(t, -75, -22, -22, -22, -22+c.planted, -22, -22, -22)
		wantHeld(t, tl, l)
		after := func(i int) float64 { return phraseLevelDB(tl.power, tl.phrases[i]) + l.partDB[i] }
		if stays := after(3) - (after(2)+after(4))/2; stays < c.least || stays > c.most {
			t.Errorf("a phrase planted at %+g dB stays at %+.2f, want %g to %g", c.planted, stays, c.least, c.most)
		}
	}
}

// TestLevelLimits wants lift and cut no larger than the settings allow.
func TestLevelLimits(t *testing.T) {
	r, _ := wordsIn(t, -80, -20, -45, -20, -20, -5, -20)
	tl := trimWhole([]*recording{r}, 0.5, 2, 1.5)
	s := config.Default().Level
	s.LiftMaxDB, s.CutMaxDB = 5, 3
	l := level(tl, s)
	wantHeld(t, tl, l)
	if got := l.partDB[1]; math.Abs(got-5) > 1e-9 {
		t.Errorf("the soft phrase is lifted by %.2f dB, want the 5 allowed", got)
	}
	if got := l.partDB[4]; math.Abs(got+3) > 1e-9 {
		t.Errorf("the loud phrase is moved by %.2f dB, want the -3 allowed", got)
	}
	s.StrengthPct = 0
	for i, g := range level(tl, s).partDB {
		if math.Abs(g) > 1e-9 {
			t.Errorf("strength 0 moves phrase %d by %g dB", i, g)
		}
	}
}

// TestShortPhraseLeans wants one soft word between two phrases to move more as
// they do than by its own level.
func TestShortPhraseLeans(t *testing.T) {
	gain := func(wordS float64) float64 {
		tape := wordsTape(func(t *tapeOf) {
			t.phrase(-20, 2)
			t.phrase(-20, 2)
			t.phrase(-28, wordS)
			t.phrase(-20, 2)
			t.phrase(-26, 2)
			t.phrase(-14, 2)
		})
		r := recorded(t, tape)
		tl := trimWhole([]*recording{r}, 0.5, 2, 1.5)
		if len(tl.phrases) != 6 {
			t.Fatalf("%d phrases", len(tl.phrases))
		}
		l := level(tl, config.Default().Level)
		return l.partDB[2] - (l.partDB[1]+l.partDB[3])/2
	}
	short, long := gain(0.2), gain(1.5)
	if long < 5 {
		t.Errorf("a long phrase 8 dB under is lifted by %.2f dB over its neighbors, want 5 or more", long)
	}
	if short > 0.6*long {
		t.Errorf("a word of 0.2 s is lifted by %.2f dB over its neighbors, a long phrase by %.2f: it does not lean", short, long)
	}
}

// TestToneStep wants the place and size of a jump of the room, and none in an even room.
func TestToneStep(t *testing.T) {
	power := make([]float32, 120)
	var clean []int
	for k := range power {
		power[k] = float32(math.Pow(10, -65.0/10))
		if k >= 70 {
			power[k] = float32(math.Pow(10, -58.0/10))
		}
		if k >= 10 && k < 110 && (k < 40 || k >= 45) {
			clean = append(clean, k)
		}
	}
	at, left, right := toneStep(power, clean)
	if at != 70 || math.Abs(left+65) > 0.1 || math.Abs(right+58) > 0.1 {
		t.Errorf("a step from -65 to -58 at frame 70: found %.2f to %.2f at %d", left, right, at)
	}
	for k := range power {
		power[k] = float32(math.Pow(10, (-65+float64(k%3))/10))
	}
	if _, left, right := toneStep(power, clean); math.Abs(left-right) > 1 {
		t.Errorf("an even room has a step from %.2f to %.2f", left, right)
	}
}

// TestPausesAtOneLevel wants the room at one level though the phrases beside it
// are moved differently, and head and tail covered.
func TestPausesAtOneLevel(t *testing.T) {
	for _, steps := range [][]float64{{0, 5, -5, 3, -4, 0}, {0, 0, 0, 0, 0, 0}} {
		t.Run(fmt.Sprint(steps), func(t *testing.T) {
			var levels []float64
			for _, s := range steps {
				levels = append(levels, -22+s)
			}
			tl, l, _ := leveled(t, -66, levels...)
			wantHeld(t, tl, l)
			var sum, squares, n float64
			for _, p := range tl.pauses {
				// The middle third, away from the moves at the words.
				third := p.Len() / 3
				for k := p.From + third; k < p.To-third; k++ {
					db := 10*math.Log10(float64(tl.power[k])) + float64(l.gainDB[k])
					sum, squares, n = sum+db, squares+db*db, n+1
				}
			}
			// One frame of room varies by itself by about 1 dB.
			if sd := math.Sqrt(squares/n - sum/n*sum/n); sd > 1.5 {
				t.Errorf("the room varies by %.2f dB, want 1.5 at most", sd)
			}
		})
	}
}
