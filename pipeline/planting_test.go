package pipeline

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/report"
)

var updateFindings = flag.Bool("update-findings", false, "write the tables of the findings' README anew")

// planting is one way for one kind of fault to be in a recording.
type planting struct {
	kind, how, unit string
	strengths       []float64 // from hardly to plainly there, up or down
	// objects is the strength from which a careful listener objects, and why:
	// settled by what is known of hearing before any detector was run. The levels
	// are those of the finished file, where the reading has -20 dBFS; it is thought to be
	// played at 68 dB SPL, so that 0 dBFS stands for 88. Thresholds in quiet are those of
	// ISO 389-7.
	objects  float64
	why      string
	long     bool // needs minutes, not half a minute
	mastered bool // shows only in the report of a mastered chapter
	// plant returns nothing if the ground does not allow it.
	plant func(g ground, strength float64, rng *rand.Rand) *planted
}

// planted is a recording with faults in it.
type planted struct {
	rateHz   int // 0 is the ground's own
	channels [][]float32
	places   []place // none: the fault runs through the whole recording
	withinS  float64 // how near the finding must come, 0.3 s if 0
}

// place is a stretch of a recording in seconds.
type place struct{ fromS, toS float64 }

// worse tells whether strength a is at least as strong as b in this planting.
func (p planting) worse(a, b float64) bool {
	if p.strengths[0] < p.strengths[len(p.strengths)-1] {
		return a >= b
	}
	return a <= b
}

// count is found of planted.
type count struct{ found, planted int }

func (c count) String() string {
	if c.planted == 0 {
		return ""
	}
	return fmt.Sprintf("%d/%d", c.found, c.planted)
}

// TestPlanting plants every kind of fault at graded strengths into clean narration
// and counts how many are found, at their place. All at or above the strength where
// a careful listener objects must be. LECTERN_LONG=1 does so with every strength,
// all voices in turn and, with LECTERN_RECORDINGS, in real readings; -update-findings writes the
// tables into the README.
func TestPlanting(t *testing.T) {
	grounds := makeGrounds(t)
	for _, kind := range plantingKinds() {
		t.Run(kind, func(t *testing.T) {
			var tables strings.Builder
			for i, p := range plantings() {
				if p.kind == kind {
					row := p.run(t, grounds, i)
					t.Log("\n" + row)
					tables.WriteString(row + "\n")
				}
			}
			if *updateFindings {
				writeSection(t, "planted "+kind, tables.String())
			}
		})
	}
}

func plantingKinds() []string {
	var out []string
	for _, p := range plantings() {
		if !slices.Contains(out, p.kind) {
			out = append(out, p.kind)
		}
	}
	return out
}

func thorough() bool { return os.Getenv("LECTERN_LONG") != "" }

func hasRecordings() bool { return os.Getenv("LECTERN_RECORDINGS") != "" }

// stillMissed are the ways of which nothing is demanded yet.
var stillMissed = map[string]bool{
	"tone_change, fuller under 300 Hz":                     true,
	"repeated, a block laid over the next":                 true,
	"repeated, a block played twice, the rest pushed back": true,
	"narrow_band, cut off, in a file of 44.1 kHz":          true,
}

// lengths of a ground in seconds.
func groundS() (short, long float64) {
	if thorough() {
		return 30, 150
	}
	return 26, 100
}

// plantingGrounds are made when they are first asked for.
type plantingGrounds struct {
	made  groundPair
	read  []groundPair
	taken []ground // real recordings
}

type groundPair struct{ short, long func() ground }

func makeGrounds(t *testing.T) plantingGrounds {
	shortS, longS := groundS()
	pair := func(make func(s float64) ground) groundPair {
		return groundPair{
			sync.OnceValue(func() ground { return make(shortS) }),
			sync.OnceValue(func() ground { return make(longS) }),
		}
	}
	out := plantingGrounds{made: pair(func(s float64) ground { return madeGround(51, s) })}
	voices := narrated.Voices()
	if !thorough() {
		voices = voices[:1]
	}
	for i, v := range voices {
		if !v.Installed() {
			t.Logf("%s is left out: its synthesizer is not installed", v.Name)
			continue
		}
		out.read = append(out.read, pair(func(s float64) ground { return voiceGround(t, v, uint64(60+i), s) }))
	}
	if thorough() && hasRecordings() {
		for _, g := range realGrounds(t) {
			// Without pauses, or less than 20 dB over its room, it is not clean.
			if len(g.sentences) > 0 && g.roomDBFS() < -40 {
				out.taken = append(out.taken, g)
			}
		}
	}
	return out
}

