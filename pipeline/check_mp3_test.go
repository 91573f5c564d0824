package pipeline

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/report"
)

// An mp3Case is an MP3 made with one of three programs, and what is done to it.
type mp3Case struct {
	made string // program, source and settings
	harm func(b []byte) []byte
	says string // what harm does
	// mpg123 is set, to the reason, where ffmpeg itself is no measure for the levels
	// and the duration.
	mpg123 string
	// frames is set, to the reason, where ffprobe counts others than the frames of
	// sound that are there, by extra.
	frames string
	extra  int64
	// lost is how many frames ffmpeg does not play: the one before a gap or a tag,
	// which it takes together with what follows, and one it cannot decode, where we
	// give silence. (mpg123 plays nothing after a gap.)
	lost   int
	damage bool // it must be told
}

func mp3Cases() []mp3Case {
	var all []mp3Case
	for _, m := range []string{
		"lame speech -b 192 -m m", "lame speech -b 128 -m m", "lame speech -b 320 -m m", "lame speech -b 32 -m m", "lame speech -V2", "lame speech -V9",
		"lame speech --abr 110", "lame speech -b 192 -t", "lame speech -V4 -t", "lame speech -b 160 -p", "lame pair -b 128 -m s", "lame pair -b 192 -m j",
		"lame pair -b 128 -m d", "lame pair -b 320 -m f", "lame pair -V0", "lame pair -V6 -m j -p", "lame noise -b 256 -m j", "lame noise -V1 -m s",
		"lame pair -b 160 --resample 48", "lame pair -b 112 --resample 32", "lame speech -b 64 --resample 22.05", "lame pair -b 80 --resample 24 -m j",
		"lame speech -b 48 --resample 16", "lame pair -b 40 --resample 11.025 -m j", "lame speech -b 32 --resample 12", "lame speech -b 16 --resample 8",
		"lame speech -V5 --resample 22.05", "lame speech -b 192 --tt Ferry --id3v1-only", "lame speech -b 192 --tt Ferry --id3v2-only --pad-id3v2-size 3000",
		"lame speech -b 192 --tt Ferry --add-id3v2 --id3v2-utf16",
		"ffmpeg speech -b:a 192k", "ffmpeg pair -b:a 224k", "ffmpeg pair -q:a 4 -joint_stereo 0", "ffmpeg speech -b:a 96k -write_xing 0",
		"ffmpeg pair -b:a 64k -ar 24000", "ffmpeg speech -abr 1 -b:a 80k", "ffmpeg pair -b:a 128k -id3v2_version 4 -metadata title=Fähre",
		"ffmpeg pair -b:a 128k -id3v2_version 3 -write_id3v1 1 -metadata title=Ferry -write_apetag 1",
		"sox speech -C 128", "sox pair -C 192.2", "sox noise -C -2",
	} {
		all = append(all, mp3Case{made: m})
	}
	frame := func(b []byte, part float64) int { return int(part * float64(len(b))) }
	harmed := func(m, says string, harm func(b []byte) []byte) *mp3Case {
		all = append(all, mp3Case{made: m, says: says, harm: harm, damage: true})
		return &all[len(all)-1]
	}
	const cbr = "lame speech -b 192 -m m"
	const (
		strayFrame = "ffprobe takes the stray bytes for a frame"
		partFrame  = "ffprobe counts what is left of the last frame"
	)
	c := harmed(cbr, "3000 bytes of text after it", func(b []byte) []byte { return append(b, bytes.Repeat([]byte("not a sound "), 250)...) })
	c.extra, c.frames = 1, strayFrame
	c = harmed(cbr, "777 bytes of text in front", func(b []byte) []byte { return append(bytes.Repeat([]byte("preface"), 111), b...) })
	c.extra, c.frames, c.mpg123 = 1, "ffprobe does not know the Info frame behind them", "ffmpeg plays the Info frame"
	c = harmed(cbr, "cut at 60 %", func(b []byte) []byte { return b[:frame(b, 0.6)] })
	c.extra, c.frames, c.mpg123 = 1, partFrame, "ffmpeg plays what is left of the last frame"
	c = harmed("lame pair -V2", "cut at 30 %", func(b []byte) []byte { return b[:frame(b, 0.3)] })
	c.extra, c.frames, c.mpg123 = 1, partFrame, "ffmpeg plays what is left of the last frame"
	harmed(cbr, "5000 zeros in the middle", func(b []byte) []byte { clear(b[frame(b, 0.5):][:5000]); return b }).lost = 1
	harmed("lame pair -V2 -m j", "2000 zeros in the middle", func(b []byte) []byte { clear(b[frame(b, 0.5):][:2000]); return b }).lost = 1
	harmed(cbr, "two of it joined", func(b []byte) []byte { return append(b, b...) })
	harmed("ffmpeg pair -b:a 128k -id3v2_version 4 -metadata title=Ferry", "two of it joined", func(b []byte) []byte { return append(b, b...) }).lost = 1
	harmed(cbr, "its first tenth gone", func(b []byte) []byte { return b[frame(b, 0.1):] })
	harmed("lame pair -b 128 -p", "5 bits of side information turned", func(b []byte) []byte {
		r := rand.New(rand.NewPCG(6, 4))
		n := 0
		for at := 0; at < len(b); at += 417 + int(b[at+2]>>1&1) { // 128 kbit/s at 44.1 kHz
			if n++; n%25 == 0 {
				b[at+6+r.IntN(32)] ^= 1 << r.IntN(8) // behind the header and its checksum
			}
		}
		return b
	}).lost = 1
	return all
}

