package layer3

// A kind is what the header of a frame says about how to read the rest of it
// (§2.4.2.3).
type kind struct {
	lsf       bool // low sampling frequency: MPEG-2 or 2.5, one granule a frame
	rate      int  // row of bandsOf: 44.1, 48, 32, 22.05, 24, 16, 11.025, 12, 8 kHz
	crc       bool
	channels  int
	midSide   bool
	intensity bool
}

const (
	headerBytes = 4
	crcBytes    = 2
	// maxSideBytes is the side information of MPEG-1 with two channels.
	maxSideBytes = 32
)

// parseHeader reads a Layer III header; ok is false if it is none.
func parseHeader(b []byte) (k kind, ok bool) {
	if len(b) < headerBytes || b[0] != 0xFF || b[1]&0xE6 != 0xE2 {
		return kind{}, false
	}
	version, rate := b[1]>>3&3, int(b[2]>>2&3)
	if version == 1 || rate == 3 {
		return kind{}, false
	}
	row := [4]int{6, 0, 3, 0}[version] // MPEG-2.5, none, 2, 1
	mode, extension := b[3]>>6, b[3]>>4&3
	k = kind{lsf: version != 3, rate: row + rate, crc: b[1]&1 == 0, channels: 2}
	if mode == 3 {
		k.channels = 1
	}
	if mode == 1 { // joint stereo
		k.midSide, k.intensity = extension&2 != 0, extension&1 != 0
	}
	return k, true
}

func (k kind) granules() int {
	if k.lsf {
		return 1
	}
	return 2
}

func (k kind) sideBytes() int {
	switch {
	case !k.lsf && k.channels == 2:
		return 32
	case k.lsf && k.channels == 1:
		return 9
	}
	return 17
}

// sideInfo is the side information of a frame (§2.4.1.7, ISO/IEC 13818-3
// §2.4.1.7).
type sideInfo struct {
	mainDataBegin int // bytes before this frame's own main data
	// reuse tells for each channel which groups of scalefactors the second
	// granule takes from the first (scfsi).
	reuse   [2][4]bool
	granule [2][2]granule // by granule and channel
}

// A granule is one channel's part of a granule.
type granule struct {
	bits       int // part2_3_length: scalefactors and code words
	bigValues  int // pairs in the part of the spectrum coded in pairs
	globalGain int
	// scalefacCompress is an index of 4 bits into slens, of 9 bits for lsf.
	scalefacCompress int
	block            blockType
	mixed            bool   // the two lowest subbands are as in a long block
	table            [3]int // of the regions
	regionEnd        [3]int // line after each region, before it is cut to bigValues
	subblockGain     [3]int
	preflag          bool
	scalefacShift    int // quarter powers of 2 for each step of a scalefactor: 2 or 4
	quadTable        int
}

type blockType int

const (
	long blockType = iota
	start
	short
	stop
)

// parseSideInfo reads the side information at the front of b.
func parseSideInfo(side *sideInfo, b []byte, k kind) error {
	var padded [maxSideBytes + padBytes]byte
	copy(padded[:], b[:k.sideBytes()])
	r := bitReader{buf: padded[:]}
	if k.lsf {
		side.mainDataBegin = r.take(8)
		r.take(k.channels) // private bits
	} else {
		side.mainDataBegin = r.take(9)
		r.take(7 - 2*k.channels)
		for ch := range k.channels {
			for group := range 4 {
				side.reuse[ch][group] = r.flag()
			}
		}
	}
	for gr := range k.granules() {
		for ch := range k.channels {
			if err := side.granule[gr][ch].parse(&r, k); err != nil {
				return err
			}
		}
	}
	return nil
}

func (g *granule) parse(r *bitReader, k kind) error {
	*g = granule{bits: r.take(12), bigValues: r.take(9), globalGain: r.take(8)}
	if k.lsf {
		g.scalefacCompress = r.take(9)
	} else {
		g.scalefacCompress = r.take(4)
	}
	if 2*g.bigValues > lines {
		return ErrSideInfo
	}
	if r.flag() { // window switching
		if err := g.parseSwitched(r, k); err != nil {
			return err
		}
	} else {
		for i := range g.table {
			g.table[i] = r.take(5)
		}
		first := r.take(4) + 1
		second := first + r.take(3) + 1
		edges := &bandsOf[k.rate].longEdges
		g.regionEnd = [3]int{int(edges[first]), int(edges[min(second, len(edges)-1)]), lines}
	}
	for _, t := range g.table {
		if t == 4 || t == 14 { // there are none
			return ErrSideInfo
		}
	}
	if !k.lsf {
		g.preflag = r.flag()
	}
	g.scalefacShift = 2 << r.take(1)
	g.quadTable = r.take(1)
	return nil
}

// parseSwitched reads what a granule with another block than a plain long one
// has in place of the three tables and the two region lengths.
func (g *granule) parseSwitched(r *bitReader, k kind) error {
	g.block = blockType(r.take(2))
	g.mixed = r.flag()
	g.table[0], g.table[1] = r.take(5), r.take(5)
	for i := range g.subblockGain {
		g.subblockGain[i] = r.take(3)
	}
	switch {
	case g.block == long:
		return ErrSideInfo
	case g.block != short:
		g.regionEnd[0] = int(bandsOf[k.rate].longEdges[8])
	case g.mixed && bandsOf[k.rate].mixed == nil:
		return ErrSideInfo
	default:
		g.regionEnd[0] = 3 * int(bandsOf[k.rate].shortEdges[3])
	}
	g.regionEnd[1], g.regionEnd[2] = lines, lines
	return nil
}

// crc returns the checksum that a protected frame should have, over the last two
// bytes of the header and the side information (§2.4.3.1).
func crc(frame []byte, k kind) uint16 {
	sum := addCRC(0xFFFF, frame[2:headerBytes])
	return addCRC(sum, frame[headerBytes+crcBytes:][:k.sideBytes()])
}

// addCRC goes on with a CRC-16 of the polynomial 0x8005, the highest bit first.
func addCRC(sum uint16, b []byte) uint16 {
	for _, v := range b {
		sum ^= uint16(v) << 8
		for range 8 {
			carry := sum >> 15
			sum = sum<<1 ^ 0x8005*carry
		}
	}
	return sum
}
