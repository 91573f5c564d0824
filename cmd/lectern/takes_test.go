package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/pipeline/report"
)

const ledger = "A Ledger of Small Tides"

// TestTakesBecomeChapters drops what a narrator brings home of an evening: three takes
// with two slips and a marked retake, a chapter in two parts, later a pickup, then a take
// read anew and one more take. Each time the finished words must be those of the script.
func TestTakesBecomeChapters(t *testing.T) {
	if testing.Short() {
		t.Skip("large")
	}
	needsVoice(t)
	n := newNarrator(t)
	ferry, toll := ferryTakes(t), tollParts(t)

	// Take 1 comes last; until then nothing is made.
	n.drop("03 The Ferry take 3.wav", ferry["03 The Ferry take 3.wav"])
	n.drop("03 The Ferry take 2.wav", ferry["03 The Ferry take 2.wav"])
	for name, r := range toll {
		n.drop(name, r)
	}
	n.await("04 The Toll", 1)
	if out := n.run(exitAttention, "status", n.root); !strings.Contains(out, "waiting, take 1 is missing") {
		t.Errorf("status without take 1:\n%s", out)
	}
	n.drop("03 The Ferry take 1.wav", ferry["03 The Ferry take 1.wav"])
	first := n.await("03 The Ferry", 1)
	inParts := n.await("04 The Toll", 1)

	asRead := slices.Clone(theFerry)
	asRead[withoutKey-1] = misread
	lacking := everySentence(theFerry)
	lacking[withoutKey-1] = fmt.Sprint(withoutKey, " ", missing)
	one := n.isReading(first, lacking, asRead)
	one.joinsUnheard("read_again", "read_again")
	n.retakesAre(first, "marked")
	one.earIsSharp()
	n.isReading(inParts, everySentence(theToll), theToll).joinsUnheard("goes_on")

	// The copper key is read again, and then nothing is missing.
	n.drop("03 The Ferry pickup 1.wav", copperKey(t))
	second := n.await("03 The Ferry", 2)
	n.isReading(second, everySentence(theFerry), theFerry).joinsUnheard("read_again", "picked_up", "picked_up", "read_again")
	n.rawsAre(second, "take 1", "take 2", "take 3", "pickup 1")
	n.remakesTheSame(second)

	// Take 2 dropped again replaces take 2, and the end is read once more.
	n.drop("03 The Ferry take 2.wav", secondTakeAgain(t))
	n.drop("03 The Ferry take 4.wav", fourthTake(t))
	third := n.await("03 The Ferry", 3)
	n.isReading(third, everySentence(theFerry), theFerry).joinsUnheard("read_again", "picked_up", "picked_up", "read_again", "read_again")
	n.rawsAre(third, "take 1", "take 2", "take 3", "take 4", "pickup 1")
	if third.Raws[1].SHA256 == second.Raws[1].SHA256 {
		t.Error("take 2 is still the one dropped first")
	}
	n.rawsUntouched()
	n.run(0, "audit", n.root)
}

// TestReadTwiceIsAsked drops a take with a slip that no claps mark. Nothing of it is cut
// until she says so; what she said survives a remake, and can be taken back.
func TestReadTwiceIsAsked(t *testing.T) {
	if testing.Short() {
		t.Skip("large")
	}
	needsVoice(t)
	n := newNarrator(t)
	n.drop("04 The Toll.wav", tollReadTwice(t))
	twice := slices.Insert(everySentence(theToll), 2, fmt.Sprint(3, " ", broken))

	first := n.await("04 The Toll", 1)
	asked := n.isSaid(first, twice)
	n.retakesAre(first, "asked")
	if wrong, _ := asked.heard.wrong(readScript(t, theToll)); len(wrong) != 1 || !strings.Contains(wrong[0], "something else is said") {
		t.Errorf("by ear: %q, expected was the slip", wrong)
	}
	if c := checkOf(first, "read_twice"); first.Verdict != report.Listen || c.Pass || c.Advice == "" {
		t.Errorf("verdict %s, %+v", first.Verdict, c)
	}

	n.run(0, "cut", first.Chapter, "1")
	second := n.await("04 The Toll", 2)
	n.isReading(second, everySentence(theToll), theToll).joinsUnheard()
	n.retakesAre(second, "cut")
	n.remakesTheSame(second)

	n.run(0, "keep", first.Chapter, "1")
	third := n.await("04 The Toll", 3)
	n.isSaid(third, twice)
	n.retakesAre(third, "kept")
	for _, r := range []*report.Report{second, third} {
		if c := checkOf(r, "read_twice"); r.Verdict != report.Pass || !c.Pass {
			t.Errorf("r%d: verdict %s, %+v", r.Revision, r.Verdict, c)
		}
	}
	n.rawsUntouched()
	n.run(0, "audit", n.root)
}

