package encode

import (
	"encoding/binary"
	"errors"
	"math"
	"strings"
)

// encoderWord fills the Info tag's nine-byte encoder field.
const encoderWord = "Lectern  "

// Offsets in an Info tag, from its "Info" or "Xing" word, if all four optional
// fields are there (the Xing and Info tag notes at gabriel.mp3-tech.org).
const (
	infoFlags    = 4
	infoFrames   = 8
	infoBytes    = 12
	infoTOC      = 16
	infoQuality  = 116
	infoEncoder  = 120
	infoMethod   = 129
	infoLowpass  = 130
	infoMinRate  = 140
	infoDelays   = 141
	infoMisc     = 144
	infoLength   = 148
	infoMusicCRC = 152
	infoTagCRC   = 154
	infoTagEnd   = 156
)

// infoFrame makes the silent frame that goes before the audio frames and tells
// players their count, and how many samples to leave out at each end.
func infoFrame(kbps int, w Written, m music) ([]byte, error) {
	index, _ := bitrateIndex(kbps)
	h := frameHeader(index, 0)
	frame := make([]byte, h.size())
	total := int64(len(frame)) + m.bytes
	if total > math.MaxUint32 {
		return nil, errors.New("more audio than an Info frame can count (4 GiB)")
	}
	binary.BigEndian.PutUint32(frame, uint32(h))
	at := headerBytes + h.sideInfoBytes()
	tag := frame[at:]
	copy(tag, "Info") // "Info" is constant bit rate, "Xing" variable
	binary.BigEndian.PutUint32(tag[infoFlags:], 15)
	binary.BigEndian.PutUint32(tag[infoFrames:], uint32(w.Frames))
	binary.BigEndian.PutUint32(tag[infoBytes:], uint32(total))
	for i := range 100 {
		tag[infoTOC+i] = byte(i * 256 / 100) // constant bit rate: a straight line
	}
	copy(tag[infoEncoder:], encoderWord)
	tag[infoMethod] = 1                       // tag revision 0, method 1: CBR
	tag[infoLowpass] = sampleRateHz / 2 / 100 // in 100 Hz: no low-pass
	tag[infoMinRate] = byte(min(kbps, 255))
	pad := endPadding(w.Samples)
	tag[infoDelays] = encoderDelay >> 4
	tag[infoDelays+1] = encoderDelay&15<<4 | byte(pad>>8)
	tag[infoDelays+2] = byte(pad)
	tag[infoMisc] = 1 << 6 // mono, source at 44.1 kHz
	binary.BigEndian.PutUint32(tag[infoLength:], uint32(total))
	binary.BigEndian.PutUint16(tag[infoMusicCRC:], m.crc)
	binary.BigEndian.PutUint16(tag[infoTagCRC:], crc16(0, frame[:at+infoTagCRC]))
	return frame, nil
}

// InfoTag is what a first frame without audio says about the rest.
type InfoTag struct {
	Kind    string // "Info" (constant), "Xing" (variable) or "VBRI"
	Frames  int64  // audio frames, this one not counted; 0 if not said
	Bytes   int64  // with this frame; 0 if not said
	Encoder string // "" if not said
	// HasDelay is set if the encoder's delay and padding, in samples, are told.
	HasDelay                     bool
	DelaySamples, PaddingSamples int
	// MusicCRC is over every byte after this frame. TagCRC is over this frame up
	// to the sum itself, TagCRCHolds if it is right.
	MusicCRC, TagCRC uint16
	TagCRCHolds      bool
}

// parseInfo looks for an Info, Xing or VBRI tag in a frame, and returns nil if
// there is none.
func parseInfo(frame []byte) *InfoTag {
	if len(frame) < headerBytes {
		return nil
	}
	at := headerBytes + parseHeader(frame).sideInfoBytes()
	// Some encoders forget the two CRC bytes of a protected frame.
	for _, at := range []int{at, at + 2} {
		if info := parseXing(frame, at); info != nil {
			return info
		}
	}
	const vbri = headerBytes + 32
	if len(frame) >= vbri+18 && string(frame[vbri:vbri+4]) == "VBRI" {
		return &InfoTag{
			Kind:   "VBRI",
			Bytes:  int64(binary.BigEndian.Uint32(frame[vbri+10:])),
			Frames: int64(binary.BigEndian.Uint32(frame[vbri+14:])),
		}
	}
	return nil
}

// parseXing reads an Info or Xing tag at frame[at:].
func parseXing(frame []byte, at int) *InfoTag {
	if len(frame) < at+infoFrames {
		return nil
	}
	kind := string(frame[at : at+4])
	if kind != "Info" && kind != "Xing" {
		return nil
	}
	info := &InfoTag{Kind: kind}
	flags := binary.BigEndian.Uint32(frame[at+infoFlags:])
	p := at + infoFrames
	// Each of the four fields is there only if its flag is set.
	for i, size := range [4]int{4, 4, 100, 4} {
		if flags>>i&1 == 0 {
			continue
		}
		if len(frame) < p+size {
			return info
		}
		switch i {
		case 0:
			info.Frames = int64(binary.BigEndian.Uint32(frame[p:]))
		case 1:
			info.Bytes = int64(binary.BigEndian.Uint32(frame[p:]))
		}
		p += size
	}
	const rest = infoTagEnd - infoEncoder
	if len(frame) < p+rest || frame[p] == 0 {
		return info // no encoder field: the bytes there say nothing
	}
	ext := frame[p : p+rest]
	info.Encoder = strings.TrimRight(string(ext[:9]), " \x00")
	delays := int(ext[infoDelays-infoEncoder])<<16 | int(ext[infoDelays+1-infoEncoder])<<8 | int(ext[infoDelays+2-infoEncoder])
	info.HasDelay = delays != 0
	info.DelaySamples, info.PaddingSamples = delays>>12, delays&0xFFF
	info.MusicCRC = binary.BigEndian.Uint16(ext[infoMusicCRC-infoEncoder:])
	info.TagCRC = binary.BigEndian.Uint16(ext[infoTagCRC-infoEncoder:])
	info.TagCRCHolds = crc16(0, frame[:p+infoTagCRC-infoEncoder]) == info.TagCRC
	return info
}
