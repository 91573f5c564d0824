package main

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os/exec"
	"strconv"
	"testing"
)

// theFerry and theToll are two chapters of our invented book, a sentence each.
var theFerry = []string{
	"Before the bell had finished, Nessa was already down among the wet ropes.",
	"The ferry came in sideways, pushing a gray collar of foam ahead of it.",
	"Nobody on the quay had expected passengers so early in the week.",
	"A tall woman with a covered birdcage stepped off and asked for the harbor office.",
	"Nessa pointed up the hill, then remembered that the clerk slept until nine.",
	"So they waited together on an upturned crate and shared a cold potato.",
	"In the woman's pocket lay a small copper key, tied with fishing line.",
	"It opened, she explained, a drawer that her uncle swore did not exist.",
	"Gulls quarreled over the nets while the tide drew slowly back from the steps.",
	"When the office door creaked at last, the clerk wore two different shoes.",
	"He led them past shelves of books, each marked with a year and a smudge.",
	"Every figure in them matched a boat that had never been built.",
}

var theToll = []string{
	"Crossing to the island cost three pennies, or one honest answer.",
	"Most people paid in silver and kept their secrets dry.",
	"The bird in the cage began to whistle as soon as the oars touched water.",
	"By evening the whole village knew the tune, though none could say whose it was.",
}

// withoutKey is the sentence of the ferry whose word is missing in the takes.
const (
	withoutKey = 7
	misread    = "In the woman's pocket lay a small key, tied with fishing line."
)

const voiceRateHz = 22050 // of espeak-ng

// voice is how a take is read: as the program that speaks takes it, and how loud.
type voice struct {
	words   int // a minute
	pitch   int // 0 to 99
	levelDB float64
}

// usual is how most of the reading is read.
var usual = voice{words: 180, pitch: 42}

// spoken is one sentence, or what was said of it, in a raw.
type spoken struct {
	sentence   int // from 1; 0 for two claps
	how        string
	fromS, toS float64
}

// How a sentence is read.
const (
	whole   = "whole"
	broken  = "broken off"
	missing = "a word missing"
	clapped = "claps"
)

// tape is a raw while it is read, and the truth about it.
type tape struct {
	t       *testing.T
	voice   voice
	rng     *rand.Rand
	samples []float64
	said    []spoken
}

// newTape begins with a second of nothing but the room.
func newTape(t *testing.T, v voice, seed uint64) *tape {
	tp := &tape{t: t, voice: v, rng: rand.New(rand.NewPCG(seed, 6))}
	tp.pause(1)
	return tp
}

func (tp *tape) nowS() float64 { return float64(len(tp.samples)) / voiceRateHz }

func (tp *tape) pause(s float64) {
	tp.samples = append(tp.samples, make([]float64, int(s*voiceRateHz))...)
}

func (tp *tape) add(sentence int, how string, x []float64) {
	fromS := tp.nowS()
	tp.samples = append(tp.samples, x...)
	tp.said = append(tp.said, spoken{sentence, how, fromS, tp.nowS()})
}

// read reads sentences of a text, with the pause of a reader behind each.
func (tp *tape) read(text []string, from, to int) {
	for n := from; n <= to; n++ {
		tp.add(n, whole, speak(tp.t, tp.voice, text[n-1]))
		tp.pause(0.5 + 0.2*tp.rng.Float64())
	}
}

// breakOff reads a sentence about half-way and stops in the middle of it.
func (tp *tape) breakOff(text []string, n int) {
	tp.add(n, broken, half(speak(tp.t, tp.voice, text[n-1])))
	tp.pause(0.9)
}

// misread reads the sentence that lacks a word.
func (tp *tape) misread() {
	tp.add(withoutKey, missing, speak(tp.t, tp.voice, misread))
	tp.pause(0.7)
}

// clap claps twice: bursts of noise that die away within 30 ms.
func (tp *tape) clap() {
	at := tp.nowS()
	for i := range 2 {
		if i > 0 {
			tp.pause(0.35)
		}
		var body float64
		for i := range voiceRateHz * 3 / 100 {
			n := tp.rng.NormFloat64()
			body += 0.5 * (n - body) // hands have less of the very high
			tp.samples = append(tp.samples, 0.35*body*math.Exp(-float64(i)/(0.004*voiceRateHz)))
		}
	}
	tp.said = append(tp.said, spoken{0, clapped, at, tp.nowS()})
	tp.pause(0.5)
}

// raw returns the WAV, the tape at its level with the noise of a room under all of it.
// How loud the room is, is the microphone's business and not the voice's.
func (tp *tape) raw(roomDBFS float64) []byte {
	tp.pause(2.3)
	const low = 0.1 // more low than high, as in a room
	toDBFS := math.Pow(10, roomDBFS/20) / math.Sqrt(low/(2-low))
	gain := math.Pow(10, tp.voice.levelDB/20)
	var noise float64
	wav := wavHeader(len(tp.samples))
	for _, v := range tp.samples {
		noise += low * (tp.rng.NormFloat64() - noise)
		v = 32768*(gain*v+toDBFS*noise) + tp.rng.Float64() - 0.5
		wav = binary.LittleEndian.AppendUint16(wav, uint16(int16(math.Round(max(-32768, min(32767, v))))))
	}
	return wav
}

