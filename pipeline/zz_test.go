package pipeline

import (
	"fmt"
	"os"
	"slices"
	"testing"

	"lectern/config"
	"lectern/pipeline/speech"
)

// experiment: how often unstepped phrases are parted, and jump results.
func TestZZ(t *testing.T) {
	if os.Getenv("ZZ") == "" {
		t.Skip()
	}
	q := &quality{t: t, cases: map[string]int{}}
	for _, r := range qualityReadings(t) {
		x := slices.Clone(r.x)
		newRumbleFilter(70).apply(x)
		recs := []*recording{recorded(t, x)}
		tl := trim(recs, 0.5, 2, 1.5)
		l := level(tl, config.Default().Level)
		n := 0
		worst := 0.0
		var s string
		for i, p := range tl.phrases {
			ps := parts(tl, p)
			if len(ps) > 1 {
				n++
				for _, u := range ps {
					if u.Seconds() < 1 {
						nu := newUnit(tl.power, u.Span, 0)
						rec := u.From - tl.starts[0] // offset
						_ = rec
						f := tl.segments
						off := 0
						for _, sg := range f {
							if !sg.Tone && sg.At <= u.From && sg.End() > u.From {
								off = sg.From - sg.At
							}
						}
						ft := recs[0].m.Features
						var bs [8]float64
						for b := range 8 {
							n := 0.
							for k := u.From; k < u.To; k++ {
								if float64(tl.power[k]) >= nu.loudFrom() && b < len(ft.Band) {
									bs[b] += ft.BandDB(b, k+off)
									n++
								}
							}
							bs[b] /= n
						}
						t.Logf("   unit at %.1f s %.2fs level %.1f vowels %d of %.0f; bands %.0f", float64(u.From+off)/100, u.Seconds(), nu.levelDB, tl.vowels(nu), nu.seconds*100, bs)
					}
				}
				for k := 1; k < len(ps); k++ {
					d := phraseLevelDB(tl.power, ps[k].Span) - phraseLevelDB(tl.power, ps[k-1].Span)
					s += fmt.Sprintf(" %.1fs+%.1fs:%.1f(g%.1f)", ps[k-1].Seconds(), ps[k].Seconds(), d, float64(l.gainDB[ps[k].From+6]-l.gainDB[ps[k].From-6]))
				}
			}
			lo, hi := float32(99), float32(-99)
			for k := p.From; k < p.To; k++ {
				lo, hi = min(lo, l.gainDB[k]), max(hi, l.gainDB[k])
			}
			worst = max(worst, float64(hi-lo))
			_ = i
		}
		t.Logf("%s: %d phrases, %d parted, widest gain move in a phrase %.2f:%s", r.name, len(tl.phrases), n, worst, s)
		if os.Getenv("ZZ") == "2" {
			plain, ps, _ := q.masterOf(r.x, nil)
			q.jumpInside(r, plain, ps)
			t.Logf("%s", q.table())
			q.rows = nil
		}
	}
}

func TestZJ(t *testing.T) {
	if os.Getenv("ZZ") == "" {
		t.Skip()
	}
	q := &quality{t: t, cases: map[string]int{}}
	x := madeReading(40, -62).Float32()
	r := qualityReading{"made voice 1", x, drawOwnMap(x)}
	p := r.m.phrases[0]
	longest := 0
	for i, p := range r.m.phrases {
		if p.seconds() > r.m.phrases[longest].seconds() {
			longest = i
		}
	}
	p = r.m.phrases[longest]
	at, softest := 0, 1e9
	for k := p.from + (p.to-p.from)/3; k < p.to-(p.to-p.from)/3; k += 441 {
		if l := levelOf(r.x, stretch{k - 441, k + 441}); l < softest {
			at, softest = k, l
		}
	}
	y := slices.Clone(x)
	apply(y, x, 0, at, -2)
	apply(y, x, at, len(x), -10)
	newRumbleFilter(70).apply(y)
	tl := trim([]*recording{recorded(t, y)}, 0.5, 2, 1.5)
	for i, ph := range tl.phrases {
		off := tl.segments[0].At - tl.segments[0].From
		if (ph.From-off)*441 < at && (ph.To-off)*441 > at {
			us := unitsOf(tl.power, ph)
			for _, u := range us {
				t.Logf("phrase %d unit %.2f..%.2f level %.1f s %.2f price %.1f vow %d", i, float64(u.From-off)/100, float64(u.To-off)/100, u.levelDB, u.seconds, u.price, tl.vowels(u))
			}
			t.Log(at/441, parts(tl, ph))
		}
	}
	_ = q
}

func meanDB(us []unit, s speech.Span) float64 {
	var a, b float64
	for _, u := range us {
		if u.From >= s.From && u.To <= s.To {
			a += u.levelDB * u.seconds
			b += u.seconds
		}
	}
	return a / b
}

func TestZE(t *testing.T) {
	if os.Getenv("ZZ") == "" {
		t.Skip()
	}
	for _, r := range qualityReadings(t) {
		show := func(tag string, y []float32) {
			x := slices.Clone(y)
			newRumbleFilter(70).apply(x)
			tl := trim([]*recording{recorded(t, x)}, 0.5, 2, 1.5)
			off := tl.segments[0].At - tl.segments[0].From
			for _, ph := range tl.phrases {
				us := unitsOf(tl.power, ph)
				ps := parts(tl, ph)
				for k := 1; k < len(ps); k++ {
					if !ps[k].line {
						t.Logf("%s %s at %.2f: %.1fs+%.1fs robust %.1f power %.1f mean %.1f", r.name, tag, float64(ps[k].From-off)/100, ps[k-1].Seconds(), ps[k].Seconds(), ps[k].jumpDB-ps[k-1].jumpDB,
							phraseLevelDB(tl.power, ps[k].Span)-phraseLevelDB(tl.power, ps[k-1].Span), meanDB(us, ps[k].Span)-meanDB(us, ps[k-1].Span))
					}
				}
			}
		}
		show("plain", r.x)
		longest := 0
		for i, p := range r.m.phrases {
			if p.seconds() > r.m.phrases[longest].seconds() {
				longest = i
			}
		}
		p := r.m.phrases[longest]
		at, softest := 0, 1e9
		for k := p.from + (p.to-p.from)/3; k < p.to-(p.to-p.from)/3; k += 441 {
			if l := levelOf(r.x, stretch{k - 441, k + 441}); l < softest {
				at, softest = k, l
			}
		}
		y := slices.Clone(r.x)
		apply(y, r.x, 0, at, -2)
		apply(y, r.x, at, len(y), -10)
		show(fmt.Sprintf("jump %.2f", float64(at)/44100), y)
	}
}