func checkOf(r *report.Report, name string) report.Check {
	i := slices.IndexFunc(r.Checks, func(c report.Check) bool { return c.Name == name })
	if i < 0 {
		return report.Check{}
	}
	return r.Checks[i]
}

func everySentence(text []string) (out []string) {
	for i := range text {
		out = append(out, fmt.Sprint(i+1, " ", whole))
	}
	return out
}

// narrator is a workspace with a daemon at work, and the truth of all that was dropped.
type narrator struct {
	t       *testing.T
	lectern string // the program, which TestMain has put into the path
	root    string
	daemon  *daemonRun
	truth   map[string]raw // by sha256
}

func newNarrator(t *testing.T) *narrator {
	t.Helper()
	n := &narrator{t: t, lectern: "lectern", root: filepath.Join(t.TempDir(), "books"), truth: map[string]raw{}}
	command(t, n.lectern, "init", n.root)
	setQuiet(t, n.root)
	n.daemon = start(t, n.lectern, n.root)
	t.Cleanup(func() {
		if err := n.daemon.cmd.Process.Kill(); err == nil {
			<-n.daemon.ended
		}
	})
	return n
}

// drop puts a recording into the book's folder.
func (n *narrator) drop(name string, r raw) {
	n.t.Helper()
	path := filepath.Join(n.root, "inbox", ledger, name)
	write(n.t, path+".part", r.wav)
	if err := os.Rename(path+".part", path); err != nil {
		n.t.Fatal(err)
	}
	n.truth[sumOf(r.wav)] = r
}

// run runs a command that must end with a code, and returns what it said.
func (n *narrator) run(code int, args ...string) string {
	n.t.Helper()
	cmd := exec.Command(n.lectern, args...)
	cmd.Dir = n.root
	out, err := cmd.CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) || cmd.ProcessState.ExitCode() != code {
		n.t.Fatalf("%v ended with %v, expected was %d\n%s", args, err, code, out)
	}
	return string(out)
}

func (n *narrator) finished(name string) string {
	return filepath.Join(n.root, "finished", ledger, name)
}

// await waits until a revision of a chapter is made and all of its raws are archived.
func (n *narrator) await(chapter string, revision int) *report.Report {
	n.t.Helper()
	limit := time.After(2 * time.Minute)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		var r report.Report
		text, err := os.ReadFile(n.finished(chapter + ".json"))
		if err == nil {
			err = json.Unmarshal(text, &r)
		}
		if err == nil && r.Revision >= revision && empty(n.t, filepath.Join(n.root, "working")) {
			if err := validReport(text, ""); err != nil || r.Revision > revision {
				n.t.Fatalf("%s, revision %d: %v", chapter, r.Revision, err)
			}
			return &r
		}
		select {
		case <-tick.C:
		case err := <-n.daemon.ended:
			n.t.Fatalf("the daemon ended by itself: %v\n%s", err, n.daemon.log)
		case <-limit:
			n.t.Fatalf("revision %d of %s was not made (%v)\n%s", revision, chapter, err, n.daemon.log)
		}
	}
}

// isSaid proves by the edit list what a chapter says, in which order.
func (n *narrator) isSaid(r *report.Report, want []string) *finishedReading {
	n.t.Helper()
	sayings, problems := n.told(r)
	for _, p := range problems {
		n.t.Errorf("%s r%d: %s", r.Chapter, r.Revision, p)
	}
	var got []string
	for _, s := range sayings {
		got = append(got, fmt.Sprint(s.sentence, " ", s.how))
	}
	if !slices.Equal(got, want) {
		n.t.Fatalf("%s r%d: by the edit list it says\n%q, expected was\n%q", r.Chapter, r.Revision, got, want)
	}
	f := &finishedReading{t: n.t, report: r, said: sayings, samples: decoded(n.t, n.finished(r.Finished.Name))}
	f.heard = hear(f.samples, finishedRateHz)
	for _, raw := range r.Raws {
		f.levelsDB = append(f.levelsDB, n.truth[raw.SHA256].levelDB)
	}
	return f
}

