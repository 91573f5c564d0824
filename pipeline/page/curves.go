package page

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lectern/pipeline/report"
)

// How many columns the pictures have at most. A page is some 900 dots wide, a phone 330;
// more than these only makes it larger (our choice).
const (
	waveColumns  = 500
	curveColumns = 250
)

// noLoudness is the byte of report.Curves that stands for none.
const noLoudness = 255

// columns tells which of n columns make up each of at most most.
func columns(n, most int) (spans [][2]int) {
	k := min(n, most)
	for i := range k {
		spans = append(spans, [2]int{i * n / k, (i + 1) * n / k})
	}
	return spans
}

// waveform is the outline of a chapter's sound as an SVG path, and how many units it is
// wide; it is 254 units high, full scale at the edges. It goes along the highest samples
// and back along the lowest.
func waveform(c *report.Curves) (d string, width int) {
	n := min(len(c.Low), len(c.High))
	spans := columns(n, waveColumns)
	if len(spans) == 0 {
		return "", 0
	}
	high, low := make([]int, len(spans)), make([]int, len(spans))
	for i, s := range spans {
		high[i], low[i] = -128, 127
		for _, v := range c.High[s[0]:s[1]] {
			high[i] = max(high[i], int(int8(v)))
		}
		for _, v := range c.Low[s[0]:s[1]] {
			low[i] = min(low[i], int(int8(v)))
		}
	}
	p := pen{}
	p.moveTo(0, 127-high[0])
	for i := range high {
		p.lineTo(i+1, 127-high[i])
	}
	for i := len(low) - 1; i >= 0; i-- {
		p.lineTo(i, 127-low[i])
	}
	return p.String() + "z", len(spans)
}

// loudnessCurve is the loudness as an SVG path of the given width; top and bottom are the
// LUFS of its edges, a quarter of a LU is one unit. It is broken where there is none.
func loudnessCurve(c *report.Curves, width int, top, bottom float64) string {
	spans := columns(len(c.Loudness), curveColumns)
	p := pen{}
	for i, s := range spans {
		sum, n := 0.0, 0
		for _, v := range c.Loudness[s[0]:s[1]] {
			if v != noLoudness {
				sum -= float64(v) / 4
				n++
			}
		}
		if n == 0 {
			p.lift()
			continue
		}
		lufs := min(top, max(bottom, sum/float64(n)))
		p.lineTo((2*i+1)*width/(2*len(spans)), int(math.Round((top-lufs)*4)))
	}
	return p.String()
}

// loudest is the highest loudness of a chapter in LUFS; ok is false if it has none.
func loudest(c *report.Curves) (lufs float64, ok bool) {
	lufs = math.Inf(-1)
	for _, v := range c.Loudness {
		if v != noLoudness {
			lufs, ok = max(lufs, -float64(v)/4), true
		}
	}
	return lufs, ok
}

// gainCurve is the phrase gain as an SVG path in steps; top is the dB of its upper edge, a
// quarter of a dB is one unit. Where several columns fall on one, the last holds.
func gainCurve(c *report.Curves, width int, top float64) string {
	spans := columns(len(c.GainDB), curveColumns)
	p := pen{}
	for i, s := range spans {
		y := int(top*4) - int(int8(c.GainDB[s[1]-1]))
		p.lineTo(i*width/len(spans), y)
		p.lineTo((i+1)*width/len(spans), y)
	}
	return p.String()
}

// mostGain is the largest gain either way, in dB.
func mostGain(c *report.Curves) float64 {
	most := 0.0
	for _, v := range c.GainDB {
		most = max(most, math.Abs(float64(int8(v)))/4)
	}
	return most
}

// pen writes an SVG path in whole units with as few bytes as it can: each move is
// relative, and what lies on one line is drawn at once.
type pen struct {
	out      strings.Builder
	x, y     int // where it stands
	dx       int // of a level stretch not written yet
	command  byte
	isLifted bool
}

func (p *pen) moveTo(x, y int) {
	p.flush()
	fmt.Fprintf(&p.out, "M%d %d", x, y)
	p.x, p.y, p.command, p.isLifted = x, y, 'M', false
}

// lift makes the next line begin anew.
func (p *pen) lift() { p.isLifted = true }

func (p *pen) lineTo(x, y int) {
	if p.isLifted || p.command == 0 {
		p.moveTo(x, y)
		return
	}
	dx, dy := x-p.x, y-p.y
	p.x, p.y = x, y
	switch {
	case dy == 0 && (p.dx == 0 || (p.dx > 0) == (dx > 0)):
		p.dx += dx
	case dy == 0:
		p.flush()
		p.dx = dx
	case dx == 0:
		p.flush()
		p.write('v', dy)
	default:
		p.flush()
		p.write('l', dx, dy)
	}
}

func (p *pen) flush() {
	if dx := p.dx; dx != 0 {
		p.dx = 0
		p.write('h', dx)
	}
}

func (p *pen) write(command byte, values ...int) {
	repeated := command == p.command
	if !repeated {
		p.out.WriteByte(command)
		p.command = command
	}
	for i, v := range values {
		if v >= 0 && (repeated || i > 0) {
			p.out.WriteByte(' ')
		}
		p.out.WriteString(strconv.Itoa(v))
	}
}

func (p *pen) String() string {
	p.flush()
	return p.out.String()
}
