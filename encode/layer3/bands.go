package layer3

// lines is the number of spectral lines of a granule.
const lines = 576

// bands are the scalefactor bands of one sample rate.
type bands struct {
	longEdges  [23]int16
	shortEdges [14]int16 // of each of the three windows
	// The ends of the bands in the order in which their lines are coded: of long
	// blocks, of short blocks (window by window in each band), and of mixed blocks,
	// which are long below line 36; nil where that falls into a band.
	long, short, mixed []int16
	// longInMixed is how many long bands a mixed block has.
	longInMixed int
}

const mixedLines = 36

// bandsOf holds the bands of Table B.8 and of ISO/IEC 13818-3, Table B.2, by the
// rows of kind.rate. The last three are customary.
var bandsOf = [9]bands{
	newBands( // 44.1 kHz
		[23]int16{0, 4, 8, 12, 16, 20, 24, 30, 36, 44, 52, 62, 74, 90, 110, 134, 162, 196, 238, 288, 342, 418, 576},
		[14]int16{0, 4, 8, 12, 16, 22, 30, 40, 52, 66, 84, 106, 136, 192}),
	newBands( // 48 kHz
		[23]int16{0, 4, 8, 12, 16, 20, 24, 30, 36, 42, 50, 60, 72, 88, 106, 128, 156, 190, 230, 276, 330, 384, 576},
		[14]int16{0, 4, 8, 12, 16, 22, 28, 38, 50, 64, 80, 100, 126, 192}),
	newBands( // 32 kHz
		[23]int16{0, 4, 8, 12, 16, 20, 24, 30, 36, 44, 54, 66, 82, 102, 126, 156, 194, 240, 296, 364, 448, 550, 576},
		[14]int16{0, 4, 8, 12, 16, 22, 30, 42, 58, 78, 104, 138, 180, 192}),
	newBands( // 22.05 kHz
		[23]int16{0, 6, 12, 18, 24, 30, 36, 44, 54, 66, 80, 96, 116, 140, 168, 200, 238, 284, 336, 396, 464, 522, 576},
		[14]int16{0, 4, 8, 12, 18, 24, 32, 42, 56, 74, 100, 132, 174, 192}),
	newBands( // 24 kHz
		[23]int16{0, 6, 12, 18, 24, 30, 36, 44, 54, 66, 80, 96, 114, 136, 162, 194, 232, 278, 332, 394, 464, 540, 576},
		[14]int16{0, 4, 8, 12, 18, 26, 36, 48, 62, 80, 104, 136, 180, 192}),
	newBands( // 16 kHz
		[23]int16{0, 6, 12, 18, 24, 30, 36, 44, 54, 66, 80, 96, 116, 140, 168, 200, 238, 284, 336, 396, 464, 522, 576},
		[14]int16{0, 4, 8, 12, 18, 26, 36, 48, 62, 80, 104, 134, 174, 192}),
	newBands( // 11.025 kHz
		[23]int16{0, 6, 12, 18, 24, 30, 36, 44, 54, 66, 80, 96, 116, 140, 168, 200, 238, 284, 336, 396, 464, 522, 576},
		[14]int16{0, 4, 8, 12, 18, 26, 36, 48, 62, 80, 104, 134, 174, 192}),
	newBands( // 12 kHz
		[23]int16{0, 6, 12, 18, 24, 30, 36, 44, 54, 66, 80, 96, 116, 140, 168, 200, 238, 284, 336, 396, 464, 522, 576},
		[14]int16{0, 4, 8, 12, 18, 26, 36, 48, 62, 80, 104, 134, 174, 192}),
	newBands( // 8 kHz
		[23]int16{0, 12, 24, 36, 48, 60, 72, 88, 108, 132, 160, 192, 232, 280, 336, 400, 476, 566, 568, 570, 572, 574, 576},
		[14]int16{0, 8, 16, 24, 36, 52, 72, 96, 124, 160, 162, 164, 166, 192}),
}

func newBands(longEdges [23]int16, shortEdges [14]int16) bands {
	b := bands{longEdges: longEdges, shortEdges: shortEdges, long: longEdges[1:]}
	b.short = shortEnds(shortEdges, 0)
	for i, end := range b.long {
		if end == mixedLines {
			b.longInMixed = i + 1
		}
	}
	for i, edge := range shortEdges {
		if 3*edge == mixedLines {
			b.mixed = append(append([]int16(nil), b.long[:b.longInMixed]...), shortEnds(shortEdges, i)...)
		}
	}
	return b
}

// shortEnds lists the ends of the short bands from a band on.
func shortEnds(edges [14]int16, from int) (ends []int16) {
	for i := from; i < len(edges)-1; i++ {
		width := edges[i+1] - edges[i]
		for w := range int16(3) {
			ends = append(ends, 3*edges[i]+(w+1)*width)
		}
	}
	return ends
}

// layout returns the ends of the granule's bands as they are coded, and how many
// of them are long.
func (b *bands) layout(g *granule) (ends []int16, longBands int) {
	switch {
	case g.block != short:
		return b.long, len(b.long)
	case g.mixed:
		return b.mixed, b.longInMixed
	}
	return b.short, 0
}
