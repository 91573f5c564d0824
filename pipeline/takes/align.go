package takes

import (
	"math"

	"lectern/pipeline/speech"
)

// alignment lays a later reading over an earlier one, word for word, with gaps on either
// side where one says what the other does not.
type alignment struct {
	// to is, for each frame of the earlier reading, the frame of the later one that says
	// the same, or -1; far how far apart the two are.
	to  []int32
	far []float32
	// first and second are how far the alignment reaches in each.
	first, second int
	// evidence is the gain of all frames that are nearer than unrelated ones, less the gaps.
	evidence float64
}

// The costs of an alignment, beside the gain of a frame that is nearer than unrelated
// ones. Our choice.
const (
	gapOpens = 2.0  // about 8 frames of the same words by a live reader
	gapGrows = 0.15 // a frame
	// bandFrames is how far the later reading may get ahead or behind: what is longer is
	// looked for afresh.
	bandFrames = 400
	// chunkFrames bounds the memory: an alignment is found piece by piece.
	chunkFrames = 6000
	// settled is how far from the end of a piece its way is beyond doubt.
	settled = 500
)

// sameShare is where, between nothing and the distance of unrelated words, the same words
// end: live readers lie at 0.6 to 0.75, unrelated ones at 1.
const sameShare = 0.87

// align finds the best alignment that begins with the first frame of both. unrelated is
// the distance of unrelated words. It is the local alignment with affine gaps of Smith
// and Waterman (1981) and Gotoh (1982), from memory, with the steps of sameWords.
func align(first, second []frame, unrelated float64) alignment {
	whole := alignment{to: make([]int32, len(first)), far: make([]float32, len(first))}
	for i := range whole.to {
		whole.to[i] = -1
	}
	for i0, j0 := 0, 0; ; {
		n := min(len(first)-i0, chunkFrames)
		part := newGrid(first[i0:i0+n], second[j0:], unrelated)
		end, best := part.fill()
		more := i0+n < len(first) && end.i > n-settled
		upTo := end.i
		if more {
			upTo -= settled
		}
		if best <= 0 {
			return whole
		}
		whole.evidence += best
		for _, p := range part.back(end) {
			if p.i <= upTo {
				whole.to[i0+p.i], whole.far[i0+p.i] = int32(j0+p.j), p.far
				whole.first, whole.second = i0+p.i+1, max(j0+p.j+1, 0)
			}
		}
		if !more || whole.first-i0 < settled {
			return whole
		}
		i0, j0 = whole.first, whole.second
	}
}

// cell is a place in a grid; step one on its way.
type cell struct{ i, j int }

type step struct {
	cell
	far float32
}

// The states of a way: both readings go on, only the first does, only the second.
const (
	both = iota
	firstOnly
	secondOnly
	states
)

// grid is the work of one alignment: rows are frames of the first reading, columns those
// of the second, within a band that follows the best way.
type grid struct {
	first, second []frame
	same          float32
	low           []int // first column of each row
	width         int
	from          [][]uint8 // of each row: the state and step each state came from
	rows          [3]row
}

type row struct {
	low   int
	score [states][]float32
	far   []float32
}

func newGrid(first, second []frame, unrelated float64) *grid {
	g := &grid{first: first, second: second, same: float32(sameShare * unrelated), width: min(len(second), 2*bandFrames+1)}
	for i := range g.rows {
		g.rows[i].far = make([]float32, g.width)
		for s := range states {
			g.rows[i].score[s] = make([]float32, g.width)
		}
	}
	return g
}

var never = float32(math.Inf(-1))

// at returns the score of a state in column j, never outside of the band.
func (r *row) at(s, j int) float32 {
	if k := j - r.low; k >= 0 && k < len(r.far) {
		return r.score[s][k]
	}
	return never
}

