package findings

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
)

// sound is clean speech that faults are planted in.
type sound struct {
	name   string
	rateHz int
	x      []float32
}

// cleanSounds are made speech, synthetic voices where they are installed, and the
// recordings in the folder LECTERN_RECORDINGS, all of 16 bits.
var cleanSounds = sync.OnceValue(func() []sound {
	var out []sound
	for seed := range uint64(2) {
		out = append(out, sound{fmt.Sprintf("made %d", seed), made.RateHz, spoken(seed)})
	}
	for i, v := range narrated.Voices() {
		r, err := narrated.Read(context.Background(), uint64(i), v, 20)
		var absent *narrated.AbsentError
		if errors.As(err, &absent) {
			fmt.Printf("%v: the voice %s is left out\n", absent, v.Name)
			continue
		}
		if err != nil {
			panic(err)
		}
		x := r.In(narrated.Room(uint64(i), r.RateHz, len(r.Words), -62))
		out = append(out, sound{v.Name, r.RateHz, rounded(scaled(x, -3), 0)})
	}
	return append(out, recorded()...)
})

// spoken is 20 s of made speech in a room, its peak at -3 dBFS.
func spoken(seed uint64) []float32 {
	tape := made.NewTape(seed)
	tape.Lively = true
	tape.Pause(1)
	for i := range 8 {
		tape.Phrase(-22, 1.4+0.3*float64(i%4), []made.Consonant{made.S, made.None, made.F}[i%3], made.Consonant(i%3))
		tape.Pause(0.5 + 0.2*float64(i%3))
	}
	tape.Room(-66)
	return rounded(scaled(tape.Float32(), -3), 0)
}

// recorded decodes the readings in LECTERN_RECORDINGS.
func recorded() []sound {
	root := os.Getenv("LECTERN_RECORDINGS")
	if root == "" {
		fmt.Println("LECTERN_RECORDINGS names no folder of recordings: they are left out")
		return nil
	}
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		fmt.Println("ffmpeg is not installed: the recordings are left out")
		return nil
	}
	files, err := filepath.Glob(filepath.Join(root, "narration", "*"))
	if err != nil || len(files) == 0 {
		panic(fmt.Sprintf("no recordings in %s: %v", root, err))
	}
	var out []sound
	joined := sound{name: "LJ joined"}
	for _, f := range files {
		rate, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "stream=sample_rate", "-of", "csv=p=0", f).Output()
		if err != nil {
			panic(err)
		}
		s := sound{name: filepath.Base(f)}
		if _, err := fmt.Sscan(string(rate), &s.rateHz); err != nil {
			panic(err)
		}
		b, err := exec.Command("ffmpeg", "-v", "error", "-i", f, "-ac", "1", "-c:a", "pcm_s16le", "-f", "s16le", "-").Output()
		if err != nil {
			panic(err)
		}
		for ; len(b) > 1; b = b[2:] {
			s.x = append(s.x, float32(int16(binary.LittleEndian.Uint16(b)))/32768)
		}
		if strings.HasPrefix(s.name, "LJ") && len(joined.x) < 20*s.rateHz {
			joined.rateHz, joined.x = s.rateHz, append(joined.x, s.x...)
		} else if !strings.HasPrefix(s.name, "LJ") {
			s.x = s.x[:min(len(s.x), 20*s.rateHz)]
			out = append(out, s)
		}
	}
	return append(out, joined)
}

// rounded draws x in steps of 16 bits, with triangular dither of two steps if
// seed is not 0.
func rounded(x []float32, seed uint64) []float32 {
	rng := rand.New(rand.NewPCG(seed, 3))
	out := make([]float32, len(x))
	for i, v := range x {
		y := float64(v) * 32768
		if seed != 0 {
			y += rng.Float64() - rng.Float64()
		}
		out[i] = float32(max(-32768, min(32767, math.RoundToEven(y)))) / 32768
	}
	return out
}

// scaled brings the peak of x to a level.
func scaled(x []float32, peakDBFS float64) []float32 {
	var peak float32
	for _, v := range x {
		peak = max(peak, abs(v))
	}
	return changed(x, func(v float64) float64 { return v / float64(peak) * math.Pow(10, peakDBFS/20) })
}

func changed(x []float32, f func(float64) float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(f(float64(v)))
	}
	return out
}

// tally prints how many of what was planted were found.
type tally struct {
	kind  string
	rows  []string
	share map[string][2]int
}

func newTally(kind string) *tally { return &tally{kind: kind, share: map[string][2]int{}} }

func (t *tally) note(strength string, found, planted int) {
	if _, ok := t.share[strength]; !ok {
		t.rows = append(t.rows, strength)
	}
	s := t.share[strength]
	t.share[strength] = [2]int{s[0] + found, s[1] + planted}
}

func (t *tally) String() string {
	var b strings.Builder
	b.WriteString("\n| kind | strength | found/planted |\n| --- | --- | --- |\n")
	for _, r := range t.rows {
		fmt.Fprintf(&b, "| %s | %s | %d/%d |\n", t.kind, r, t.share[r][0], t.share[r][1])
	}
	return b.String()
}

// least fails if less than a share of a strength was found, counted in whole
// places: 60 % of two is one. Without synthesizers there are but two clean sounds.
func (t *tally) least(tt *testing.T, strength string, share float64) {
	tt.Helper()
	s, ok := t.share[strength]
	if !ok || s[1] == 0 {
		tt.Errorf("%s, %s: nothing was planted", t.kind, strength)
	} else if s[0] < int(share*float64(s[1])) {
		tt.Errorf("%s, %s: %d of %d found, want %.0f %%", t.kind, strength, s[0], s[1], 100*share)
	}
}

