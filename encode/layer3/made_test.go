package layer3

import (
	"encoding/binary"
	"math/rand/v2"
)

// A bitWriter is the counterpart of bitReader.
type bitWriter struct {
	b []byte
	n int // bits
}

func (w *bitWriter) put(v, bits int) {
	for i := bits - 1; i >= 0; i-- {
		if w.n%8 == 0 {
			w.b = append(w.b, 0)
		}
		w.b[w.n/8] |= byte(v>>i&1) << (7 - w.n%8)
		w.n++
	}
}

// word writes the code word of the leaf that stands for value.
func (w *bitWriter) word(leaves []uint16, value int) {
	code := 0 // of 20 bits
	for _, leaf := range leaves {
		length := int(leaf >> 8)
		if int(leaf&0xFF) == value {
			w.put(code>>(20-length), length)
			return
		}
		code += 1 << (20 - length)
	}
	panic("no such leaf")
}

var leavesOf = [32][]uint16{
	1: leaves1, 2: leaves2, 3: leaves3, 5: leaves5, 6: leaves6, 7: leaves7, 8: leaves8, 9: leaves9,
	10: leaves10, 11: leaves11, 12: leaves12, 13: leaves13, 15: leaves15,
	16: leaves16, 17: leaves16, 18: leaves16, 19: leaves16, 20: leaves16, 21: leaves16, 22: leaves16, 23: leaves16,
	24: leaves24, 25: leaves24, 26: leaves24, 27: leaves24, 28: leaves24, 29: leaves24, 30: leaves24, 31: leaves24,
}

// A sheet says which frames to make.
type sheet struct {
	name      string
	version   int         // header bits: 3 MPEG-1, 2 MPEG-2, 0 MPEG-2.5
	rate      int         // header bits
	mode      int         // 0 stereo, 1 joint, 2 dual, 3 mono
	extension int         // 1 intensity, 2 mid/side
	blocks    []blockType // one after the other, and again
	mixed     bool
	crc       bool
}

// made makes n frames of random content by the sheet, each byte of it legal: every
// table, gain, scalefactor and region. The amounts are such that it is heard as
// noise below full scale.
func (s sheet) made(n int, seed uint64) (frames [][]byte) {
	r := rand.New(rand.NewPCG(seed, 1))
	for len(frames) < n {
		frames = append(frames, s.frame(r, len(frames)))
	}
	return frames
}

