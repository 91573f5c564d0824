package encode

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// outside runs an independent tool and returns what it prints.
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

// maxSteps is how far apart two float decoders may lie, in steps of 16 bits: 5e-6
// of full scale, a twelfth of what ISO/IEC 11172-4 asks of full accuracy. Measured:
// 1.3e-6 from mpg123, 2.7e-6 from ffmpeg.
const maxSteps = 5e-6 * 32768

// farthest is the largest difference of two signals in steps of 16 bits.
func farthest(a, b []float32) float64 {
	var far float64
	for i := range a {
		far = max(far, math.Abs(float64(a[i])-float64(b[i])))
	}
	return far * 32768
}

var toolLengths = []int{1, 95, 1152, 44100, 100_003}

func TestAgainstMpg123(t *testing.T) {
	for _, n := range toolLengths {
		x := limitedSpeech(n, 0.7)
		path, _ := written(t, x, Options{BitrateKbps: 192, Tags: Tags{Title: "The Ferry"}})
		theirs := floats(outside(t, "mpg123", "-q", "-e", "f32", "-s", path))
		ours := decoded(t, path)[0]
		if len(theirs) != n || len(ours) != n {
			t.Errorf("%d samples: mpg123 plays %d, we %d", n, len(theirs), len(ours))
		} else if far := farthest(ours, theirs); far > maxSteps {
			t.Errorf("%d samples: %.3f steps of 16 bits from mpg123, want %g at most", n, far, maxSteps)
		}
	}
}

// ffmpeg trims by delay and padding only if the encoder field holds one of three
// other names, so it plays our files with the codec's delay in front. All frames
// must be there, and in step.
func TestAgainstFFmpeg(t *testing.T) {
	for _, n := range toolLengths {
		x := limitedSpeech(n, 0.7)
		path, w := written(t, x, Options{BitrateKbps: 192, Tags: Tags{Title: "The Ferry"}})
		theirs := floats(outside(t, "ffmpeg", "-v", "error", "-i", path, "-f", "f32le", "-"))
		if int64(len(theirs)) != w.Frames*1152 {
			t.Errorf("%d samples: ffmpeg plays %d, want %d", n, len(theirs), w.Frames*1152)
		} else if far := farthest(decoded(t, path)[0], theirs[codecDelay:]); far > maxSteps {
			t.Errorf("%d samples: %.3f steps of 16 bits from ffmpeg, want %g at most", n, far, maxSteps)
		}
	}
}

func TestAgainstMp3val(t *testing.T) {
	// of fewer frames it says that they are too few to tell
	for _, n := range []int{13_000, 44100, 100_003} {
		path, w := written(t, limitedSpeech(n, 0.7), Options{BitrateKbps: 192, Tags: Tags{Title: "The Ferry"}})
		out := string(outside(t, "mp3val", path))
		want := fmt.Sprintf("%d MPEG frames (MPEG 1 Layer III), +ID3v2, CBR", w.Frames+1)
		if strings.Contains(out, "WARNING") || strings.Contains(out, "ERROR") || !strings.Contains(out, want) {
			t.Errorf("%d samples: mp3val says %s; want %q and nothing else", n, out, want)
		}
	}
}