// wavHeader is that of 16 bit, mono, as espeak-ng speaks.
func wavHeader(samples int) []byte {
	h := make([]byte, 0, 44+2*samples)
	u32 := binary.LittleEndian.AppendUint32
	u16 := binary.LittleEndian.AppendUint16
	h = u32(append(h, "RIFF"...), uint32(36+2*samples))
	h = u32(append(h, "WAVEfmt "...), 16)
	h = u16(u16(h, 1), 1)
	h = u32(u32(h, voiceRateHz), 2*voiceRateHz)
	h = u16(u16(h, 2), 16)
	return u32(append(h, "data"...), uint32(2*samples))
}

// needsVoice skips a test where nothing can speak.
func needsVoice(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("espeak-ng"); err != nil {
		t.Skip("espeak-ng is not installed, so there is nobody to read the takes")
	}
}

// speak says a sentence: full scale 1, no more of silence around it than belongs to it.
func speak(t *testing.T, v voice, sentence string) []float64 {
	t.Helper()
	wav, err := exec.Command("espeak-ng", "-v", "en-gb", "-s", strconv.Itoa(v.words), "-p", strconv.Itoa(v.pitch),
		"--stdout", sentence).Output()
	if err != nil || len(wav) < 46 || binary.LittleEndian.Uint32(wav[24:]) != voiceRateHz {
		t.Fatalf("espeak-ng did not say %q: %v, %d bytes", sentence, err, len(wav))
	}
	const level = 0.4 // of what it says: about -29 dBFS RMS
	x := make([]float64, (len(wav)-44)/2)
	var most float64
	for i := range x {
		x[i] = level * float64(int16(binary.LittleEndian.Uint16(wav[44+2*i:]))) / 32768
		most = max(most, math.Abs(x[i]))
	}
	from, to := 0, len(x)
	for math.Abs(x[from]) < 0.003*most {
		from++
	}
	for math.Abs(x[to-1]) < 0.003*most {
		to--
	}
	return x[from:to]
}

// half breaks a sentence off in the softest 10 ms around its middle, as a voice does
// that stops.
func half(x []float64) []float64 {
	const part = voiceRateHz / 100
	best, least := 0, math.Inf(1)
	for at := len(x) * 45 / 100; at+part < len(x)*60/100; at += part {
		var sum float64
		for _, v := range x[at : at+part] {
			sum += v * v
		}
		if sum < least {
			best, least = at, sum
		}
	}
	out := append([]float64(nil), x[:best+part]...)
	for i := range part {
		out[best+i] *= 1 - float64(i)/part
	}
	return out
}

// raw is a recording and what is said in it.
type raw struct {
	wav     []byte
	said    []spoken
	levelDB float64 // of the voice
}

func (tp *tape) done(roomDBFS float64) raw {
	wav := tp.raw(roomDBFS)
	return raw{wav, tp.said, tp.voice.levelDB}
}

// ferryTakes are the three takes of the ferry: the first with a marked retake and a slip
// at its end, the second with another slip, each read at another level, pace and pitch,
// and a word missing in the second.
func ferryTakes(t *testing.T) map[string]raw {
	one := newTape(t, usual, 1)
	one.read(theFerry, 1, 1)
	one.breakOff(theFerry, 2)
	one.clap()
	one.voice = voice{words: 176, pitch: 43}
	one.read(theFerry, 2, 2)
	one.voice = usual
	one.read(theFerry, 3, 4)
	one.breakOff(theFerry, 5)

	two := newTape(t, voice{words: 194, pitch: 46, levelDB: -6}, 2)
	two.read(theFerry, 4, 6)
	two.misread()
	two.read(theFerry, 8, 8)
	two.breakOff(theFerry, 9)

	three := newTape(t, voice{words: 168, pitch: 39}, 3)
	three.read(theFerry, 9, len(theFerry))

	return map[string]raw{
		"03 The Ferry take 1.wav": one.done(-68), "03 The Ferry take 2.wav": two.done(-74), "03 The Ferry take 3.wav": three.done(-68),
	}
}

// copperKey is the pickup of the sentence that lacks a word: read softer, in a room as
// loud as before.
func copperKey(t *testing.T) raw {
	p := newTape(t, voice{words: 185, pitch: 44, levelDB: -4}, 4)
	p.read(theFerry, withoutKey, withoutKey)
	return p.done(-68)
}

// secondTakeAgain is take 2 read anew: from a sentence later, and without the slip.
func secondTakeAgain(t *testing.T) raw {
	two := newTape(t, voice{words: 183, pitch: 40, levelDB: 3}, 5)
	two.read(theFerry, 5, 6)
	two.misread()
	two.read(theFerry, 8, 9)
	return two.done(-65)
}

// fourthTake reads the end once more.
func fourthTake(t *testing.T) raw {
	four := newTape(t, voice{words: 174, pitch: 43, levelDB: -2}, 6)
	four.read(theFerry, 10, len(theFerry))
	return four.done(-70)
}

// tollParts are the two parts of the toll.
func tollParts(t *testing.T) map[string]raw {
	one := newTape(t, usual, 7)
	one.read(theToll, 1, 2)
	two := newTape(t, usual, 8)
	two.read(theToll, 3, len(theToll))
	return map[string]raw{"04 The Toll.wav": one.done(-68), "04 The Toll part 2.wav": two.done(-68)}
}

// tollReadTwice is the toll in one take, with a slip that she marked by nothing.
func tollReadTwice(t *testing.T) raw {
	one := newTape(t, usual, 9)
	one.read(theToll, 1, 2)
	one.breakOff(theToll, 3)
	one.voice = voice{words: 183, pitch: 41}
	one.read(theToll, 3, len(theToll))
	return one.done(-68)
}
