package layer3

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
)

// sheets are all kinds of frames there are of a rate and a number of channels:
// each channel mode and block type. Mixed blocks at 8 kHz are left out: their bands
// are not defined.
func sheets(version, rate, channels int) (all []sheet) {
	modes := []sheet{{name: "mono", mode: 3}}
	if channels == 2 {
		modes = []sheet{
			{name: "stereo"}, {name: "dual", mode: 2}, {name: "joint, neither", mode: 1}, {name: "mid/side", mode: 1, extension: 2},
			{name: "intensity", mode: 1, extension: 1}, {name: "both", mode: 1, extension: 3},
		}
	}
	for _, s := range modes {
		mode := s.name
		s.version, s.rate = version, rate
		s.crc = rate == 1
		for _, b := range []struct {
			name   string
			blocks []blockType
		}{
			{"long", []blockType{long}},
			{"short", []blockType{start, short, short, short, short, short, short, short, short, stop}},
			{"switching", []blockType{long, long, start, short, short, stop, start, short, stop, long}},
			{"mixed", []blockType{long, start, short, short, stop}},
		} {
			s.name, s.blocks, s.mixed = mode+", "+b.name, b.blocks, b.name == "mixed"
			if s.mixed && version == 0 && rate == 2 {
				continue
			}
			all = append(all, s)
		}
	}
	return all
}

func decodeAll(t *testing.T, frames [][]byte, channels int) (out []float32) {
	t.Helper()
	var d Decoder
	dst := [][]float32{make([]float32, SamplesPerFrame), make([]float32, SamplesPerFrame)}
	for i, frame := range frames {
		n, err := d.Frame(dst, frame)
		if err != nil {
			t.Fatalf("frame %d: %v", i, err)
		}
		for j := range n {
			for ch := range channels {
				out = append(out, dst[ch][j])
			}
		}
	}
	return out
}

// TestKindsAgainstOthers holds frames of random but legal content, of every kind
// there is, against two decoders nobody here wrote. Where those two differ from each
// other, ours is with one of them:
//   - at 24 kHz ffmpeg lets the 18th long band end at line 330; ISO/IEC 13818-3,
//     Table B.2 has 332, and so have we and mpg123;
//   - mixed blocks are read otherwise by mpg123 in MPEG-2.5 (another first region)
//     and in MPEG-2 with intensity; ours is as ffmpeg's.
func TestKindsAgainstOthers(t *testing.T) {
	for _, other := range []struct {
		name     string
		args     []string // before the path and after it
		trailing []string
		differs  func(s sheet) bool
	}{
		{
			"mpg123", []string{"-q", "--no-gapless", "-e", "f32", "-s"}, nil,
			func(s sheet) bool {
				return s.mixed && (s.version == 0 || s.version == 2 && s.extension&1 == 1)
			},
		},
		{
			"ffmpeg", []string{"-v", "error", "-i"}, []string{"-f", "f32le", "-"},
			func(s sheet) bool { return s.version == 2 && s.rate == 1 },
		},
	} {
		t.Run(other.name, func(t *testing.T) {
			if _, err := exec.LookPath(other.name); err != nil {
				t.Skipf("%s is not installed: its check is left out", other.name)
			}
			for kind := range 18 {
				version, rate, channels := [3]int{3, 2, 0}[kind/6], kind/2%3, 1+kind%2
				all := slices.DeleteFunc(sheets(version, rate, channels), other.differs)
				if len(all) == 0 {
					continue
				}
				compareKinds(t, all, channels, func(path string) *exec.Cmd {
					return exec.Command(other.name, slices.Concat(other.args, []string{path}, other.trailing)...)
				})
			}
		})
	}
}

func compareKinds(t *testing.T, all []sheet, channels int, command func(path string) *exec.Cmd) {
	t.Helper()
	const each = 20 // frames
	var frames [][]byte
	for i, s := range all {
		frames = append(frames, s.made(each, uint64(i))...)
	}
	path := filepath.Join(t.TempDir(), "made.mp3")
	if err := os.WriteFile(path, bytes.Join(frames, nil), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := command(path).Output()
	if err != nil {
		t.Fatal(err)
	}
	ours := decodeAll(t, frames, channels)
	k, _ := parseHeader(frames[0])
	hz := [9]int{44100, 48000, 32000, 22050, 24000, 16000, 11025, 12000, 8000}[k.rate]
	if len(raw) != 4*len(ours) {
		t.Fatalf("%d Hz, %d channels: %d samples, theirs are %d", hz, channels, len(ours), len(raw)/4)
	}
	part := len(ours) / len(all)
	for i, s := range all {
		var far, sum, peak float64
		for j := i * part; j < (i+1)*part; j++ {
			theirs := float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*j:])))
			diff := math.Abs(float64(ours[j]) - theirs)
			far, sum, peak = max(far, diff), sum+diff*diff, max(peak, math.Abs(theirs))
		}
		rms := math.Sqrt(sum / float64(part))
		if peak < 0.05 {
			t.Errorf("%d Hz, %s: made too soft (%.2g) to tell anything", hz, s.name, peak)
		}
		if rms > 1e-6*peak || far > 1e-5*peak {
			t.Errorf("%d Hz, %s: RMS difference %.2g, at most %.2g, of a peak of %.2g", hz, s.name, rms, far, peak)
		}
	}
}
