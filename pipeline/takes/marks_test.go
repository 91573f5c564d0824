package takes

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/speech"
)

// sharpKinds are what a reader marks with, falling by 10 dB in fallS.
var sharpKinds = []struct {
	name string
	make func(rng *rand.Rand, fallS float64) []float64
}{
	{"clap", func(rng *rand.Rand, fallS float64) []float64 { return made.Burst(rng, 800, 6000, fallS) }},
	{"hollow clap", func(rng *rand.Rand, fallS float64) []float64 { return made.Burst(rng, 300, 2500, fallS) }},
	{"snap", func(rng *rand.Rand, fallS float64) []float64 {
		return made.Mixed(made.Ring(fallS, 2200, 3100), made.Burst(rng, 1500, 9000, fallS), 3)
	}},
	{"knuckle tap", func(rng *rand.Rand, fallS float64) []float64 {
		return made.Mixed(made.Ring(fallS, 260, 540, 1130), made.Burst(rng, 1500, 5000, 0.004), 15)
	}},
	{"nail tap", func(rng *rand.Rand, fallS float64) []float64 {
		return made.Mixed(made.Ring(fallS, 900, 1700), made.Burst(rng, 2000, 9000, 0.003), 6)
	}},
}

// sharp makes a sound shorter than 60 ms, its echo included: in 5 ms steps it is 10 dB
// under its loudest by then. A tone and its echo may last longer together.
func sharp(rng *rand.Rand, make func(*rand.Rand, float64) []float64, fallS float64, echo bool) []float64 {
	for {
		x := make(rng, fallS)
		if echo {
			x = made.Echoed(rng, x, 12)
		}
		if fallsInS(x) < 0.060 {
			return x
		}
	}
}

// fallsInS is when the last 5 ms end that are less than 10 dB under the loudest.
func fallsInS(x []float64) (s float64) {
	step := made.Frames(0.005)
	loudest := 0.0
	var power []float64
	for i := 0; i+step <= len(x); i += step / 5 {
		sum := 0.0
		for _, v := range x[i : i+step] {
			sum += v * v
		}
		power = append(power, sum)
		loudest = max(loudest, sum)
	}
	for i, p := range power {
		if p > loudest/10 {
			s = float64(i*(step/5)+step) / made.RateHz
		}
	}
	return s
}

// markRoom makes n samples of room, of the given plain RMS.
type markRoom struct {
	name string
	make func(seed uint64, n int, dbfs float64) []float64
}

// markRooms are made rooms and, where there are recordings, quiet stretches of them.
func markRooms(t *testing.T) []markRoom {
	rooms := []markRoom{
		{"made room", func(seed uint64, n int, dbfs float64) []float64 {
			tape := made.NewTape(seed)
			tape.Samples = make([]float64, n)
			tape.Room(dbfs)
			return tape.Samples
		}},
		{"even room", func(seed uint64, n int, dbfs float64) []float64 {
			return wide(narrated.Room(seed, speech.SampleRateHz, n, dbfs))
		}},
	}
	for _, c := range []struct {
		file       string
		fromS, toS float64 // without the sounds in it
	}{{"precise_bg_noise8.wav", 0.1, 16}, {"fieldrec_A101_1_1.WAV", 0.1, 4.9}, {"ambi_soft_buzz.wav", 0.25, 0.55}} {
		x, ok := recorded(t, "noise", c.file)
		if !ok {
			continue
		}
		piece := x[int(c.fromS*speech.SampleRateHz):int(c.toS*speech.SampleRateHz)]
		rooms = append(rooms, markRoom{c.file, func(seed uint64, n int, dbfs float64) []float64 {
			return wide(narrated.Looped(seed, speech.SampleRateHz, n, [][]float32{piece}, dbfs))
		}})
	}
	return rooms
}

// recorded reads a recording at 44.1 kHz, its rumble taken out; false without it.
func recorded(t *testing.T, folder, file string) ([]float32, bool) {
	t.Helper()
	root := os.Getenv("LECTERN_RECORDINGS")
	if _, err := exec.LookPath("ffmpeg"); root == "" || err != nil {
		return nil, false
	}
	out, err := exec.Command("ffmpeg", "-v", "error", "-i", filepath.Join(root, folder, file), "-ac", "1", "-ar", "44100", "-f", "f32le", "-").Output()
	if err != nil {
		t.Fatalf("decode %s: %v", file, err)
	}
	x := make([]float32, len(out)/4)
	for i := range x {
		x[i] = math.Float32frombits(binary.LittleEndian.Uint32(out[4*i:]))
	}
	return withoutRumble(x), true
}

// withoutRumble is the chain's high-pass at 70 Hz: a Butterworth of the fourth order.
func withoutRumble(x []float32) []float32 {
	x = slices.Clone(x)
	for _, angle := range []float64{math.Pi / 8, 3 * math.Pi / 8} {
		k := math.Tan(math.Pi * 70 / speech.SampleRateHz)
		q := 1 / (2 * math.Cos(angle))
		norm := 1 / (1 + k/q + k*k)
		var z1, z2 float64
		for i, v := range x {
			in := float64(v)
			out := norm*in + z1
			z1 = -2*norm*in - 2*(k*k-1)*norm*out + z2
			z2 = norm*in - (1-k/q+k*k)*norm*out
			x[i] = float32(out)
		}
	}
	return x
}

