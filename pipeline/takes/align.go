package takes

import (
	"math"
	"slices"

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
	// unlike is the distance, over a window, from which the words are no longer the same.
	unlike float64
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

// unlikeShare is where, between the nearest quarter of the frames and unrelated words, a
// window of words is no longer the same. Our choice.
const unlikeShare = 0.75

// align finds the best alignment that begins with the first frame of both. unrelated is
// the distance of unrelated words. It is the local alignment with affine gaps of Smith
// and Waterman (1981) and Gotoh (1982), from memory, with the steps of sameWords.
func align(first, second []frame, unrelated float64) alignment {
	a := alignPieces(first, second, unrelated)
	var far []float32
	for i, to := range a.to {
		if to >= 0 {
			far = append(far, a.far[i])
		}
	}
	if len(far) > 0 {
		slices.Sort(far)
		same := float64(far[len(far)/4])
		a.unlike = same + unlikeShare*(unrelated-same)
	}
	return a
}

// alignPieces is the work of align, piece by piece.
func alignPieces(first, second []frame, unrelated float64) alignment {
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
	block         []uint8 // what is left of the block that rows of from are cut from
}

// row holds the scores of a row of the grid and how far apart its frames are. Each slice
// begins with guard cells and ends with two widths more, in which nothing is ever
// reached, so that the rows after it, which begin further on, need not look where it ends.
type row struct {
	low     int
	written int // cells that may hold something
	score   [states][]float32
	far     []float32
}

// guard is how many columns back a step reaches.
const guard = 2

func newGrid(first, second []frame, unrelated float64) *grid {
	g := &grid{first: first, second: second, same: float32(sameShare * unrelated), width: min(len(second), 2*bandFrames+1)}
	cells := guard + 3*g.width
	for i := range g.rows {
		r := &g.rows[i]
		for s := range states {
			r.score[s] = slices.Repeat([]float32{never}, cells)
		}
		r.far = slices.Repeat([]float32{nowhere}, cells)
	}
	return g
}

var never, nowhere = float32(math.Inf(-1)), float32(math.Inf(1))

// fill goes through the grid and returns the end of the best way.
func (g *grid) fill() (end cell, evidence float64) {
	best := float32(0)
	live := liveColumns{0, startSlack + 1, 0} // of the row before
	for i := range g.first {
		now := &g.rows[i%3]
		now.low = live.from
		if i > 0 && live.to-live.from > g.width { // the second reading may be anywhere in it
			now.low = max(live.from, live.best-g.width/2)
		}
		next, rowBest := g.fillRow(i, live.to, max(-mayOwe, best-givenUp))
		if rowBest > best {
			best, end = rowBest, cell{i, next.best}
		}
		if next.from < 0 {
			break
		}
		live = next
	}
	return end, float64(best)
}

// fillRow fills row i, whose low is set, and returns its live columns and its best score.
// live is how far the row before is live, hopeless the score that is given up.
func (g *grid) fillRow(i, live int, hopeless float32) (next liveColumns, rowBest float32) {
	now, one, two := &g.rows[i%3], &g.rows[(i+2)%3], &g.rows[(i+1)%3]
	n := min(g.width, len(g.second)-now.low)
	// Column now.low+k lies at guard+k of each of these.
	at := func(of []float32, low int) []float32 { return of[now.low-low:][:guard+n] }
	oneBoth, oneFirst, oneSecond := at(one.score[both], one.low), at(one.score[firstOnly], one.low), at(one.score[secondOnly], one.low)
	oneFar, twoBoth := at(one.far, one.low), at(two.score[both], two.low)
	nowBoth, nowFirst, nowSecond := now.score[both][guard:][:n], now.score[firstOnly][guard:][:n], now.score[secondOnly][guard:][:n]
	nowFar := now.far[guard:][:n]
	first, second, same := &g.first[i], g.second[now.low:][:n], g.same
	from := g.cut(n)

	next, rowBest = liveColumns{-1, -1, 0}, never
	leftBoth, leftSecond := never, never // the scores of the column before
	k := 0
	for ; k < n; k++ {
		score, way := oneBoth[k+1], uint8(both)
		if v := oneFirst[k+1]; v > score {
			score, way = v, firstOnly
		}
		if v := oneSecond[k+1]; v > score {
			score, way = v, secondOnly
		}
		if v := oneBoth[k]; v > score {
			score, way = v, 1*states+both
		}
		if v := twoBoth[k+1] + same - oneFar[k+2]; v > score {
			score, way = v, 2*states+both
		}
		if i == 0 && now.low+k <= startSlack {
			score, way = 0, begins
		}
		far := nowhere
		if score > hopeless-1 {
			far = apart(first, &second[k])
			score += same - far
			if score > rowBest {
				rowBest, next.best = score, now.low+k
			}
		} else {
			score = never
		}
		nowFar[k], nowBoth[k] = far, score
		// Only the first goes on: from the row before.
		skip := oneBoth[k+2] - gapOpens
		if longer := oneFirst[k+2]; longer > skip {
			skip, way = longer, way|firstOnly<<4
		}
		if longer := oneSecond[k+2] - gapOpens; longer > skip {
			skip, way = longer, way&15|secondOnly<<4
		}
		skip -= gapGrows
		nowFirst[k] = skip
		// Only the second does: from the column before.
		over := leftBoth - gapOpens
		if leftSecond > over {
			over, way = leftSecond, way|1<<6
		}
		over -= gapGrows
		nowSecond[k] = over
		leftBoth, leftSecond = score, over
		from = append(from, way)
		if score > hopeless || skip > hopeless || over > hopeless {
			if next.from < 0 {
				next.from = now.low + k
			}
			next.to = now.low + k + 1
		} else if now.low+k >= live+2 {
			k++
			break
		}
	}
	for s := range states {
		forget(now.score[s], never, k, now.written)
	}
	forget(now.far, nowhere, k, now.written)
	now.written = k
	g.low, g.from = append(g.low, now.low), append(g.from, from)
	g.block = g.block[len(from):]
	return next, rowBest
}

// forget writes nothing into the cells of a row from k on that an earlier one has written.
func forget(of []float32, nothing float32, k, written int) {
	for ; k < written; k++ {
		of[guard+k] = nothing
	}
}

// cut returns an empty slice for at most n ways of a row, at the beginning of what is left
// of the block.
func (g *grid) cut(n int) []uint8 {
	if len(g.block) < n {
		g.block = make([]uint8, max(n, min(blockWays, len(g.from)*n)))
	}
	return g.block[:0:n]
}

// blockWays is how many ways are kept in a block, once an alignment has got long.
const blockWays = 1 << 15

// liveColumns are those in which a row may still lead to something.
type liveColumns struct{ from, to, best int }

// begins marks the cell in which a way begins. givenUp is how far a way may fall under
// the best so far: a gap of five seconds. mayOwe is how far it may fall under nothing:
// the readings must begin with the same words.
const (
	begins  = 15
	givenUp = gapOpens + gapGrows*5*speech.FramesPerSecond
	mayOwe  = 12.0
)

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
		if k < 0 || k >= len(g.from[i]) {
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
	slices.Reverse(way)
	return way
}
