package wav

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// sparseTake makes a file of the head, a hole, and a last 32-bit float stereo
// frame of 0.25, -0.5, its sound dataBytes long.
func sparseTake(t *testing.T, head []byte, dataBytes int64) (*os.File, int64) {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "long.wav"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	last := binary.LittleEndian.AppendUint32(nil, math.Float32bits(0.25))
	last = binary.LittleEndian.AppendUint32(last, math.Float32bits(-0.5))
	size := int64(len(head)) + dataBytes
	if _, err := f.WriteAt(head, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt(last, size-8); err != nil {
		t.Skipf("this file system cannot hold a sparse file of %d bytes: %v", size, err)
	}
	return f, size
}

// Two hours of 96 kHz stereo float, 5.5 GB as RF64, are read to the very last
// frame. Behind a plain header, whose length wrapped around at 4 GiB or was
// never written, the same take is found to be as long.
func TestLongTakeToItsLastFrame(t *testing.T) {
	if testing.Short() {
		t.Skip("reads 5.5 GB of holes")
	}
	if runtime.GOOS == "windows" {
		t.Skip("a file with a hole takes its full size on disk here")
	}
	const frames = 2 * 3600 * 96000
	const dataBytes = frames * 8
	float := fmtPart(3, 2, 96000, 8, 32)
	heads := map[string][]byte{
		"RF64":    riffOf("RF64", ds64Part(72+dataBytes, dataBytes), float, lying("data", 0xFFFFFFFF, nil)),
		"wrapped": riffOf("RIFF", float, lying("data", dataBytes%(1<<32), nil)),
		"size 0":  riffOf("RIFF", float, lying("data", 0, nil)),
	}
	for name, head := range heads {
		t.Run(name, func(t *testing.T) {
			f, size := sparseTake(t, head, dataBytes)
			info, err := Walk(f, size)
			if err != nil {
				t.Fatal(err)
			}
			if info.Frames != frames || info.MissingBytes() != 0 || info.DurationS() != 7200 {
				t.Fatalf("%d frames, %v s, %d missing", info.Frames, info.DurationS(), info.MissingBytes())
			}
			r, err := NewReader(f, info)
			if err != nil {
				t.Fatal(err)
			}
			if name != "RF64" { // behind the header all three are the same
				return
			}
			dst := [][]float32{make([]float32, 1<<16), make([]float32, 1<<16)}
			var total int64
			var lastLeft, lastRight, sum float32
			for {
				n, err := r.Read(dst)
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("after %d frames: %v", total, err)
				}
				for i := range n {
					sum += dst[0][i]
				}
				total += int64(n)
				lastLeft, lastRight = dst[0][n-1], dst[1][n-1]
			}
			if total != frames || lastLeft != 0.25 || lastRight != -0.5 || sum != 0.25 {
				t.Errorf("%d frames, the last %v, %v; sum %v; want %d, 0.25, -0.5; 0.25", total, lastLeft, lastRight, sum, frames)
			}
		})
	}
}