func (s sheet) frame(r *rand.Rand, number int) []byte {
	index, size := 14, 0
	rate := [3]int{44100, 48000, 32000}[s.rate]
	switch s.version {
	case 3:
		size = 144 * 320000 / rate
	case 2:
		size = 72 * 160000 / (rate / 2)
	default:
		size = 72 * 160000 / (rate / 4)
	}
	protection := 1
	if s.crc {
		protection = 0
	}
	frame := []byte{0xFF, 0xE2 | byte(s.version<<3|protection), byte(index<<4 | s.rate<<2), byte(s.mode<<6 | s.extension<<4)}
	k, ok := parseHeader(frame)
	if !ok {
		panic("bad header")
	}
	if s.crc {
		frame = append(frame, 0, 0)
	}
	side, main := &bitWriter{}, &bitWriter{}
	var reuse [2][4]bool
	if k.lsf {
		side.put(0, 8+k.channels)
	} else {
		side.put(0, 9+7-2*k.channels)
		for ch := range k.channels {
			for g := range 4 {
				reuse[ch][g] = r.IntN(4) == 0 && len(s.blocks) == 1 && s.blocks[0] == long
				side.put(btoi(reuse[ch][g]), 1)
			}
		}
	}
	for gr := range k.granules() {
		block := s.blocks[(number*k.granules()+gr)%len(s.blocks)]
		for ch := range k.channels {
			room := 8*(size-len(frame)-k.sideBytes())/k.granules()/k.channels - 300
			s.granule(r, k, side, main, block, ch, gr == 1, reuse[ch], min(room, 3600))
		}
	}
	frame = append(append(frame, side.b...), main.b...)
	if len(frame) > size {
		panic("frame too long")
	}
	frame = append(frame, make([]byte, size-len(frame))...)
	if s.crc {
		binary.BigEndian.PutUint16(frame[headerBytes:], crc(frame, k))
	}
	return frame
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// granule writes one channel's side information and main data, of about room bits
// at most.
func (s sheet) granule(r *rand.Rand, k kind, side, main *bitWriter, block blockType, ch int, second bool, reuse [4]bool, room int) {
	g := granule{block: block, mixed: s.mixed && block != long}
	g.globalGain = 155 + r.IntN(16)
	positions := k.intensity && ch == 1
	g.scalefacCompress = r.IntN(16)
	if k.lsf {
		g.scalefacCompress = r.IntN(512)
	}
	begin := main.n
	writeScalefactors(r, k, &g, main, positions, second, reuse)

	var sideBits bitWriter // from window switching on
	bookOf := func() int {
		for {
			if t := r.IntN(32); leavesOf[t] != nil || t == 0 {
				return t
			}
		}
	}
	if block == long {
		sideBits.put(0, 1)
		for i := range g.table {
			g.table[i] = bookOf()
			sideBits.put(g.table[i], 5)
		}
		r0, r1 := r.IntN(16), r.IntN(8)
		sideBits.put(r0, 4)
		sideBits.put(r1, 3)
		edges := bandsOf[k.rate].longEdges
		g.regionEnd = [3]int{int(edges[r0+1]), int(edges[min(22, r0+r1+2)]), lines}
	} else {
		sideBits.put(1, 1)
		sideBits.put(int(block), 2)
		sideBits.put(btoi(g.mixed), 1)
		for i := range 2 {
			g.table[i] = bookOf()
			sideBits.put(g.table[i], 5)
		}
		for range 3 {
			sideBits.put(r.IntN(3), 3)
		}
		g.regionEnd = [3]int{int(bandsOf[k.rate].longEdges[8]), lines, lines}
		if block == short {
			g.regionEnd[0] = 3 * int(bandsOf[k.rate].shortEdges[3])
		}
	}
	if !k.lsf {
		sideBits.put(r.IntN(2), 1)
	}
	sideBits.put(r.IntN(2), 1)
	quadTable := r.IntN(2)
	sideBits.put(quadTable, 1)

	// Lines: pairs, then quadruples, then nothing.
	most := 288
	if positions {
		most = 20 + r.IntN(60) // intensity where the right channel has nothing
	}
	line, pairs := 0, r.IntN(most)
	for ; line < 2*pairs && main.n-begin < room; line += 2 {
		region := 0
		for line >= g.regionEnd[region] {
			region++
		}
		main.pair(r, g.table[region])
	}
	g.bigValues = line / 2
	quads := [2][]uint16{leavesA, leavesB}[quadTable]
	for range r.IntN(40) {
		if line+4 > 2*most || main.n-begin > room {
			break
		}
		v := r.IntN(16)
		main.word(quads, v)
		for i := range 4 {
			if v>>i&1 == 1 {
				main.put(r.IntN(2), 1)
			}
		}
		line += 4
	}
	side.put(main.n-begin, 12)
	side.put(g.bigValues, 9)
	side.put(g.globalGain, 8)
	if k.lsf {
		side.put(g.scalefacCompress, 9)
	} else {
		side.put(g.scalefacCompress, 4)
	}
	for i := range sideBits.n {
		side.put(int(sideBits.b[i/8]>>(7-i%8)&1), 1)
	}
}

// pair writes a pair of random values, mostly small.
func (w *bitWriter) pair(r *rand.Rand, table int) {
	leaves := leavesOf[table]
	if leaves == nil {
		return
	}
	leaf := int(leaves[r.IntN(len(leaves))] & 0xFF)
	w.word(leaves, leaf)
	for _, v := range [2]int{leaf >> 4, leaf & 15} {
		if v == 15 && codebooks[table].linbits > 0 {
			w.put(r.IntN(min(1<<codebooks[table].linbits, 40)), codebooks[table].linbits)
		}
		if v != 0 {
			w.put(r.IntN(2), 1)
		}
	}
}

// writeScalefactors writes random ones. Positions of intensity are kept from the value
// that means none, which decoders do not agree upon.
func writeScalefactors(r *rand.Rand, k kind, g *granule, main *bitWriter, positions, second bool, reuse [4]bool) {
	run := func(n, bits int) {
		for range n {
			most := 1 << bits
			if positions {
				most = max(1, min(most-1, 6))
			}
			main.put(r.IntN(most), bits)
		}
	}
	if k.lsf {
		bits, row, _ := lsfLengths(g.scalefacCompress, positions)
		for i, n := range g.runs(row) {
			run(n, bits[i])
		}
		return
	}
	lower, upper := slens[0][g.scalefacCompress], slens[1][g.scalefacCompress]
	switch {
	case g.block != short:
		from := 0
		for group, end := range reusable {
			if !second || !reuse[group] {
				run(end-from, [2]int{lower, upper}[group/2])
			}
			from = end
		}
	case g.mixed:
		run(17, lower)
		run(18, upper)
	default:
		run(18, lower)
		run(18, upper)
	}
}
