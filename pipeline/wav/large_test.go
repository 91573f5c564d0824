package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Two hours of 96 kHz stereo in 32-bit float: 5.5 GB.
const (
	longFrames    = 2 * 3600 * 96000
	longDataBytes = longFrames * 8
)

func longFormat() part { return fmtPart(3, 2, 96000, 8, 32) }

// hole is a file of a head and nothing but zeros after it.
type hole struct {
	head []byte
	size int64
}

func (h hole) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > h.size {
		return 0, io.EOF
	}
	clear(p)
	if off < int64(len(h.head)) {
		copy(p, h.head[off:])
	}
	return len(p), nil
}

// Behind a plain header, whose 32-bit length wrapped around at 4 GiB or was
// never written, a take that long is found to its end.
func TestLongTakeBehindPlainHeader(t *testing.T) {
	for name, length := range map[string]uint32{"wrapped": longDataBytes % (1 << 32), "size 0": 0, "size FFFFFFFF": 0xFFFFFFFF} {
		t.Run(name, func(t *testing.T) {
			head := riffOf("RIFF", longFormat(), lying("data", length, nil))
			size := int64(len(head)) + longDataBytes
			info, err := Walk(hole{head, size}, size)
			if err != nil {
				t.Fatal(err)
			}
			if info.Frames != longFrames || info.MissingBytes() != 0 || info.DurationS() != 7200 {
				t.Errorf("%d frames, %v s, %d missing", info.Frames, info.DurationS(), info.MissingBytes())
			}
		})
	}
}

// As RF64 the same take, a sparse file, is read to its very last frame.
func TestLongTakeToItsLastFrame(t *testing.T) {
	if testing.Short() {
		t.Skip("reads 5.5 GB of holes")
	}
	if runtime.GOOS == "windows" {
		t.Skip("a file with a hole takes its full size on disk here")
	}
	f, err := os.Create(filepath.Join(t.TempDir(), "long.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	head := riffOf("RF64", ds64Part(72+longDataBytes, longDataBytes), longFormat(), lying("data", 0xFFFFFFFF, nil))
	size := int64(len(head)) + longDataBytes
	last := binary.LittleEndian.AppendUint32(nil, math.Float32bits(0.25))
	last = binary.LittleEndian.AppendUint32(last, math.Float32bits(-0.5))
	if _, err := io.Copy(f, bytes.NewReader(head)); err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(last, size-8); err != nil {
		t.Skipf("this file system cannot hold a sparse file of %d bytes: %v", size, err)
	}

	info, err := Walk(f, size)
	if err != nil {
		t.Fatal(err)
	}
	if info.Frames != longFrames || info.MissingBytes() != 0 || len(info.Notes) != 0 {
		t.Fatalf("%d frames, %d missing, %q", info.Frames, info.MissingBytes(), info.Notes)
	}
	r, err := NewReader(f, info)
	if err != nil {
		t.Fatal(err)
	}
	dst := [][]float32{make([]float32, 1<<16), make([]float32, 1<<16)}
	var frames int64
	var left, right, sum float32
	for {
		n, err := r.Read(dst)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("after %d frames: %v", frames, err)
		}
		for i := range n {
			sum += dst[0][i]
		}
		frames += int64(n)
		left, right = dst[0][n-1], dst[1][n-1]
	}
	if frames != longFrames || left != 0.25 || right != -0.5 || sum != 0.25 {
		t.Errorf("%d frames, the last %v, %v, sum %v; want %d, 0.25, -0.5, 0.25", frames, left, right, sum, int64(longFrames))
	}
}
