package pipeline

import (
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var testTime = time.Date(2031, 5, 4, 10, 30, 0, 0, time.UTC)

// outside runs an independent tool and returns what it prints; where it is not
// installed the test is skipped.
func outside(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not installed: its check is left out", name)
	}
	cmd := exec.Command(name, args...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v %s", name, args, err, complaints.String())
	}
	return out
}

func floats(b []byte) []float32 {
	x := make([]float32, len(b)/4)
	for i := range x {
		x[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return x
}

// ffmpegDecoded returns the n samples that ffmpeg plays. It leaves delay and
// padding in, because the Info frame names no encoder it knows, so they are cut
// here: 528 samples of the encoder and 529 of any decoder.
func ffmpegDecoded(t *testing.T, path string, n int) []float32 {
	t.Helper()
	const delay = 528 + 529
	x := floats(outside(t, "ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-c:a", "pcm_f32le", "-"))
	if len(x) < delay+n {
		t.Fatalf("ffmpeg plays %d samples, want %d after a delay of %d", len(x), n, delay)
	}
	return x[delay : delay+n]
}

func mpg123Decoded(t *testing.T, path string) []float32 {
	t.Helper()
	return floats(outside(t, "mpg123", "-q", "-e", "f32", "-s", path))
}

// outsideIn is outside with samples in a file of plain float32, which stands for the first "-" of args.
func outsideIn(t *testing.T, x []float32, name string, args ...string) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "in.f32")
	b := make([]byte, 0, 4*len(x))
	for _, v := range x {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "-" && i+1 < len(args) {
			args[i] = path
			break
		}
	}
	return outside(t, name, args...)
}