func wide(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}

// markTape is a reading in whose pauses something is heard.
type markTape struct {
	*made.Tape
	room   []float64
	buzzes bool
	spans  [][2]float64 // of what lies in the pauses, in seconds
	says   []string
}

// event lays sounds into a pause: it returns how long they last.
type event func(put func(atS float64, x []float64, overDB float64)) (lastsS float64)

// newMarkTape reads a phrase before, between and after events in a room. Each begins
// 0.12 to 0.6 s behind the phrase and ends 0.2 to 0.8 s before the next.
func newMarkTape(seed uint64, room markRoom, roomDBFS float64, says []string, events []event) *markTape {
	rng := rand.New(rand.NewPCG(seed, 41))
	m := &markTape{Tape: made.NewTape(seed), says: says, buzzes: room.name == "ambi_soft_buzz.wav"}
	type laid struct {
		at     int
		x      []float64
		overDB float64
	}
	var all []laid
	m.Pause(1)
	consonants := []made.Consonant{made.None, made.S, made.H, made.None}
	for i, e := range events {
		m.Phrase(roomDBFS+30, 0.8+0.6*rng.Float64(), consonants[rng.IntN(4)], consonants[rng.IntN(4)])
		from := float64(len(m.Samples))/made.RateHz + 0.12 + 0.5*rng.Float64()*rng.Float64()
		lasts := e(func(atS float64, x []float64, overDB float64) {
			all = append(all, laid{made.Frames(from + atS), x, overDB})
		})
		m.spans = append(m.spans, [2]float64{from, from + lasts})
		m.Pause(from + lasts - float64(len(m.Samples))/made.RateHz + 0.2 + 0.6*float64(i%2)*rng.Float64())
	}
	m.Phrase(roomDBFS+30, 1, made.None, made.None)
	m.Pause(1)
	m.room = room.make(seed, len(m.Samples), roomDBFS)
	for _, l := range all {
		near := m.room[max(0, l.at-made.RateHz):min(len(m.room), l.at+made.RateHz)]
		var sum float64
		for _, v := range near {
			sum += v * v
		}
		made.ToLoudest(l.x, sum/float64(len(near))*math.Pow(10, l.overDB/10))
		for i, v := range l.x {
			if l.at+i < len(m.Samples) {
				m.Samples[l.at+i] += v
			}
		}
	}
	for i, v := range m.room {
		m.Samples[i] += v
	}
	return m
}

// marksOf listens as the chain does.
func marksOf(x []float32, block int) ([]Mark, *speech.Map) {
	words, marks := speech.NewAnalyzer(), NewMarkListener()
	for len(x) > 0 {
		n := min(len(x), block)
		words.Add(x[:n])
		marks.Add(x[:n])
		x = x[n:]
	}
	m := speech.Draw(words.Features())
	return marks.Marks(m), m
}

// counts tells for each event whether a mark was found in it, and how many marks lie
// elsewhere.
func (m *markTape) counts(t *testing.T) (hit []bool, elsewhere int) {
	marks, words := marksOf(m.Float32(), 4410)
	m.wantWords(t, marks, words)
	hit = make([]bool, len(m.spans))
	for _, mark := range marks {
		from := float64(mark.Sounds.From) / speech.FramesPerSecond
		i := slices.IndexFunc(m.spans, func(s [2]float64) bool { return math.Abs(from-s[0]) < 0.03 })
		if i < 0 {
			elsewhere++
			continue
		}
		if to := float64(mark.Sounds.To) / speech.FramesPerSecond; to < m.spans[i][1]-0.02 || to > m.spans[i][1]+0.4 {
			t.Errorf("%s: the mark ends at %.2f s, the last sound begins at %.2f", m.says[i], to, m.spans[i][1])
		}
		hit[i] = true
	}
	return hit, elsewhere
}

// wantWords wants the map without the marks to hold every phrase that was made and no
// other, each whole to 40 ms and with at most 0.1 s of room on either side, and every mark
// in a pause. In a buzz, whose own level goes up and down in less than that, a phrase may
// begin earlier.
func (m *markTape) wantWords(t *testing.T, marks []Mark, words *speech.Map) {
	t.Helper()
	var spans []speech.Span
	for _, mark := range marks {
		spans = append(spans, mark.Sounds)
	}
	words = words.Without(spans)
	if len(words.Phrases) != len(m.Phrases) {
		t.Errorf("%d phrases, want %d (%s)", len(words.Phrases), len(m.Phrases), m.says[0])
		return
	}
	for i, p := range words.Phrases {
		from, to := m.Phrases[i].From/speech.FrameSamples, m.Phrases[i].To/speech.FrameSamples
		if p.From > from+4 || p.To < to-4 || !m.buzzes && (p.From < from-10 || p.To > to+10) {
			t.Errorf("phrase %d is %v, made was %d to %d (%s)", i, p, from, to, m.says[min(i, len(m.says)-1)])
		}
	}
	for _, s := range spans {
		if !slices.ContainsFunc(words.Pauses, func(p speech.Span) bool { return p.From <= s.From && s.To <= p.To }) {
			t.Errorf("the mark %v lies in no pause", s)
		}
	}
}

