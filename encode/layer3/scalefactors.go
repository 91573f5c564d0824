package layer3

import "math"

// maxBands is the most bands a granule has: 13 short ones in three windows.
const maxBands = 39

// scalefactors are those of one channel, in the order of bands.layout. The last
// band, or three, has none: 0.
type scalefactors struct {
	value [maxBands]uint8
	// illegal marks those that say of an intensity coded band that it is not
	// (ISO/IEC 13818-3 §2.4.3.2: the largest value there is).
	illegal [maxBands]bool
}

// slens gives the lengths in bits of the lower and of the upper scalefactors
// (§2.4.2.7, scalefac_compress).
var slens = [2][16]int{
	{0, 0, 0, 0, 3, 1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4},
	{0, 1, 2, 3, 0, 1, 2, 3, 1, 2, 3, 1, 2, 3, 2, 3},
}

// reusable are the bands where the four groups of scfsi end (§2.4.2.7).
var reusable = [4]int{6, 11, 16, 21}

// read reads MPEG-1 scalefactors (§2.4.1.7). In the second granule, groups that
// are reused stay as they are.
func (s *scalefactors) read(r *bitReader, g *granule, reuse *[4]bool, second bool) {
	lower, upper := slens[0][g.scalefacCompress], slens[1][g.scalefacCompress]
	if g.block != short {
		from := 0
		for group, end := range reusable {
			n := lower
			if group >= 2 {
				n = upper
			}
			if !second || !reuse[group] {
				s.readRun(r, from, end, n, 7)
			}
			from = end
		}
		clear(s.value[from:])
		return
	}
	split, end := 18, 36
	if g.mixed {
		split, end = 17, 35
	}
	s.readRun(r, 0, split, lower, 7)
	s.readRun(r, split, end, upper, 7)
	clear(s.value[end:])
}

// readRun reads the scalefactors of the bands from..end of n bits each.
func (s *scalefactors) readRun(r *bitReader, from, end, n, illegal int) {
	for i := from; i < end; i++ {
		v := 0
		if n > 0 {
			v = r.take(n)
		}
		s.value[i] = uint8(v)
		s.illegal[i] = n > 0 && v >= illegal
	}
}

// lsfRuns tells how many bands each of the four lengths is for, in long, short
// and mixed blocks (ISO/IEC 13818-3 §2.4.3.2, Table B.1 in our words); the last
// three rows are for the right channel of intensity stereo.
var lsfRuns = [6][3][4]int{
	{{6, 5, 5, 5}, {9, 9, 9, 9}, {6, 9, 9, 9}},
	{{6, 5, 7, 3}, {9, 9, 12, 6}, {6, 9, 12, 6}},
	{{11, 10, 0, 0}, {18, 18, 0, 0}, {15, 18, 0, 0}},
	{{7, 7, 7, 0}, {12, 12, 12, 0}, {6, 15, 12, 0}},
	{{6, 6, 6, 3}, {12, 9, 9, 6}, {6, 12, 9, 6}},
	{{8, 8, 5, 0}, {15, 12, 9, 0}, {6, 18, 9, 0}},
}

// lsfLengths takes scalefac_compress of MPEG-2 and 2.5 apart (ISO/IEC 13818-3
// §2.4.3.2): the four lengths in bits, the row of lsfRuns, and whether preflag is
// set. positions is set for the right channel of intensity stereo.
func lsfLengths(c int, positions bool) (bits [4]int, row int, preflag bool) {
	switch {
	case positions && c>>1 < 180:
		c >>= 1
		return [4]int{c / 36, c % 36 / 6, c % 6}, 3, false
	case positions && c>>1 < 244:
		c = c>>1 - 180
		return [4]int{c >> 4, c >> 2 & 3, c & 3}, 4, false
	case positions:
		c = c>>1 - 244
		return [4]int{c / 3, c % 3}, 5, false
	case c < 400:
		return [4]int{(c >> 4) / 5, (c >> 4) % 5, c >> 2 & 3, c & 3}, 0, false
	case c < 500:
		c -= 400
		return [4]int{(c >> 2) / 5, (c >> 2) % 5, c & 3}, 1, false
	}
	c -= 500
	return [4]int{c / 3, c % 3}, 2, true
}

// runs returns the row of lsfRuns for the kind of the block.
func (g *granule) runs(row int) [4]int {
	switch {
	case g.block != short:
		return lsfRuns[row][0]
	case !g.mixed:
		return lsfRuns[row][1]
	}
	return lsfRuns[row][2]
}

// readLSF reads the scalefactors of MPEG-2 and 2.5.
func (s *scalefactors) readLSF(r *bitReader, g *granule, positions bool) {
	bits, row, preflag := lsfLengths(g.scalefacCompress, positions)
	g.preflag = preflag
	at := 0
	for i, run := range g.runs(row) {
		s.readRun(r, at, at+run, bits[i], 1<<bits[i]-1)
		at += run
	}
	clear(s.value[at:])
}

// pretab is added to the scalefactors if preflag is set (Table B.6).
var pretab = [22]int{11: 1, 1, 1, 1, 2, 2, 3, 3, 3, 2}

// gains turns scalefactors into the factor of each band (§2.4.3.4):
//
//	2^((global_gain − 210)/4 − 2·subblock_gain − ½ or 1 · (scalefactor + pretab))
func (s *scalefactors) gains(dst *[maxBands]float32, g *granule, bands, longBands int) {
	at := g.globalGain - 210 - lowestQuarter
	for i := range longBands {
		v := int(s.value[i])
		if g.preflag {
			v += pretab[i]
		}
		dst[i] = quarterPowers[at-g.scalefacShift*v]
	}
	for i := longBands; i < bands; i++ {
		w := (i - longBands) % 3
		dst[i] = quarterPowers[at-8*g.subblockGain[w]-g.scalefacShift*int(s.value[i])]
	}
}

// lowestQuarter is the lowest exponent, in quarters: no gain, the largest
// subblock gain, and the largest scalefactor (5 bits) in the larger steps.
const (
	lowestQuarter  = -210 - 8*7 - 4*(31+3)
	highestQuarter = 255 - 210
)

// quarterPowers holds 2^(q/4) from lowestQuarter on.
var quarterPowers = func() (table [highestQuarter - lowestQuarter + 1]float32) {
	for i := range table {
		table[i] = float32(math.Exp2(float64(i+lowestQuarter) / 4))
	}
	return table
}()
