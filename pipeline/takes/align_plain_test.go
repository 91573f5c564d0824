package takes

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// plainGrid goes through a grid by the rules as they are written down, cell by cell, every
// row afresh. It is what grid must find, and slow.
type plainGrid struct {
	first, second []frame
	same          float32
	low           []int
	width         int
	from          [][]uint8
	rows          [3]plainRow
}

type plainRow struct {
	low   int
	score [states][]float32
	far   []float32
}

func newPlainGrid(first, second []frame, unrelated float64) *plainGrid {
	g := &plainGrid{first: first, second: second, same: float32(sameShare * unrelated), width: min(len(second), 2*bandFrames+1)}
	for i := range g.rows {
		g.rows[i].far = make([]float32, g.width)
		for s := range states {
			g.rows[i].score[s] = make([]float32, g.width)
		}
	}
	return g
}

// at returns the score of a state in column j, never outside of the band.
func (r *plainRow) at(s, j int) float32 {
	if k := j - r.low; k >= 0 && k < len(r.far) {
		return r.score[s][k]
	}
	return never
}

func (r *plainRow) farAt(j int) float32 {
	if k := j - r.low; k >= 0 && k < len(r.far) {
		return r.far[k]
	}
	return nowhere
}

// fill goes through the grid and returns the end of the best way.
func (g *plainGrid) fill() (end cell, evidence float64) {
	best := float32(0)
	live := liveColumns{0, startSlack + 1, 0} // of the row before
	for r := range g.rows {
		for s := range states {
			fillPlain(g.rows[r].score[s], never)
		}
	}
	for i := range g.first {
		now, one, two := &g.rows[i%3], &g.rows[(i+2)%3], &g.rows[(i+1)%3]
		now.low = live.from
		if i > 0 && live.to-live.from > g.width { // the second reading may be anywhere in it
			now.low = max(live.from, live.best-g.width/2)
		}
		for s := range states {
			fillPlain(now.score[s], never)
		}
		fillPlain(now.far, float32(math.Inf(1)))
		from := make([]uint8, 0, min(g.width, live.to-now.low+3))
		hopeless := max(-mayOwe, best-givenUp)
		next := liveColumns{-1, -1, 0}
		rowBest := never
		for j := now.low; j < len(g.second) && j-now.low < g.width; j++ {
			k := j - now.low
			score, way := never, uint8(0)
			if i == 0 {
				if j <= startSlack {
					score, way = 0, begins
				}
			} else {
				for s := range uint8(states) {
					if v := one.at(int(s), j-1); v > score {
						score, way = v, s
					}
				}
				if v := one.at(both, j-2); v > score {
					score, way = v, 1*states+both
				}
				if v := two.at(both, j-1) + g.same - one.farAt(j); v > score {
					score, way = v, 2*states+both
				}
			}
			if score > hopeless-1 {
				far := apart(&g.first[i], &g.second[j])
				now.far[k] = far
				score += g.same - far
				now.score[both][k] = score
			} else {
				score = never
			}
			// Only the first goes on: from the row before.
			skip := never
			if i > 0 {
				skip = one.at(both, j) - gapOpens
				if longer := one.at(firstOnly, j); longer > skip {
					skip, way = longer, way|firstOnly<<4
				}
				if longer := one.at(secondOnly, j) - gapOpens; longer > skip {
					skip, way = longer, way&15|secondOnly<<4
				}
			}
			now.score[firstOnly][k] = skip - gapGrows
			// Only the second does: from the column before.
			over := never
			if k > 0 {
				over = now.score[both][k-1] - gapOpens
				if longer := now.score[secondOnly][k-1]; longer > over {
					over, way = longer, way|1<<6
				}
			}
			now.score[secondOnly][k] = over - gapGrows
			from = append(from, way)
			if score > rowBest {
				rowBest, next.best = score, j
			}
			if score > best {
				best, end = score, cell{i, j}
			}
			if max(score, skip-gapGrows, over-gapGrows) > hopeless {
				if next.from < 0 {
					next.from = j
				}
				next.to = j + 1
			} else if j >= live.to+2 {
				break
			}
		}
		g.low = append(g.low, now.low)
		g.from = append(g.from, from)
		if next.from < 0 {
			break
		}
		live = next
	}
	return end, float64(best)
}

func fillPlain(x []float32, v float32) {
	for i := range x {
		x[i] = v
	}
}

// readTwice makes a reading and a later one of the same words: faster and slower in
// places, with noise, and with words left out and put in.
func readTwice(n int, seed uint64, noise float32) (first, second []frame) {
	r := rand.New(rand.NewPCG(seed, 1))
	var f frame
	next := func() frame {
		for k := range f {
			f[k] = 0.8*f[k] + 0.6*float32(r.NormFloat64())
		}
		return f
	}
	for range n {
		first = append(first, next())
	}
	for i := 0; i < n; i++ {
		switch r.IntN(200) {
		case 0:
			i += r.IntN(300) // left out
			continue
		case 1:
			for range r.IntN(300) {
				second = append(second, next())
			}
		case 2, 3, 4, 5, 6, 7, 8, 9, 10, 11:
			continue // faster
		case 12, 13, 14, 15, 16, 17, 18, 19, 20:
			second = append(second, first[i]) // slower
		}
		again := first[i]
		for k := range again {
			again[k] += noise * float32(r.NormFloat64())
		}
		second = append(second, again)
	}
	return first, second
}

func TestGridFindsWhatThePlainRulesSay(t *testing.T) {
	ways, long := 0, 0
	for seed := range uint64(60) {
		n := []int{1, 2, 7, 90, 700, 2500}[seed%6]
		first, second := readTwice(n, seed, []float32{0.1, 0.5, 0.8}[seed%3])
		if seed%7 == 3 {
			second = second[:len(second)/9]
		}
		got, want := newGrid(first, second, 1.2), newPlainGrid(first, second, 1.2)
		end, evidence := got.fill()
		wantEnd, wantEvidence := want.fill()
		if end != wantEnd || evidence != wantEvidence {
			t.Fatalf("seed %d: ends at %v with %v, by the plain rules at %v with %v", seed, end, evidence, wantEnd, wantEvidence)
		}
		if !slices.Equal(got.low, want.low) || !slices.EqualFunc(got.from, want.from, slices.Equal) {
			t.Fatalf("seed %d: the ways are others than by the plain rules", seed)
		}
		ways++
		if end.i > 500 {
			long++
		}
	}
	if long < ways/10 {
		t.Errorf("only %d of %d ways are long: the test shows little", long, ways)
	}
}

func BenchmarkAlign(b *testing.B) {
	first, second := readTwice(3000, 4, 0.5)
	_, strange := readTwice(3000, 5, 0.5)
	for _, test := range []struct {
		name   string
		second []frame
	}{{"same words", second}, {"other words", strange}} {
		b.Run(test.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				align(first, test.second, 1.2)
			}
		})
		b.Run(test.name+"/plain", func(b *testing.B) {
			for b.Loop() {
				newPlainGrid(first, test.second, 1.2).fill()
			}
		})
	}
}