// inTurn are the grounds for one strength of p: what needs minutes, or a chapter to
// be mastered, takes fewer.
func (g plantingGrounds) inTurn(p planting, strength float64, turn int) []ground {
	pick := func(pair groundPair) ground {
		if p.long {
			return pair.long()
		}
		return pair.short()
	}
	var out []ground
	useMade := !p.long || len(g.read) == 0 || turn%2 == 0
	if useMade {
		out = append(out, pick(g.made))
	}
	if len(g.read) > 0 && (!useMade || !p.long && (thorough() || !p.mastered)) {
		out = append(out, pick(g.read[turn%len(g.read)]))
	}
	var fit []ground
	for _, x := range g.taken {
		if !p.long || len(x.x) > 60*x.rateHz {
			fit = append(fit, x)
		}
	}
	if len(fit) > 0 && p.worse(strength, p.objects) {
		out = append(out, fit[turn%len(fit)])
	}
	return out
}

// run plants p into the grounds and returns its row of the table. A thorough run
// goes through all of them in turn: made, read by a synthesizer, and, where there
// are any, real.
func (p planting) run(t *testing.T, grounds plantingGrounds, turn int) string {
	t.Helper()
	counts := make([]count, len(p.strengths))
	for i, strength := range p.strengths {
		if !thorough() && strength != p.objects {
			continue
		}
		for k, g := range grounds.inTurn(p, strength, turn+i) {
			at := p.plant(g, strength, rand.New(rand.NewPCG(uint64(i), uint64(k))))
			if at == nil {
				continue
			}
			c, told := p.look(t, g, at)
			counts[i].found += c.found
			counts[i].planted += c.planted
			if c.found < c.planted && p.worse(strength, p.objects) {
				complain := t.Errorf
				// The made voice's vowels come by chance and change its color by more than
				// 6 dB from one half minute to the next.
				if stillMissed[p.kind+", "+p.how] || p.kind == "tone_change" && g.name == "made" {
					complain = t.Logf
				}
				complain("%s, %s, %g %s in %s: %d of %d found. Told was: %s", p.kind, p.how, strength, p.unit, g.name, c.found, c.planted, told)
			}
		}
	}
	return p.table(counts)
}

// table is found/planted by strength; the strengths a listener objects to are bold.
func (p planting) table(counts []count) string {
	var head, line, row strings.Builder
	for i, s := range p.strengths {
		strength := fmt.Sprintf("%g", s)
		if p.worse(s, p.objects) {
			strength = "**" + strength + "**"
		}
		fmt.Fprintf(&head, " %s |", strength)
		line.WriteString(" --- |")
		fmt.Fprintf(&row, " %s |", counts[i])
	}
	return fmt.Sprintf("| %s: %s, %s |%s\n| --- |%s\n| found/planted |%s\n\n%s\n", p.kind, p.how, p.unit, &head, &line, &row, p.why)
}

// look writes the recording, has it looked at, and counts the faults that were
// found at their place. told lists what was found.
func (p planting) look(t *testing.T, g ground, in *planted) (c count, told string) {
	t.Helper()
	if in.rateHz == 0 {
		in.rateHz = g.rateHz
	}
	raw := made.WAV16(in.rateHz, in.channels...)
	findings := checkFindings(t, raw)
	if p.mastered {
		_, r := mastered(t, jobOf(t, raw))
		findings = r.Finished.Findings
	}
	var all []string
	for _, f := range findings {
		all = append(all, fmt.Sprintf("%s %.2f-%.2f", f.Kind, float64(f.AtS), float64(f.UntilS)))
	}
	told = fmt.Sprintf("%q, planted were %v", all, in.places)
	ofKind := func(f report.Finding) bool { return f.Kind == p.kind }
	if len(in.places) == 0 {
		c.planted = 1
		if slices.ContainsFunc(findings, ofKind) {
			c.found = 1
		}
		return c, told
	}
	within := in.withinS
	if within == 0 {
		within = 0.3
	}
	for _, at := range in.places {
		c.planted++
		if slices.ContainsFunc(findings, func(f report.Finding) bool {
			return ofKind(f) && float64(f.AtS)-within <= at.fromS && float64(f.UntilS)+within >= at.toS
		}) {
			c.found++
		}
	}
	return c, told
}

// checkFindings is what `check` tells of a WAV.
func checkFindings(t *testing.T, raw []byte) []report.Finding {
	t.Helper()
	path := filepath.Join(t.TempDir(), "03 The Ferry.wav")
	if err := os.WriteFile(path, raw, 0o644); err != nil {
		t.Fatal(err)
	}
	c, err := Check(context.Background(), path, config.Default().Delivery)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	return c.Findings
}

// writeSection replaces what stands between two marks of the findings' README.
func writeSection(t *testing.T, name, text string) {
	t.Helper()
	const path = "findings/README.md"
	old := string(readFile(t, path))
	from, to := "<!-- "+name+" -->\n", "<!-- end of "+name+" -->"
	before, rest, ok := strings.Cut(old, from)
	_, after, ok2 := strings.Cut(rest, to)
	if !ok || !ok2 {
		t.Fatalf("%s has no place for %s", path, name)
	}
	if err := os.WriteFile(path, []byte(before+from+text+to+after), 0o644); err != nil {
		t.Fatal(err)
	}
}
