package layer3

import "math"

// Code words are looked up lookBits at a time. An entry of a lookup tells the
// length of the word and what it stands for, or, for a longer word, where the
// entries for its further bits begin.
const lookBits = 9

// An entry, from its lowest bit: for pairs y and x in 4 bits each, whether y and
// whether x are other than 0 (1 bit each: that many signs follow), then 5 bits of
// length. For quadruples a bit each for x, w, v... as in the leaves. A link has
// linkBit set: 16 bits of place, then the number of further bits.
const (
	signYShift  = 8
	signXShift  = 9
	lengthShift = 10
	linkBit     = 1 << 31
	linkShift   = 16
)

// A codebook decodes pairs.
type codebook struct {
	lookup   []uint32
	linbits  int // further bits of a value of 15
	pairBits int // the most that a pair takes, signs and further bits included
}

// codebooks by table_select; 0 stands for pairs of 0 without any code, 4 and 14
// are not there.
var codebooks = func() (books [32]codebook) {
	for i, leaves := range [32][]uint16{
		1: leaves1, 2: leaves2, 3: leaves3, 5: leaves5, 6: leaves6, 7: leaves7, 8: leaves8, 9: leaves9,
		10: leaves10, 11: leaves11, 12: leaves12, 13: leaves13, 15: leaves15, 16: leaves16, 24: leaves24,
	} {
		if leaves == nil {
			continue
		}
		books[i] = newCodebook(leaves)
	}
	for i, n := range [32]int{
		16: 1, 2, 3, 4, 6, 8, 10, 13,
		24: 4, 5, 6, 7, 8, 9, 11, 13,
	} {
		if n > 0 {
			books[i] = books[i&^7]
			books[i].linbits = n
			books[i].pairBits += 2 * n
		}
	}
	return books
}()

func newCodebook(leaves []uint16) codebook {
	longest := 0
	for _, leaf := range leaves {
		longest = max(longest, int(leaf>>8))
	}
	b := codebook{lookup: make([]uint32, 1<<lookBits), pairBits: longest + 2}
	code := 0 // of the leaf, to lookBits or longer
	for at := 0; at < len(leaves); {
		length := int(leaves[at] >> 8)
		if length <= lookBits {
			b.fill(code, lookBits, leaves[at])
			code += 1 << (lookBits - length)
			at++
			continue
		}
		// All words with these first bits share a lookup for the rest.
		n, room, deepest := 0, 0, 0
		for space := 1.0; space > 0; n++ {
			l := int(leaves[at+n]>>8) - lookBits
			deepest = max(deepest, l)
			space -= 1 / float64(int(1)<<l)
		}
		base := len(b.lookup)
		b.lookup[code] = linkBit | uint32(deepest)<<linkShift | uint32(base)
		b.lookup = append(b.lookup, make([]uint32, 1<<deepest)...)
		for _, leaf := range leaves[at : at+n] {
			b.fill(base+room, lookBits+deepest, leaf)
			room += 1 << (lookBits + deepest - int(leaf>>8))
		}
		code++
		at += n
	}
	return b
}

// fill enters a leaf at every place whose bits begin with its code word.
func (b *codebook) fill(at, bits int, leaf uint16) {
	x, y, length := uint32(leaf>>4&15), uint32(leaf&15), int(leaf>>8)
	entry := uint32(length)<<lengthShift | min(x, 1)<<signXShift | min(y, 1)<<signYShift | x<<4 | y
	for i := range 1 << (bits - length) {
		b.lookup[at+i] = entry
	}
}

// quadBits is the longest code word of a quadruple.
const quadBits = 6

// quadbooks by count1table_select. An entry holds the length in the upper four
// bits and v, w, x, y below.
var quadbooks = func() (books [2][1 << quadBits]uint8) {
	for i, leaves := range [2][]uint16{leavesA, leavesB} {
		at := 0
		for _, leaf := range leaves {
			length := int(leaf >> 8)
			for range 1 << (quadBits - length) {
				books[i][at] = uint8(length<<4 | int(leaf&15))
				at++
			}
		}
	}
	return books
}()

// maxValue is 15 and 13 further bits, all set.
const maxValue = 15 + 1<<13 - 1

// powers holds n^(4/3) (§2.4.3.4).
var powers = func() (table [maxValue + 1]float32) {
	for i := range table {
		table[i] = float32(math.Pow(float64(i), 4.0/3))
	}
	return table
}()

// A spectrum is filled line by line, each with the gain of its band.
type spectrum struct {
	lines [lines]float32
	used  int // lines from here on are 0; even
}

// A lineReader decodes the code words of one granule (§2.4.1.7, huffmancodebits).
type lineReader struct {
	buf      []byte
	pos, end int // in bits
	ends     []int16
	gain     *[maxBands]float32
	out      *[lines]float32
	line     int // the next
}

