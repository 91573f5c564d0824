package wav

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/go-audio/riff"
	"github.com/go-audio/wav"
)

const (
	canonicalBytes = 44
	// maxSegmentBytes keeps every length the library sees inside a signed 32-bit
	// number.
	maxSegmentBytes = 1 << 30
)

// segment shows a stretch of sound to the decoder library as a small WAV of
// its own: a canonical header, then the bytes of the section. So none of the
// file's own sizes, tags or chunks ever reach the library.
type segment struct {
	header [canonicalBytes]byte
	data   io.SectionReader
	pos    int64
}

// openSegment returns the library's chunk reader over the bytes bytes of sound
// at offset, a whole number of frames.
func openSegment(r io.ReaderAt, info Info, offset, bytes int64) (*riff.Chunk, error) {
	s := &segment{header: canonicalHeader(info, uint32(bytes)), data: *io.NewSectionReader(r, offset, bytes)}
	d := wav.NewDecoder(s)
	if err := d.FwdToPCM(); err != nil {
		return nil, fmt.Errorf("open sound: %w", err)
	}
	// FwdToPCM returns nil on some headers it could not read.
	if err := d.Err(); err != nil {
		return nil, fmt.Errorf("open sound: %w", err)
	}
	if d.PCMChunk == nil {
		return nil, errors.New("open sound: no data chunk")
	}
	return d.PCMChunk, nil
}

// canonicalHeader is the 44-byte header of a plain PCM WAV. The tag is always
// PCM: samples are converted here, not by the library, which only carries bytes.
func canonicalHeader(info Info, dataBytes uint32) (h [canonicalBytes]byte) {
	le := binary.LittleEndian
	copy(h[0:], "RIFF")
	le.PutUint32(h[4:], dataBytes+canonicalBytes-chunkHeadBytes)
	copy(h[8:], "WAVEfmt ")
	le.PutUint32(h[16:], minFmtBytes)
	le.PutUint16(h[20:], tagPCM)
	le.PutUint16(h[22:], uint16(info.Channels))
	le.PutUint32(h[24:], uint32(info.SampleRateHz))
	le.PutUint32(h[28:], uint32(info.SampleRateHz*info.BlockBytes))
	le.PutUint16(h[32:], uint16(info.BlockBytes))
	le.PutUint16(h[34:], uint16(info.ContainerBits))
	copy(h[36:], "data")
	le.PutUint32(h[40:], dataBytes)
	return h
}

// Read implements io.Reader over header and section.
func (s *segment) Read(p []byte) (int, error) {
	var n int
	var err error
	if s.pos < canonicalBytes {
		n = copy(p, s.header[s.pos:])
	} else {
		n, err = s.data.ReadAt(p, s.pos-canonicalBytes)
		if n > 0 {
			err = nil
		}
	}
	s.pos += int64(n)
	return n, err
}

// Seek implements io.Seeker, which the library asks for.
func (s *segment) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += s.pos
	case io.SeekEnd:
		offset += canonicalBytes + s.data.Size()
	}
	if offset < 0 {
		return 0, errors.New("seek before the start")
	}
	s.pos = offset
	return offset, nil
}
