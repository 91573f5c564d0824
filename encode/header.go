package encode

// A header is the 4 bytes at the start of an MPEG audio frame, Layer III only
// (ISO/IEC 11172-3 §2.4.1.3 and 2.4.2.3; the half sample rates of ISO/IEC
// 13818-3 §2.4.2.3; the quarter rates are the customary "MPEG-2.5").
type header uint32

const (
	headerBytes = 4
	// maxFrameBytes is the largest frame there is: 320 kbit/s at 32 kHz or 160
	// kbit/s at 8 kHz, with its padding byte.
	maxFrameBytes = 1441
)

// The version bits of a header.
const (
	mpeg25 = 0
	mpeg2  = 2
	mpeg1  = 3
)

// ratesKbps holds the bit rates of Layer III by bit rate index. Index 0 is the
// free format, whose frame size cannot be told from the header, and 15 is
// forbidden: both are 0.
var (
	ratesKbpsMPEG1 = [16]int{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320}
	ratesKbpsMPEG2 = [16]int{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160}
)

func parseHeader(b []byte) header {
	return header(b[0])<<24 | header(b[1])<<16 | header(b[2])<<8 | header(b[3])
}

// valid reports whether h can start a Layer III frame of known size.
func (h header) valid() bool { return h.wellFormed() && h.bitrateKbps() != 0 }

// wellFormed reports whether h can start a Layer III frame, be it of the free
// format.
func (h header) wellFormed() bool {
	const sync, layer3 = 0xFFE, 1
	return h>>20&sync == sync && h.version() != 1 && h>>17&3 == layer3 && h>>12&15 != 15 && h>>10&3 != 3 && h&3 != 2
}

// free reports whether the bit rate is none of the list. All frames of such a
// stream have the same size but for the padding, which must be found out.
func (h header) free() bool { return h>>12&15 == 0 }

// sameKind reports whether two frames can follow each other in one stream:
// version and sample rate agree. Bit rate and channel mode may differ.
func (h header) sameKind(o header) bool { return (h^o)&0x00180C00 == 0 }

func (h header) version() int { return int(h >> 19 & 3) }

func (h header) versionName() string {
	switch h.version() {
	case mpeg1:
		return "MPEG-1"
	case mpeg2:
		return "MPEG-2"
	}
	return "MPEG-2.5"
}

func (h header) bitrateKbps() int {
	if h.version() == mpeg1 {
		return ratesKbpsMPEG1[h>>12&15]
	}
	return ratesKbpsMPEG2[h>>12&15]
}

func (h header) sampleRateHz() int {
	rate := [3]int{44100, 48000, 32000}[h>>10&3]
	switch h.version() {
	case mpeg1:
		return rate
	case mpeg2:
		return rate / 2
	}
	return rate / 4
}

func (h header) padding() int { return int(h >> 9 & 1) }

// The channel modes that are told apart.
const (
	jointStereo = 1
	dualChannel = 2
	oneChannel  = 3
)

func (h header) mode() int { return int(h >> 6 & 3) }

func (h header) channels() int {
	if h.mode() == oneChannel {
		return 1
	}
	return 2
}

// samples is the number of samples per channel in the frame.
func (h header) samples() int {
	if h.version() == mpeg1 {
		return 1152
	}
	return 576
}

// size is the length of the whole frame in bytes, header and padding included
// (ISO/IEC 11172-3 §2.4.3.1).
func (h header) size() int {
	return h.samples()/8*h.bitrateKbps()*1000/h.sampleRateHz() + h.padding()
}

// sideInfoBytes is the length of the side information after the header.
func (h header) sideInfoBytes() int {
	switch {
	case h.version() == mpeg1 && h.channels() == 2:
		return 32
	case h.version() != mpeg1 && h.channels() == 1:
		return 9
	}
	return 17
}