// read decodes all lines of a granule whose scalefactors are read.
func (s *spectrum) read(buf []byte, pos, end int, g *granule, ends []int16, gain *[maxBands]float32) error {
	r := lineReader{buf: buf, pos: pos, end: end, ends: ends, gain: gain, out: &s.lines}
	band := 0
	for i, regionEnd := range g.regionEnd {
		to := min(regionEnd, 2*g.bigValues)
		book := &codebooks[g.table[i]]
		for r.line < to {
			for int(ends[band]) <= r.line {
				band++
			}
			stop := min(to, int(ends[band]))
			switch {
			case book.lookup == nil:
				clear(s.lines[r.line:stop])
				r.line = stop
			case book.linbits == 0:
				r.pairs(stop, book, gain[band])
			default:
				r.longPairs(stop, book, gain[band])
			}
			if r.pos > end {
				return ErrHuffman
			}
		}
	}
	r.quads(&quadbooks[g.quadTable], band)
	s.used = r.line
	clear(s.lines[r.line:])
	return nil
}

// pairs decodes the lines up to stop of one band with a table without further
// bits. A word that would end after r.end sets r.pos past it.
func (r *lineReader) pairs(stop int, book *codebook, gain float32) {
	first := (*[1 << lookBits]uint32)(book.lookup)
	room := 57 - book.pairBits // bits that may be used up before the window is moved
	pos, out := r.pos, r.out[r.line:stop]
	for len(out) >= 2 {
		if pos > r.end {
			break
		}
		w := window(r.buf, pos)
		for used := 0; ; {
			e := first[w>>(64-lookBits)]
			if e&linkBit != 0 {
				e = book.lookup[int(e&0xFFFF)+int(w<<lookBits>>(64-e>>linkShift&31))]
			}
			length := e >> lengthShift
			w <<= length & 31
			x := math.Float32bits(powers[e>>4&15]*gain) | uint32(w>>63)<<31
			nx := e >> signXShift & 1
			w <<= nx
			y := math.Float32bits(powers[e&15]*gain) | uint32(w>>63)<<31
			ny := e >> signYShift & 1
			w <<= ny
			out[0], out[1] = math.Float32frombits(x), math.Float32frombits(y)
			out = out[2:]
			n := int(length + nx + ny)
			pos += n
			used += n
			if used > room || len(out) < 2 {
				break
			}
		}
	}
	if len(out) > 0 {
		pos = r.end + 1
	}
	r.pos, r.line = pos, stop
}

// longPairs is pairs for the tables whose value 15 is followed by further bits.
func (r *lineReader) longPairs(stop int, book *codebook, gain float32) {
	first := (*[1 << lookBits]uint32)(book.lookup)
	room := 57 - book.pairBits
	linbits := uint(book.linbits) & 15
	pos, out := r.pos, r.out[r.line:stop]
	for len(out) >= 2 {
		if pos > r.end {
			break
		}
		w := window(r.buf, pos)
		for used := 0; ; {
			e := first[w>>(64-lookBits)]
			if e&linkBit != 0 {
				e = book.lookup[int(e&0xFFFF)+int(w<<lookBits>>(64-e>>linkShift&31))]
			}
			n := uint(e>>lengthShift) & 31
			w <<= n
			x, y := uint(e>>4&15), uint(e&15)
			if x == 15 {
				x += uint(w >> (64 - linbits))
				w <<= linbits
				n += linbits
			}
			bx := math.Float32bits(powers[x]*gain) | uint32(w>>63)<<31
			nx := uint(e >> signXShift & 1)
			w <<= nx
			if y == 15 {
				y += uint(w >> (64 - linbits))
				w <<= linbits
				n += linbits
			}
			by := math.Float32bits(powers[y]*gain) | uint32(w>>63)<<31
			ny := uint(e >> signYShift & 1)
			w <<= ny
			out[0], out[1] = math.Float32frombits(bx), math.Float32frombits(by)
			out = out[2:]
			n += nx + ny
			pos += int(n)
			used += int(n)
			if used > room || len(out) < 2 {
				break
			}
		}
	}
	if len(out) > 0 {
		pos = r.end + 1
	}
	r.pos, r.line = pos, stop
}

// quads decodes quadruples of -1, 0 and 1 up to the end of the bits. A last one
// that runs past it is left out: it is made of stuffing bits.
func (r *lineReader) quads(book *[1 << quadBits]uint8, band int) {
	for r.line+4 <= lines && r.pos < r.end {
		w := window(r.buf, r.pos)
		e := book[w>>(64-quadBits)]
		n := e >> 4
		w <<= n
		pos := r.pos + int(n)
		for i := range 4 {
			if i%2 == 0 {
				for int(r.ends[band]) <= r.line+i {
					band++
				}
			}
			if e>>(3-i)&1 == 0 {
				r.out[r.line+i] = 0
				continue
			}
			r.out[r.line+i] = math.Float32frombits(math.Float32bits(r.gain[band]) | uint32(w>>63)<<31)
			w <<= 1
			pos++
		}
		if pos > r.end {
			break
		}
		r.pos = pos
		r.line += 4
	}
}
