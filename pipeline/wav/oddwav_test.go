package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// refusedByName are the recordings of kinds that are not read.
var refusedByName = map[string]string{
	"mm_alaw.wav":                             "A-law",
	"mm_mulaw.wav":                            "mu-law",
	"scipy_8000Hz-le-1ch-1byte-ulaw.wav":      "mu-law",
	"mm_mpeglayer3.wav":                       "MP3 in WAV",
	"wavefile_RIFX-16bit-mono.wav":            "RIFX",
	"scipy_44100Hz-2ch-32bit-float-be.wav":    "RIFX",
	"scipy_8000Hz-le-3ch-5S-24bit.wav":        "channels",
	"scipy_8000Hz-le-1ch-10S-20bit-extra.wav": "sample rate", // 1,234 Hz, whatever its name says
}

// Whatever ffmpeg and SoX both read as PCM or float in one or two channels is
// read, with as many frames and the same samples: each at most one float32
// rounding from theirs, 2^-24 below full scale. The rest is refused in words.
func TestOddRecordings(t *testing.T) {
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		t.Skip("LECTERN_RECORDINGS is not set")
	}
	for _, tool := range []string{"ffmpeg", "ffprobe", "sox"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed", tool)
		}
	}
	names, err := filepath.Glob(filepath.Join(root, "oddwav", "*.wav"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no recordings in oddwav: %v", err)
	}
	compared, refused := 0, 0
	for _, path := range names {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			file, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			info, err := Walk(bytes.NewReader(file), int64(len(file)))
			if kind, ok := refusedByName[name]; ok {
				var u *UnsupportedError
				if !errors.As(err, &u) || u.Kind != kind {
					t.Fatalf("Walk: %v, want it refused as %s", err, kind)
				}
				refused++
				t.Log(u.Says)
				return
			}
			if !readByBoth(path) {
				switch {
				case err == nil:
					_, got := readAll(t, file)
					t.Logf("read here alone: %s, %d frames, missing %d, %q", info.Format(), len(got[0]), info.MissingBytes(), info.Notes)
				case worded(err):
					t.Log(err)
				default:
					t.Errorf("Walk: %v, want a sentence", err)
				}
				return
			}
			if err != nil {
				t.Fatalf("Walk: %v, though ffmpeg and SoX both read it", err)
			}
			_, got := readAll(t, file)
			for tool, want := range map[string][]float32{"ffmpeg": ffmpegSamples(path), "sox": soxSamples(path)} {
				sameAs(t, tool, got, want)
			}
			compared++
			t.Logf("%s, %d frames, missing %d, %q", info.Format(), info.Frames, info.MissingBytes(), info.Notes)
		})
	}
	t.Logf("%d compared with both tools, %d refused by name, of %d", compared, refused, len(names))
	if refused != len(refusedByName) || compared == 0 {
		t.Errorf("refused %d by name, want %d; compared %d", refused, len(refusedByName), compared)
	}
}

// readByBoth reports whether both tools give samples for a plain PCM or float
// file in one or two channels.
func readByBoth(path string) bool {
	out, err := exec.Command("ffprobe", "-v", "error", "-select_streams", "a:0",
		"-show_entries", "stream=codec_name,channels", "-of", "csv=p=0", path).Output()
	codec, channels, ok := strings.Cut(strings.TrimSpace(string(out)), ",")
	if err != nil || !ok || !strings.HasPrefix(codec, "pcm_") || strings.HasSuffix(codec, "law") {
		return false
	}
	n, err := strconv.Atoi(channels)
	return err == nil && n <= 2 && len(ffmpegSamples(path)) > 0 && len(soxSamples(path)) > 0
}

// ffmpegSamples and soxSamples are a file's interleaved samples as 32-bit
// float; a tool that gives up half way has still read what it printed.
func ffmpegSamples(path string) []float32 {
	out, _ := exec.Command("ffmpeg", "-v", "quiet", "-i", path, "-f", "f32le", "-").Output()
	return floats(out)
}

func soxSamples(path string) []float32 {
	out, _ := exec.Command("sox", "-V1", path, "-t", "raw", "-e", "float", "-b", "32", "-L", "-").Output()
	return floats(out)
}

func floats(b []byte) []float32 {
	s := make([]float32, len(b)/4)
	for i := range s {
		s[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return s
}

func sameAs(t *testing.T, tool string, got [][]float32, interleaved []float32) {
	t.Helper()
	if len(interleaved) != len(got)*len(got[0]) {
		t.Fatalf("%d frames, %s reads %d", len(got[0]), tool, len(interleaved)/len(got))
	}
	for i, want := range interleaved {
		mine := got[i%len(got)][i/len(got)]
		if math.Abs(float64(mine)-float64(want)) > 1.0/(1<<24) {
			t.Fatalf("sample %d is %v, %s reads %v", i, mine, tool, want)
		}
	}
}