// marksTable counts by kind.
type marksTable struct {
	kinds []string
	n     map[string][2]int
}

func (c *marksTable) add(kind string, hit bool) {
	if c.n == nil {
		c.n = map[string][2]int{}
	}
	v, ok := c.n[kind]
	if !ok {
		c.kinds = append(c.kinds, kind)
	}
	v[0]++
	if hit {
		v[1]++
	}
	c.n[kind] = v
}

func (c *marksTable) print(t *testing.T) {
	var b strings.Builder
	b.WriteString("| what | number | taken for a mark |\n| --- | --- | --- |\n")
	for _, k := range c.kinds {
		fmt.Fprintf(&b, "| %s | %d | %d |\n", k, c.n[k][0], c.n[k][1])
	}
	t.Log("\n" + b.String())
}

// tapes is how many tapes of each kind are made.
func tapes(few, many int) int {
	if os.Getenv("LECTERN_LONG") != "" && !testing.Short() {
		return many
	}
	return few
}

var roomLevels = []float64{-75, -65, -55, -45}

// TestMarksAreFound wants every pair of sharp sounds found, at 12 dB over the room and
// more: each kind, falling by 10 dB in 8 to 50 ms, 0.15 to 0.8 s apart, up to 6 dB
// unequal, with the echo of a small room or without.
func TestMarksAreFound(t *testing.T) {
	rooms := markRooms(t)
	var table marksTable
	for n := range tapes(1, 60) {
		rng := rand.New(rand.NewPCG(uint64(n), 43))
		room := rooms[n%len(rooms)]
		level := roomLevels[rng.IntN(len(roomLevels))]
		var says []string
		var events []event
		var kinds [][]string
		for k := range 10 {
			kind := sharpKinds[k%len(sharpKinds)]
			over := []float64{12, 15, 20, 30, 40}[rng.IntN(5)]
			fall := []float64{8, 12, 20, 35, 50}[rng.IntN(5)]
			gap, unequal, first, echo := 0.15+0.65*rng.Float64(), 6*rng.Float64(), rng.IntN(2), rng.IntN(2)
			if rng.IntN(4) == 0 {
				gap, unequal = []float64{0.15, 0.8}[rng.IntN(2)], 6
			}
			says = append(says, fmt.Sprintf("tape %d, %s at %g dBFS: %s, %g dB over, falls in %g ms, %.2f s apart, %.1f dB unequal (%d), echo %d", n, room.name, level, kind.name, over, fall, gap, unequal, first, echo))
			kinds = append(kinds, []string{kind.name, fmt.Sprintf("%g dB over", over), fmt.Sprintf("falls in %g ms", fall), room.name, fmt.Sprintf("room %g dBFS", level)})
			events = append(events, func(put func(float64, []float64, float64)) float64 {
				for i := range 2 {
					put(gap*float64(i), sharp(rng, kind.make, fall/1000, echo == 1), over+unequal*float64(b2i(i == first)))
				}
				return gap
			})
		}
		m := newMarkTape(uint64(n), room, level, says, events)
		hit, elsewhere := m.counts(t)
		for i, h := range hit {
			if !h {
				t.Errorf("%s (at %.2f s): not found", says[i], m.spans[i][0])
			}
			for _, k := range kinds[i] {
				table.add(k, h)
			}
		}
		if elsewhere > 0 {
			t.Errorf("tape %d: %d marks where none was made", n, elsewhere)
		}
	}
	table.print(t)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestMarkBehindABrokenWord wants two claps found behind a consonant that is heard alone,
// softer than they are, nearer to the word before; a louder one is a knock that comes
// before others, as of something that falls.
func TestMarkBehindABrokenWord(t *testing.T) {
	for _, c := range []struct {
		restDB float64
		want   int
	}{{17, 1}, {34, 0}} {
		rng := rand.New(rand.NewPCG(1, 61))
		claps := func(put func(float64, []float64, float64)) float64 {
			put(0, made.Burst(rng, 800, 6000, 0.01), c.restDB)
			put(0.65, made.Burst(rng, 800, 6000, 0.01), 24)
			put(0.95, made.Burst(rng, 800, 6000, 0.01), 27)
			return 0.95
		}
		m := newMarkTape(1, markRooms(t)[1], -60, []string{""}, []event{claps})
		got, _ := marksOf(m.Float32(), 4410)
		if len(got) != c.want {
			t.Errorf("a consonant of %g dB: marks %v, want %d", c.restDB, got, c.want)
			continue
		}
		if c.want == 1 && math.Abs(float64(got[0].Sounds.From)/speech.FramesPerSecond-m.spans[0][0]-0.65) > 0.03 {
			t.Errorf("the mark begins at %.2f s, the claps at %.2f", float64(got[0].Sounds.From)/speech.FramesPerSecond, m.spans[0][0]+0.65)
		}
	}
}