// fill goes through the grid and returns the end of the best way.
func (g *grid) fill() (end cell, evidence float64) {
	best := float32(0)
	follow := 0 // the column of the best way in the row before
	for r := range g.rows {
		for s := range states {
			fillWith(g.rows[r].score[s], never)
		}
	}
	for i := range g.first {
		low := max(0, min(follow-bandFrames, len(g.second)-g.width))
		if i > 0 {
			low = max(low, g.low[i-1])
		}
		g.low = append(g.low, low)
		now, one, two := &g.rows[i%3], &g.rows[(i+2)%3], &g.rows[(i+1)%3]
		now.low = low
		from := make([]uint8, g.width)
		rowBest := never
		for k := range g.width {
			j := low + k
			far := apart(&g.first[i], &g.second[j])
			now.far[k] = far
			gain := g.same - far
			var way uint8
			score := never
			take := func(s float32, step, state int) {
				if s > score {
					score, way = s, uint8(step*states+state)
				}
			}
			if i == 0 && j <= startSlack {
				score, way = 0, begins
			}
			if i > 0 {
				for s := range states {
					take(one.at(s, j-1), 0, s)
				}
				take(one.at(both, j-2), 1, both)
				if i > 1 {
					take(two.at(both, j-1)+g.same-one.farAt(j), 2, both)
				}
			}
			now.score[both][k] = score + gain
			// Only the first goes on: from the row before.
			skip := one.at(both, j) - gapOpens
			if i == 0 {
				skip = never
			}
			if longer := one.at(firstOnly, j); i > 0 && longer > skip {
				skip = longer
				way |= 1 << 4
			}
			if longer := one.at(secondOnly, j) - gapOpens; i > 0 && longer > skip {
				skip = longer
				way = way&^(3<<4) | 2<<4
			}
			now.score[firstOnly][k] = skip - gapGrows
			// Only the second does: from the column before.
			skip = never
			if k > 0 {
				skip = now.score[both][k-1] - gapOpens
				if longer := now.score[secondOnly][k-1]; longer > skip {
					skip = longer
					way |= 1 << 6
				}
			}
			now.score[secondOnly][k] = skip - gapGrows
			from[k] = way
			if s := now.score[both][k]; s > rowBest {
				rowBest, follow = s, j
			}
			if s := now.score[both][k]; s > best {
				best, end = s, cell{i, j}
			}
		}
		g.from = append(g.from, from)
		if best-rowBest > givenUp {
			break
		}
	}
	return end, float64(best)
}

// begins marks the cell in which a way begins; givenUp is how far the best way of a row
// may fall under the best so far: a gap of five seconds.
const (
	begins  = 15
	givenUp = gapOpens + gapGrows*5*speech.FramesPerSecond
)

func (r *row) farAt(j int) float32 {
	if k := j - r.low; k >= 0 && k < len(r.far) {
		return r.far[k]
	}
	return float32(math.Inf(1))
}

// back returns the cells of the best way in which both readings go on, first ones first.
func (g *grid) back(end cell) []step {
	if len(g.from) == 0 {
		return nil
	}
	var way []step
	state := both
	i, j := end.i, end.j
	add := func(i, j int) { way = append(way, step{cell{i, j}, apart(&g.first[i], &g.second[j])}) }
	for i >= 0 {
		k := j - g.low[i]
		if k < 0 || k >= g.width {
			break
		}
		w := g.from[i][k]
		switch state {
		case both:
			add(i, j)
			code := int(w & 15)
			if code == begins {
				i = -1
				continue
			}
			state = code % states
			switch code / states {
			case 0:
				i, j = i-1, j-1
			case 1:
				i, j = i-1, j-2
			case 2:
				add(i-1, j)
				i, j = i-2, j-1
			}
		case firstOnly:
			state = int(w >> 4 & 3)
			i--
		case secondOnly:
			if w>>6&1 == 0 {
				state = both
			}
			j--
		}
	}
	for a, b := 0, len(way)-1; a < b; a, b = a+1, b-1 {
		way[a], way[b] = way[b], way[a]
	}
	return way
}

func fillWith(x []float32, v float32) {
	for i := range x {
		x[i] = v
	}
}