// TestCheckAgainstFFmpeg holds what check tells of 51 MP3s against ffprobe and
// ffmpeg: rate, constant or variable, sample rate, channels, the frames there are,
// length, peak and RMS. Its table is kept in encode/README.md. Real readings are
// encoded and added where LECTERN_RECORDINGS names their folder.
func TestCheckAgainstFFmpeg(t *testing.T) {
	for _, name := range []string{"ffmpeg", "ffprobe", "lame", "sox", "mpg123"} {
		if _, err := exec.LookPath(name); err != nil {
			t.Skipf("%s is not installed: the check of 50 MP3s is left out", name)
		}
	}
	dir := t.TempDir()
	writeSources(t, dir)
	t.Logf("| file | codec | frames | theirs | s | theirs | peak | theirs | RMS | theirs | damage told |")
	for i, c := range slices.Concat(mp3Cases(), readings(t, dir)) {
		path := filepath.Join(dir, fmt.Sprintf("%02d.mp3", i))
		c.write(t, dir, path)
		c.compare(t, path)
	}
}

// writeSources writes the WAVs: a voice, two voices side by side, and noise.
func writeSources(t *testing.T, dir string) {
	t.Helper()
	voice := func(seed uint64) []float32 {
		tape := made.NewTape(seed)
		tape.Lively = true
		tape.Pause(0.5)
		for range 2 {
			tape.Phrase(-20, 1.1, made.S, made.F)
			tape.Pause(0.4)
		}
		tape.Room(-62)
		return tape.Float32()
	}
	for name, channels := range map[string][][]float32{
		"speech": {voice(1)},
		"pair":   {voice(2), voice(3)},
		"noise":  {white(130_000, 0.2, 4), white(130_000, 0.1, 5)},
	} {
		if err := os.WriteFile(filepath.Join(dir, name+".wav"), made.WAV16(made.RateHz, channels...), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// readings turns real ones into WAVs and returns what to make of them.
func readings(t *testing.T, dir string) (all []mp3Case) {
	t.Helper()
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		t.Log("LECTERN_RECORDINGS is not set: real readings are left out")
		return nil
	}
	paths, err := filepath.Glob(filepath.Join(root, "narration", "*"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no readings in %s: %v", root, err)
	}
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
		outside(t, "ffmpeg", "-v", "error", "-y", "-t", "20", "-i", path, "-c:a", "pcm_s16le", filepath.Join(dir, name+".wav"))
		all = append(all, mp3Case{made: "lame " + name + " -b 192 -m m"})
	}
	return all
}

func (c mp3Case) name() string {
	if c.says == "" {
		return c.made
	}
	return c.made + ", " + c.says
}

func (c mp3Case) write(t *testing.T, dir, path string) {
	t.Helper()
	words := strings.Fields(c.made)
	in, settings := filepath.Join(dir, words[1]+".wav"), words[2:]
	switch words[0] {
	case "lame":
		outside(t, "lame", slices.Concat([]string{"--quiet"}, settings, []string{in, path})...)
	case "sox":
		outside(t, "sox", slices.Concat([]string{in}, settings, []string{path})...)
	case "ffmpeg":
		outside(t, "ffmpeg", slices.Concat([]string{"-v", "error", "-y", "-i", in, "-c:a", "libmp3lame"}, settings, []string{path})...)
	}
	if c.harm == nil {
		return
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, c.harm(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

// An mp3Figures is what a program says of an MP3.
type mp3Figures struct {
	codec         string
	rateHz, chans int
	frames        int64
	kbps          float64
	constant      bool
	seconds       float64
	frameS        float64
	peakDB, rmsDB float64
}

func (c mp3Case) compare(t *testing.T, path string) {
	t.Helper()
	checked, err := Check(t.Context(), path, config.Default().Delivery)
	if err != nil {
		t.Errorf("%s: %v", c.name(), err)
		return
	}
	f, m := checked.Format, checked.Measured
	theirs := probed(t, path)
	from := "ffmpeg"
	if c.mpg123 != "" {
		t.Logf("%s: length and levels are held against mpg123, since %s", c.name(), c.mpg123)
		from = "mpg123"
		theirs.seconds, theirs.peakDB, theirs.rmsDB = playedByMpg123(t, path, theirs)
	} else {
		theirs.seconds, theirs.peakDB, theirs.rmsDB = playedByFFmpeg(t, path, theirs)
	}
	var told []string
	for _, finding := range checked.Findings {
		if finding.Kind == "damaged" {
			told = append(told, report.Clock(float64(finding.AtS)))
		}
	}
	t.Logf("| %s | %s | %d | %d | %.3f | %.3f | %.2f | %.2f | %.2f | %.2f | %s |", c.name(), f.Says, f.Frames, theirs.frames,
		float64(m.DurationS), theirs.seconds, float64(m.SamplePeakDBFS), theirs.peakDB, float64(m.RMSDBFS), theirs.rmsDB, strings.Join(told, ", "))
	if f.Codec != "MP3" || theirs.codec != "mp3" || f.SampleRateHz != theirs.rateHz || f.Channels != theirs.chans {
		t.Errorf("%s: %s, %d Hz, %d channels; ffprobe says %s, %d Hz, %d", c.name(), f.Codec, f.SampleRateHz, f.Channels, theirs.codec, theirs.rateHz, theirs.chans)
	}
	if f.ConstantRate != theirs.constant || math.Abs(f.BitrateKbps/theirs.kbps-1) > 0.01 {
		t.Errorf("%s: %.1f kbps, constant %v; ffprobe's packets say %.1f, %v", c.name(), f.BitrateKbps, f.ConstantRate, theirs.kbps, theirs.constant)
	}
	if f.Frames+c.extra != theirs.frames {
		t.Errorf("%s: %d frames, ffprobe counts %d (%s)", c.name(), f.Frames, theirs.frames, c.frames)
	}
	theirs.seconds += float64(c.lost) * theirs.frameS
	if math.Abs(float64(m.DurationS)-theirs.seconds) > 0.001 {
		t.Errorf("%s: %.4f s, %s plays %.4f", c.name(), float64(m.DurationS), from, theirs.seconds)
	}
	if math.Abs(float64(m.SamplePeakDBFS)-theirs.peakDB) > 0.1 || math.Abs(float64(m.RMSDBFS)-theirs.rmsDB) > 0.1 {
		t.Errorf("%s: peak %.2f, RMS %.2f; %s has %.2f, %.2f", c.name(), float64(m.SamplePeakDBFS), float64(m.RMSDBFS), from, theirs.peakDB, theirs.rmsDB)
	}
	if c.damage != (len(told) > 0) {
		t.Errorf("%s: damage told at %v", c.name(), told)
	}
}

// probed asks ffprobe for the kind of file and every packet of it.
func probed(t *testing.T, path string) (f mp3Figures) {
	t.Helper()
	out := string(outside(t, "ffprobe", "-v", "error", "-select_streams", "a", "-count_packets", "-show_entries",
		"stream=codec_name,sample_rate,channels,nb_read_packets:packet=size,duration_time", "-of", "compact=nk=0", path))
	value := func(line, key string) string {
		m := regexp.MustCompile(`\b` + key + `=([^|\s]+)`).FindStringSubmatch(line)
		if m == nil {
			t.Fatalf("ffprobe names no %s in %q", key, line)
		}
		return m[1]
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var sizes, durations []float64
	for line := range strings.Lines(out) {
		switch {
		case strings.HasPrefix(line, "packet"):
			sizes = append(sizes, number(value(line, "size")))
			durations = append(durations, number(value(line, "duration_time")))
		case strings.HasPrefix(line, "stream"):
			f.codec = value(line, "codec_name")
			f.rateHz, f.chans = int(number(value(line, "sample_rate"))), int(number(value(line, "channels")))
			f.frames = int64(number(value(line, "nb_read_packets")))
		}
	}
	f.frameS = durations[0]
	// A packet that no frame can be has stray bytes in it, or is the rest of one.
	sizes = slices.DeleteFunc(sizes, func(size float64) bool {
		return !slices.ContainsFunc(kbpsOfMP3, func(kbps float64) bool {
			plain := math.Floor(kbps * 125 * f.frameS * (1 + 1e-9))
			return size == plain || size == plain+1
		})
	})
	var bits float64
	for _, size := range sizes {
		bits += 8 * size
	}
	f.kbps = bits / float64(len(sizes)) / f.frameS / 1000
	f.constant = slices.Max(sizes)-slices.Min(sizes) <= 1 // the padding byte
	return f
}

// kbpsOfMP3 are all bit rates there are (ISO/IEC 11172-3 and 13818-3, §2.4.2.3).
var kbpsOfMP3 = []float64{8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160, 192, 224, 256, 320}

// playedByFFmpeg asks ffmpeg's astats for the length and the levels of what it
// decodes in floating point.
func playedByFFmpeg(t *testing.T, path string, f mp3Figures) (seconds, peakDB, rmsDB float64) {
	t.Helper()
	text, err := exec.Command("ffmpeg", "-hide_banner", "-nostats", "-i", path, "-af", "astats=measure_perchannel=none", "-f", "null", "-").CombinedOutput()
	if err != nil {
		t.Fatalf("ffmpeg: %v\n%s", err, text)
	}
	value := func(key string) float64 {
		m := regexp.MustCompile(regexp.QuoteMeta(key) + `: (\S+)`).FindSubmatch(text)
		if m == nil {
			t.Fatalf("astats has no %s:\n%s", key, text)
		}
		v, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	return value("Number of samples") / float64(f.rateHz), value("Peak level dB"), value("RMS level dB")
}

// playedByMpg123 takes them from what mpg123 decodes.
func playedByMpg123(t *testing.T, path string, f mp3Figures) (seconds, peakDB, rmsDB float64) {
	t.Helper()
	x := mpg123Decoded(t, path)
	return float64(len(x)) / float64(f.chans) / float64(f.rateHz), peakDBFS(x), rmsDBFS(x)
}