func TestWalkOtherEncoders(t *testing.T) {
	dir := t.TempDir()
	wav := filepath.Join(dir, "in.wav")
	outside(t, "ffmpeg", "-v", "error", "-f", "lavfi", "-i", "sine=440:d=2.5", "-filter:a", "volume=4dB", "-ac", "1", "-ar", "44100", wav)
	for _, args := range []string{
		"lame -b 192", "lame -b 128 -p", "lame -V2", "lame -V5 -m s", "lame --abr 100", "lame -t -b 192",
		"lame -b 192 --tt Ferry --id3v1-only", "lame -b 64 --resample 22.05", "lame -b 48 --resample 16",
		"lame -b 320 --resample 48", "lame -b 24 --resample 11.025", "lame -b 16 --resample 8",
		"ffmpeg -b:a 192k", "ffmpeg -b:a 192k -write_xing 0", "ffmpeg -b:a 64k -ar 24000 -ac 2",
		"ffmpeg -q:a 3 -id3v2_version 4 -metadata title=Fähre", "ffmpeg -b:a 128k -write_id3v1 1 -write_apetag 1",
	} {
		words := strings.Fields(args)
		path := filepath.Join(dir, "out.mp3")
		if words[0] == "lame" {
			outside(t, "lame", append(append([]string{"--quiet"}, words[1:]...), wav, path)...)
		} else {
			outside(t, "ffmpeg", append(append([]string{"-v", "error", "-y", "-i", wav, "-c:a", "libmp3lame"}, words[1:]...), path)...)
		}
		probe := outside(t, "ffprobe", "-v", "error", "-count_packets", "-show_entries", "stream=sample_rate,channels,nb_read_packets", "-of", "csv=p=0", path)
		s, _ := walked(t, path)
		ours := fmt.Sprintf("%d,%d,%d", s.SampleRateHz, s.Channels, s.Frames)
		if theirs := strings.Trim(string(probe), ",\n"); ours != theirs || s.StrayBytes != 0 || s.DamageCount != 0 {
			t.Errorf("%s: ours %s, ffprobe %s; %d stray bytes, %v", args, ours, theirs, s.StrayBytes, s.Damage)
		}
		theirs := floats(outside(t, "mpg123", "-q", "-e", "f32", "-s", path))
		y := decoded(t, path)
		if n := len(y[0]); n != len(theirs)/s.Channels || int64(n) != s.Samples {
			t.Errorf("%s: %d samples, Walk says %d, mpg123 %d", args, n, s.Samples, len(theirs)/s.Channels)
		} else {
			mix := make([]float32, 0, len(theirs))
			for i := range n {
				for ch := range y {
					mix = append(mix, y[ch][i])
				}
			}
			if far := farthest(mix, theirs); far > maxSteps {
				t.Errorf("%s: %.3f steps of 16 bits from mpg123", args, far)
			}
		}
	}
}

// A stream of the free format, whose bit rate is in no header. ffmpeg reads none.
func TestFreeFormat(t *testing.T) {
	dir := t.TempDir()
	wav, path := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.mp3")
	outside(t, "ffmpeg", "-v", "error", "-f", "lavfi", "-i", "sine=440:d=2.5", "-filter:a", "volume=4dB", "-ac", "1", "-ar", "44100", wav)
	for _, kbps := range []string{"400", "600", "100", "39"} {
		outside(t, "lame", "--quiet", "--freeformat", "-b", kbps, "-m", "m", wav, path)
		theirs := floats(outside(t, "mpg123", "-q", "-e", "f32", "-s", path))
		s, _ := walked(t, path)
		y := decoded(t, path)[0]
		if told := fmt.Sprintf("%.0f", s.BitrateKbps); told != kbps || !s.Constant || s.DamageCount != 0 || len(y) != len(theirs) || len(y) < 60_000 {
			t.Errorf("%s kbit/s: read as %s, constant %v, %v; %d samples, mpg123 %d", kbps, told, s.Constant, s.Damage, len(y), len(theirs))
		} else if far := farthest(y, theirs); far > maxSteps {
			t.Errorf("%s kbit/s: %.3f steps of 16 bits from mpg123", kbps, far)
		}
	}
}

// Real readings, if the tester has some.
func TestReadings(t *testing.T) {
	dir := os.Getenv("LECTERN_RECORDINGS")
	if dir == "" {
		t.Skip("LECTERN_RECORDINGS is not set: real readings are left out")
	}
	files, err := filepath.Glob(filepath.Join(dir, "narration", "*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no readings in %s: %v", dir, err)
	}
	for _, path := range files {
		x := floats(outside(t, "ffmpeg", "-v", "error", "-t", "8", "-i", path, "-f", "f32le", "-ac", "1", "-ar", "44100", "-"))
		var peak float32
		for _, v := range x {
			peak = max(peak, v, -v)
		}
		x = scaled(x, 0.7055/peak) // -3.03 dBFS
		out, w := written(t, x, at192)
		p, err := Prove(t.Context(), out, w, at192, sourceOf(x), nil)
		if err != nil {
			t.Errorf("%s: %v", filepath.Base(path), err)
		}
		// our choice: the lowest measured was 51 dB
		if p.SNRDB < 45 || math.Abs(p.PeakMoveDB) > 0.05 || math.Abs(p.GainDB) > 0.01 {
			t.Errorf("%s: SNR %.1f dB, peak moved by %.3f dB, gain %.4f dB", filepath.Base(path), p.SNRDB, p.PeakMoveDB, p.GainDB)
		}
		t.Logf("%-34s SNR %.1f dB, worst frame %.1f dB, off by %.2f, peak moved by %+.4f dB, gain %+.4f dB", filepath.Base(path), p.SNRDB, p.WorstDB, p.OffPart, p.PeakMoveDB, p.GainDB)
		os.Remove(out)
	}
}
