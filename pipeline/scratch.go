package pipeline

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"math"
	"os"
)

// scratch is a file of mono float32 samples at 44.1 kHz in the job's folder,
// 635 MB an hour. It is how a step can look at a recording twice without
// holding it in memory.
type scratch struct {
	file    *os.File
	samples int64
	buf     []byte
}

const sampleBytes = 4

// createScratch makes an empty scratch file at path, written through the
// returned function and finished by seal.
func createScratch(path string) (*scratchWriter, error) {
	f, err := createTemporary(path)
	if err != nil {
		return nil, err
	}
	return &scratchWriter{file: f, w: bufio.NewWriterSize(f, 1<<18)}, nil
}

// createTemporary makes a file that discard takes away again.
func createTemporary(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return nil, fmt.Errorf("create scratch file: %w", err)
	}
	return f, nil
}

// scratchWriter fills a scratch file from front to back.
type scratchWriter struct {
	file    *os.File
	w       *bufio.Writer
	samples int64
}

func (s *scratchWriter) write(block []float32) error {
	room := s.w.AvailableBuffer()
	for _, x := range block {
		room = binary.LittleEndian.AppendUint32(room, math.Float32bits(x))
	}
	s.samples += int64(len(block))
	if _, err := s.w.Write(room); err != nil {
		return fmt.Errorf("write scratch file: %w", err)
	}
	return nil
}

// seal flushes what was written and returns the file for reading.
func (s *scratchWriter) seal() (*scratch, error) {
	if err := s.w.Flush(); err != nil {
		return nil, fmt.Errorf("write scratch file: %w", err)
	}
	return &scratch{file: s.file, samples: s.samples}, nil
}

// discard closes and removes the file.
func (s *scratchWriter) discard() { discard(s.file) }

// read fills dst with the samples from number `from` on. Samples before the
// start and behind the end are 0.
func (s *scratch) read(dst []float32, from int64) error {
	for len(dst) > 0 && from < 0 {
		dst[0] = 0
		dst, from = dst[1:], from+1
	}
	n := max(0, min(int64(len(dst)), s.samples-from))
	clear(dst[n:])
	if n == 0 {
		return nil
	}
	if int64(len(s.buf)) < n*sampleBytes {
		s.buf = make([]byte, n*sampleBytes)
	}
	buf := s.buf[:n*sampleBytes]
	if got, err := s.file.ReadAt(buf, from*sampleBytes); got < len(buf) {
		return fmt.Errorf("read scratch file: %w", err)
	}
	for i := range dst[:n] {
		dst[i] = math.Float32frombits(binary.LittleEndian.Uint32(buf[i*sampleBytes:]))
	}
	return nil
}

// discard closes and removes the file.
func (s *scratch) discard() { discard(s.file) }

// discard closes and removes a file. One that cannot be removed lies in the job's own
// folder, which is removed as a whole.
func discard(f *os.File) {
	f.Close()
	os.Remove(f.Name())
}
