// Package published holds what is measured against published values, and keeps
// the table of them in a README. It is for tests alone.
package published

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
)

var update = flag.Bool("update", false, "write the table of measured values into the README")

// RatesHz are the sample rates at which every case is measured.
var RatesHz = []int{44100, 48000, 96000}

// Figure is one published value of a case. It is kept from Want-Under to
// Want+Over.
type Figure struct {
	Name              string // as in the report, unit included
	Want, Under, Over float64
}

// Even is a figure with the same tolerance on both sides.
func Even(name string, want, tolerance float64) Figure {
	return Figure{name, want, tolerance, tolerance}
}

// Case is a signal and what a document, or a program named there, says of it.
type Case struct {
	Source, Signal string
	Figures        []Figure
	// Measure makes the signal at a rate and returns what is measured, one value a
	// figure.
	Measure func(rateHz int) []float64
}

// Table says where a table stands: in the README, after a line that names the
// command which writes it.
type Table struct{ README, Command string }

// Hold measures all cases at all rates, fails for each that is not kept, and
// holds that the table in the README shows exactly these cases. With -update it
// writes the table there.
func (table Table) Hold(t *testing.T, cases ...Case) {
	t.Helper()
	lines := []string{
		"| source | signal | figure | expected | tolerance | 44.1 kHz | 48 kHz | 96 kHz |",
		"| --- | --- | --- | --- | --- | --- | --- | --- |",
	}
	for i, got := range measured(cases) {
		for k, figure := range cases[i].Figures {
			line := fmt.Sprintf("| %s | %s | %s | %s | %s |", cases[i].Source, cases[i].Signal, figure.Name, number(figure.Want), figure.tolerance())
			kept := true
			for r := range RatesHz {
				line += fmt.Sprintf(" %.3f |", got[r][k])
				kept = kept && got[r][k] >= figure.Want-figure.Under && got[r][k] <= figure.Want+figure.Over
			}
			lines = append(lines, line)
			if !kept {
				t.Errorf("not kept: %s", line)
			}
		}
	}
	text := strings.Join(lines, "\n")
	t.Logf("%d figures at %d rates\n%s", len(lines)-2, len(RatesHz), text)
	table.keep(t, text)
}

// measured is what every case reads, [case][rate][figure].
func measured(cases []Case) [][][]float64 {
	got := make([][][]float64, len(cases))
	var wait sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0)) // a signal takes much room
	for i, c := range cases {
		got[i] = make([][]float64, len(RatesHz))
		for r, rateHz := range RatesHz {
			slots <- struct{}{}
			wait.Go(func() {
				got[i][r] = c.Measure(rateHz)
				<-slots
			})
		}
	}
	wait.Wait()
	return got
}

func (f Figure) tolerance() string {
	if f.Under == f.Over {
		return fmt.Sprintf("±%g", f.Over)
	}
	return fmt.Sprintf("+%g / -%g", f.Over, f.Under)
}

// number is without needless zeros.
func number(x float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.4f", x), "0"), ".")
}

// keep holds that the README shows these cases; the measured columns may differ
// in their last digit between processors, and are not compared.
func (table Table) keep(t *testing.T, text string) {
	t.Helper()
	begin, end := "<!-- table: "+table.Command+" -->\n", "\n<!-- end of table -->"
	readme, err := os.ReadFile(table.README)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(readme), begin)
	kept, after, foundEnd := strings.Cut(rest, end)
	if !found || !foundEnd {
		t.Fatalf("%s has no place for the table of %s", table.README, table.Command)
	}
	if *update {
		if err := os.WriteFile(table.README, []byte(before+begin+text+end+after), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if !slices.Equal(expectations(kept), expectations(text)) {
		t.Errorf("%s shows other cases than are measured here; run %s", table.README, table.Command)
	}
}

// expectations is a table without its measured columns.
func expectations(table string) []string {
	var lines []string
	for line := range strings.Lines(table) {
		columns := strings.Split(strings.TrimSpace(line), " | ")
		lines = append(lines, strings.Join(columns[:max(0, len(columns)-len(RatesHz))], " | "))
	}
	return lines
}