// reaching are the runs of at least n samples for which reach holds.
func reaching(x []float32, n int, reach func(v float32) bool) []made.Span {
	var out []made.Span
	for i := 0; i < len(x); i++ {
		from := i
		for i < len(x) && reach(x[i]) {
			i++
		}
		if i-from >= n {
			out = append(out, made.Span{From: from, To: i})
		}
	}
	return out
}

// places are up to n places spread over x, least samples apart, beside which on both
// sides the next 4 ms lie between two levels in dB against the whole, length apart.
func placesAt(s sound, n, length int, fromDB, toDB float64) []int {
	rms := func(x []float32) float64 {
		var sum float64
		for _, v := range x {
			sum += float64(v) * float64(v)
		}
		return 10 * math.Log10(sum/float64(len(x))+1e-20)
	}
	all, beside := rms(s.x), s.rateHz/250
	rng := rand.New(rand.NewPCG(9, uint64(length)))
	var out []int
	step := len(s.x) / n
	for k := range n {
		for range 60 {
			at := k*step + rng.IntN(max(1, step-length-4*beside))
			if at < beside || at+length+beside > len(s.x) {
				continue
			}
			before, after := rms(s.x[at-beside:at])-all, rms(s.x[at+length:at+length+beside])-all
			if min(before, after) >= fromDB && max(before, after) < toDB {
				out = append(out, at)
				break
			}
		}
	}
	return out
}

// TestSamplesOfClean wants no fault of clean speech. The recordings of kerstin and
// lyra_sample1 are narrow: their sound ends below 8 kHz in files of 48 kHz.
func TestSamplesOfClean(t *testing.T) {
	var seconds float64
	for _, s := range cleanSounds() {
		seconds += float64(len(s.x)) / float64(s.rateHz)
		got := samplesHeard(s.rateHz, 10000, s.x)
		narrow := strings.HasPrefix(s.name, "kerstin") || strings.HasPrefix(s.name, "lyra")
		if (got.BandHz > 0) != narrow || got.BandHz != 0 && (got.BandHz < 6500 || got.BandHz > 8500) {
			t.Errorf("%s: the band ends at %.0f Hz", s.name, got.BandHz)
		}
		got.BandHz = 0
		if !reflect.DeepEqual(got, SampleFaults{}) {
			t.Errorf("%s: %d clips, %d drop-outs, %d repeats", s.name, len(got.Clips), len(got.DropOuts), len(got.Repeats))
		}
	}
	t.Logf("%.0f s of clean speech", seconds)
}

// samplesHeard listens to channels in blocks of the given size, 0 for random ones.
func samplesHeard(rateHz, block int, channels ...[]float32) SampleFaults {
	rng := rand.New(rand.NewPCG(7, 7))
	s := NewSamples(rateHz, len(channels))
	part := make([][]float32, len(channels))
	for at := 0; at < len(channels[0]); {
		n := block
		if n == 0 {
			n = 1 + rng.IntN(9000)
		}
		n = min(n, len(channels[0])-at)
		for k := range part {
			part[k] = channels[k][at : at+n]
		}
		s.Add(part)
		at += n
	}
	return s.Conclude()
}

// spoilt is a reading with every fault of samples in it.
func spoilt() []float32 {
	x := spoken(3)
	for i := range x {
		x[i] = max(-1, min(1, 2*x[i]))
	}
	for i := range 300 {
		x[6*made.RateHz+i] = 0
	}
	copy(x[9*made.RateHz:], x[9*made.RateHz-512:9*made.RateHz])
	for i := 14 * made.RateHz; i < len(x); i++ {
		x[i] *= 0.5
	}
	return x
}

// TestSamplesBlocks wants the same answer whatever blocks the samples come in.
func TestSamplesBlocks(t *testing.T) {
	x := spoilt()
	want := samplesHeard(made.RateHz, len(x), x)
	if len(want.Clips) == 0 || len(want.DropOuts) == 0 || len(want.Repeats) == 0 {
		t.Fatalf("not all faults were heard: %d clips, %d drop-outs, %d repeats",
			len(want.Clips), len(want.DropOuts), len(want.Repeats))
	}
	for _, block := range []int{1, 441, 0} {
		if got := samplesHeard(made.RateHz, block, x); !reflect.DeepEqual(got, want) {
			t.Errorf("in blocks of %d other faults are heard", block)
		}
	}
}

// TestSamplesOfLittle wants no fault, and no crash, of nothing, one sample and silence.
func TestSamplesOfLittle(t *testing.T) {
	for _, n := range []int{0, 1, 100, 3 * made.RateHz} {
		for _, rateHz := range []int{1234, 8000, 44100, 192000} {
			got := samplesHeard(rateHz, 1000, make([]float32, n), make([]float32, n))
			if !reflect.DeepEqual(got, SampleFaults{}) {
				t.Errorf("%d silent samples at %d Hz: %+v", n, rateHz, got)
			}
		}
	}
}

func BenchmarkSamples(b *testing.B) {
	x := spoken(3)
	part := make([][]float32, 1)
	b.ReportAllocs()
	for b.Loop() {
		s := NewSamples(made.RateHz, 1)
		for at := 0; at < len(x); at += 8192 {
			part[0] = x[at:min(len(x), at+8192)]
			s.Add(part)
		}
		s.Conclude()
	}
	b.ReportMetric(float64(len(x))/made.RateHz*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
