package pipeline

import (
	"os"
	"testing"
)

func TestZP(t *testing.T) {
	if os.Getenv("ZZ") == "" {
		t.Skip()
	}
	q := &quality{t: t, cases: map[string]int{}}
	x := madeReading(40, -62).Float32()
	r := qualityReading{"made voice 1", x, drawOwnMap(x)}
	st := stepped(r)
	y, sh, p := q.masterOf(st, nil)
	for i := 1; i < len(r.m.pauses)-1; i++ {
		if pz := r.m.pauses[i]; pz.seconds() >= 0.5 {
			s := pz.shifted(sh)
			var g []float64
			for k := s.from / 441; k < s.to/441; k += 5 {
				g = append(g, float64(p.GainDB[k]))
			}
			mid := (pz.from + pz.to) / 2
			t.Logf("pause %d %.2f-%.2f step %g->%g: raw l %.1f r %.1f  master q %.1f l %.1f r %.1f gain %.0f", i, float64(pz.from)/44100, float64(pz.to)/44100, levelSteps[(i-1)%7], levelSteps[i%7],
				levelOf(st, stretch{pz.from + 2000, mid - 800}), levelOf(st, stretch{mid + 800, pz.to - 2000}), quietest02(y, s), levelOf(y, stretch{s.from + 2000, mid + sh - 800}), levelOf(y, stretch{mid + sh + 800, s.to - 2000}), g)
		}
	}
}