// isReading proves by the edit list and by ear that a chapter is what was to be read.
func (n *narrator) isReading(r *report.Report, want, script []string) *finishedReading {
	n.t.Helper()
	f := n.isSaid(r, want)
	f.script = readScript(n.t, script)
	wrong, places := f.heard.wrong(f.script)
	for _, p := range wrong {
		n.t.Errorf("%s r%d, by ear: %s", r.Chapter, r.Revision, p)
	}
	least, leastPart := 1.0, 1.0
	for i, p := range places {
		least, leastPart = min(least, p.alike), min(leastPart, p.part)
		if away := seconds(p.from) - f.said[i].atS; math.Abs(away) > 0.3 {
			n.t.Errorf("%s r%d: sentence %d is heard %.2f s from where the edit list has it", r.Chapter, r.Revision, i+1, away)
		}
	}
	n.t.Logf("%s r%d, by ear: %d sentences at least %.2f alike, each quarter %.2f", r.Chapter, r.Revision, len(places), least, leastPart)
	return f
}

// said is a sentence in a finished file, by the edit list.
type said struct {
	spoken
	raw       int
	atS, endS float64
}

// told maps what was said in the raws to the finished file by the edit list of a report.
// Everything must be there wholly or not at all.
func (n *narrator) told(r *report.Report) (out []said, problems []string) {
	const edgeS = 0.03 // the faint edges of words may fade
	for i, raw := range r.Raws {
		for _, s := range n.truth[raw.SHA256].said {
			fromS, toS := s.fromS+edgeS, s.toS-edgeS
			there, shift := 0.0, math.NaN()
			for _, e := range r.Recipe.Edits {
				if e.Raw == nil || *e.Raw != i {
					continue
				}
				part := min(toS, float64(e.ToS)) - max(fromS, float64(e.FromS))
				if part <= 0 {
					continue
				}
				there += part
				if by := float64(e.AtS - e.FromS); math.IsNaN(shift) || math.Abs(by-shift) < 0.002 {
					shift = by
				} else {
					problems = append(problems, fmt.Sprintf("%+v of raw %d is torn", s, i))
				}
			}
			switch {
			case there > toS-fromS-0.001:
				out = append(out, said{s, i, s.fromS + shift, s.toS + shift})
			case there > 0:
				problems = append(problems, fmt.Sprintf("of %+v of raw %d only %.2f s are there", s, i, there))
			}
		}
	}
	slices.SortFunc(out, func(a, b said) int { return int(math.Copysign(1, a.atS-b.atS)) })
	return out, problems
}

// retakesAre compares what became of the passages read twice.
func (n *narrator) retakesAre(r *report.Report, want ...string) {
	n.t.Helper()
	var got []string
	for _, x := range r.Retakes {
		got = append(got, x.State)
	}
	if !slices.Equal(got, want) {
		n.t.Errorf("%s r%d: retakes %q, expected were %q", r.Chapter, r.Revision, got, want)
	}
}

// rawsAre compares what a chapter is made of.
func (n *narrator) rawsAre(r *report.Report, want ...string) {
	n.t.Helper()
	var got []string
	for _, x := range r.Raws {
		got = append(got, fmt.Sprint(x.Role, " ", x.Number))
	}
	if !slices.Equal(got, want) {
		n.t.Errorf("%s r%d is made of %q, expected were %q", r.Chapter, r.Revision, got, want)
	}
}

// remakesTheSame makes a chapter again from the archive: not a bit may differ.
func (n *narrator) remakesTheSame(r *report.Report) {
	n.t.Helper()
	out := n.run(0, "remake", r.Book, r.Chapter)
	mp3, err := os.ReadFile(n.finished(r.Finished.Name))
	if err != nil || sumOf(mp3) != r.Finished.SHA256 || !strings.Contains(out, "unchanged") {
		n.t.Errorf("made again, it is not the same (%v): %s", err, out)
	}
}

// rawsUntouched proves that each recording dropped lies in the archive, bit for bit.
func (n *narrator) rawsUntouched() {
	n.t.Helper()
	archived := map[string]int{}
	for _, path := range files(n.t, filepath.Join(n.root, "archive"), ".wav") {
		data, err := os.ReadFile(path)
		if err != nil {
			n.t.Fatal(err)
		}
		archived[sumOf(data)]++
	}
	for sum := range n.truth {
		if archived[sum] != 1 {
			n.t.Errorf("the recording %.8s is %d times in the archive", sum, archived[sum])
		}
	}
	if len(archived) != len(n.truth) {
		n.t.Errorf("%d recordings in the archive, %d were dropped", len(archived), len(n.truth))
	}
}
