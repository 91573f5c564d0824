package speech

import (
	"math"
	"slices"
)

// Span is a stretch of frames, From included, To not.
type Span struct{ From, To int }

// Len returns the number of frames.
func (s Span) Len() int { return s.To - s.From }

// Seconds returns the length in seconds.
func (s Span) Seconds() float64 { return float64(s.Len()) / FramesPerSecond }

// Map is where the words of a reading are.
type Map struct {
	Features *Features
	// Phrases are speech between pauses of at least PhraseGap, in order. A phrase
	// runs from the first frame of its first word, a soft consonant included, to
	// the last of its last.
	Phrases []Span
	// Runs are the phrases parted once more, at every gap of at least RunGap: where a cut
	// touches no word.
	Runs []Span
	// Pauses are the stretches around and between the phrases, len(Phrases)+1 of
	// them: first the head, last the tail. Head and tail may be empty.
	Pauses []Span
	// Sounds are what is heard in the pauses besides the room: breaths, clicks,
	// a chair. In order.
	Sounds []Span
	// SpeechDB and NoiseDB are the level of the words and of the room between
	// 250 Hz and 10 kHz, in dB below full scale, over the whole stream.
	SpeechDB, NoiseDB float64
}

// PhraseGap is the shortest pause that parts two phrases, in frames: 0.30 s
// (design figure: phrase_spread_db).
const PhraseGap = 30

// RunGap is the shortest gap that parts two runs, in frames: the closed lips of a p are
// shorter. Our choice.
const RunGap = 8

// The numbers below are our choice; they were set on real readings with rooms
// between -38 and -99 dBFS and are held by the tests of this package.
const (
	// minContrastDB is how far words must stand over the room to be found.
	minContrastDB = 6.0
	// sung is the Voicing from which a frame is beyond doubt a vowel: a cough is half hiss all through, with three such frames
	// at most, where the shortest real word has seven.
	sung = 70
	// sungDB is how far such a frame may lie under the loudest: further down it is the
	// hum of the room that is heard.
	sungDB = 15.0
	// MinVowels is how many vowel frames make a sound a word (50 ms: a click
	// rings for less). A vowel holds its level, a knock on wood rings on in tune but
	// dies away at once: frames more than heldDB under the loudest do not count.
	MinVowels = 5
	heldDB    = 9.0
	// minHeld is how many frames must be that loud for a sound in front of a word to
	// be its first consonant: a click is over sooner.
	minHeld = 4
	// minUnvoiced is how long speech without any vowel must last, so that a
	// whisper is found and a clap or a chair is not.
	minUnvoiced = 40
	// coreShare is where between room and words the middle of a word begins, in dB.
	coreShare = 0.55
	// joinGap is the longest dip inside a word: the closed lips of a p or t.
	joinGap = 12
	// edgeDB is how far a soft consonant stands over the room in its own band.
	edgeDB = 6.0
	// thumpDB is the same in the lowest band, where the room itself goes up and down.
	thumpDB = 10.0
	// grownDB is how much louder the room may get without being a sound, as long as
	// no band differs from another by unlikeDB; 12 dB is the most a pause is eased.
	grownDB, unlikeDB = 15.0, 5.0
	// turnedDB is how much louder the room must be beside a word than in the whole
	// pause to count as another room.
	turnedDB = 3.0
	// A room is steady: where a tenth of the stream is digital silence and the
	// softest of what is heard differs by more than steadyDB, that is words dying
	// away. The room is then put mutedDB under the words.
	steadyDB, mutedDB = 1.5, 60.0
	// edgeGap is the longest silence between a word and its released t or k.
	edgeGap = 5
	// maxBump is the longest soft consonant that stands apart from its vowel, as
	// the s of "stop" does; a breath lasts longer.
	maxBump = 18
	// cutShort is the shortest tail that can hold room and not only a word's end.
	cutShort = 15
	// breathDB is how far a breath that is louder than the edge of a word lies under
	// the words, and sungRun how many sung frames in a row are surely a voice.
	breathDB = 12.0
	sungRun  = 3
	// maxBefore and maxAfter are how far a word may reach beyond its loud part.
	maxBefore, maxAfter = 25, 40
)

// Draw makes the map of a stream. A stream in which nothing stands clear of
// the room has no phrases and one pause, the whole of it.
func Draw(f *Features) *Map {
	d := &drawing{f: f, m: &Map{Features: f}}
	d.levels()
	cores := d.words(d.cores())
	for i := range cores {
		cores[i] = d.widen(cores, i)
	}
	d.m.Phrases, d.m.Runs = join(cores, PhraseGap), join(cores, RunGap)
	if n := len(d.m.Phrases); n > 0 && f.Len()-d.m.Phrases[n-1].To < cutShort {
		// The file was cut where the word died away: what is left is its end.
		d.m.Phrases[n-1].To, d.m.Runs[len(d.m.Runs)-1].To = f.Len(), f.Len()
	}
	d.m.Pauses = between(d.m.Phrases, f.Len())
	for _, p := range d.m.Pauses {
		d.m.Sounds = append(d.m.Sounds, d.sounds(p)...)
	}
	return d.m
}

// drawing is the work of Draw.
type drawing struct {
	f *Features
	m *Map
	// level is the sum of the bands from 250 Hz up, in dB; smooth the same
	// averaged over three frames.
	level, smooth []float32
	// speech and noise follow the level of words and room along the stream; wide is
	// the loudest of speech within a few seconds.
	speech, wide, noise blockwise
	// muted tells that the pauses are digital silence and no room is heard at all.
	muted bool
	// room is the level of the room in each band over the whole stream.
	room [bandCount]float64
	vals []int16
}

// levels fills the levels of the stream, of the words and of the room.
func (d *drawing) levels() {
	n := d.f.Len()
	d.level, d.smooth = make([]float32, n), make([]float32, n)
	var power [3]float64 // of the level, in the frames before, at and behind the one that is smoothed
	for i := range n + 1 {
		power[0], power[1], power[2] = power[1], power[2], 0
		if i < n {
			var sum float64
			for b := 1; b < bandCount; b++ {
				sum += math.Pow(10, d.f.BandDB(b, i)/10)
			}
			d.level[i] = float32(10 * math.Log10(max(sum, 1e-20)))
			power[2] = math.Pow(10, float64(d.level[i])/10)
		}
		if i > 0 {
			count := min(n, i+1) - max(0, i-2)
			d.smooth[i-1] = float32(10 * math.Log10((power[0]+power[1]+power[2])/float64(count)))
		}
	}
	heard := 0
	for _, p := range d.f.Power {
		if p > 0 {
			heard++
		}
	}
	if heard == 0 {
		d.m.SpeechDB, d.m.NoiseDB = silentDB, silentDB
		return // no frame stands out, so nothing asks for speech, wide and noise
	}
	d.m.NoiseDB = float64(d.heardQuantile(heard, 0.10))
	d.m.SpeechDB = float64(d.heardQuantile(heard, 0.95)) - 3
	d.muted = heard <= n*9/10 && d.m.NoiseDB-float64(d.heardQuantile(heard, 0.02)) > steadyDB
	if d.muted {
		d.m.NoiseDB = d.m.SpeechDB - mutedDB
	}
	for b := range bandCount {
		d.room[b], _ = d.bandQuantile(b, Span{0, n}, 0.10)
	}
	d.follow()
}

// levelBlock is how many frames have one level of words and room: 0.25 s.
const levelBlock = FramesPerSecond / 4

// blockwise is a level that is the same within each block of levelBlock frames.
type blockwise []float32

// at is the level at frame i.
func (b blockwise) at(i int) float32 { return b[i/levelBlock] }

// follow tracks the level of the words (the upper edge of the vowels within 1 s
// before or after, whichever is softer, and of all that is heard within 2.5 s either
// side) and of the room (the lower edge within 5 s), since a reader moves and turns
// knobs. The softer side holds where a soft line follows a loud one; a side without
// vowels is no line. None leaves the whole stream's own level by more than 20 dB,
// so that a long silence is not taken for soft words.
func (d *drawing) follow() {
	n := (len(d.smooth) + levelBlock - 1) / levelBlock
	high, vowels, low := make([]float32, n), make([]float32, n), make([]float32, n)
	for i := range n {
		from, to := i*levelBlock, min((i+1)*levelBlock, len(d.smooth))
		part := slices.Clone(d.smooth[from:to])
		slices.Sort(part)
		high[i] = quantile(part, 0.9)
		low[i] = quantile(part, 0.05)
		if low[i] <= silentDB+80 { // digital silence is no room
			low[i] = float32(math.Inf(1))
		}
		vowels[i] = d.vowelLevel(from, to)
	}
	d.speech, d.wide, d.noise = make(blockwise, n), make(blockwise, n), make(blockwise, n)
	loudest := func(of []float32, from, to int) float32 { return slices.Max(of[max(0, from):min(n, to)]) }
	for i := range n {
		w := loudest(high, i-10, i+11)
		s := loudest(high, i-4, i+5)
		for _, side := range [][]float32{vowels[max(0, i-4) : i+1], vowels[i:min(n, i+5)]} {
			if l := lineLevel(side); l > w-20 {
				s = min(s, l)
			}
		}
		r := slices.Min(low[max(0, i-20):min(n, i+21)])
		s = max(s-3, float32(d.m.SpeechDB)-20)
		w = max(w-3, float32(d.m.SpeechDB)-20)
		if d.muted || math.IsInf(float64(r), 1) {
			r = float32(d.m.NoiseDB)
		}
		d.speech[i], d.wide[i], d.noise[i] = s, w, max(r, float32(d.m.NoiseDB)-20)
	}
}

// lineLevel returns the level of a line by the vowels of its blocks, silentDB if
// fewer than two of them hold any: that is where a word begins or ends.
func lineLevel(vowels []float32) float32 {
	n := 0
	for _, v := range vowels {
		if v > silentDB {
			n++
		}
	}
	if n < 2 {
		return silentDB
	}
	return slices.Max(vowels)
}

// vowelLevel returns the upper edge of the vowels among the frames, silentDB if
// there are too few to tell.
func (d *drawing) vowelLevel(from, to int) float32 {
	var part []float32
	for k := from; k < to; k++ {
		if d.f.Voicing[k] >= sung {
			part = append(part, d.smooth[k])
		}
	}
	if len(part) < MinVowels {
		return silentDB
	}
	slices.Sort(part)
	return quantile(part, 0.9)
}

// cores returns the stretches loud enough to be the middle of a word.
func (d *drawing) cores() []Span {
	if d.m.SpeechDB-d.m.NoiseDB < minContrastDB {
		return nil
	}
	var out []Span
	for i, v := range d.smooth {
		contrast := d.speech.at(i) - d.noise.at(i)
		if contrast < minContrastDB || v < d.noise.at(i)+max(6, coreShare*contrast) {
			continue
		}
		if len(out) > 0 && out[len(out)-1].To == i {
			out[len(out)-1].To = i + 1
			continue
		}
		out = append(out, Span{i, i + 1})
	}
	return join(d.withoutClicks(out), joinGap)
}

// withoutClicks leaves out clicks that come close before a word: one is over at
// once, and silence longer than before a released t or k parts it from the word.
func (d *drawing) withoutClicks(cores []Span) []Span {
	var out []Span
	for i, c := range cores {
		follows := i > 0 && c.From-cores[i-1].To < joinGap
		leads := i+1 < len(cores) && cores[i+1].From-c.To <= edgeGap
		if follows || leads || d.held(c) >= minHeld {
			out = append(out, c)
		}
	}
	return out
}

// held counts the frames of c that are about as loud as its loudest.
func (d *drawing) held(c Span) int {
	loudest := slices.Max(d.level[c.From:c.To])
	n := 0
	for _, v := range d.level[c.From:c.To] {
		if v >= loudest-heldDB {
			n++
		}
	}
	return n
}

// words keeps the cores that are speech: those with a vowel in them, long ones (a
// whisper), and those close by one, which become part of it.
func (d *drawing) words(cores []Span) []Span {
	isWord := make([]bool, len(cores))
	for i, c := range cores {
		isWord[i] = d.vowels(c) >= MinVowels || c.Len() >= minUnvoiced && d.stands(c)
	}
	var out []Span
	for i, c := range cores {
		if isWord[i] ||
			i > 0 && isWord[i-1] && c.From-cores[i-1].To <= joinGap ||
			i+1 < len(cores) && isWord[i+1] && cores[i+1].From-c.To <= joinGap {
			out = append(out, c)
		}
	}
	return join(out, joinGap+1)
}

// stands tells whether most of c would be loud enough to be the middle of a word by
// the loudest words within a few seconds: a breath in a long pause is not.
func (d *drawing) stands(c Span) bool {
	n := 0
	for k := c.From; k < c.To; k++ {
		if d.smooth[k] >= d.noise.at(k)+max(6, coreShare*(d.wide.at(k)-d.noise.at(k))) {
			n++
		}
	}
	return n >= minUnvoiced
}

// vowels counts the frames of c that are a vowel; none if hardly one is sung.
func (d *drawing) vowels(c Span) int {
	loudest := float32(silentDB)
	for k := c.From; k < c.To; k++ {
		if d.f.Voiced(k) {
			loudest = max(loudest, d.level[k])
		}
	}
	n, beyondDoubt := 0, 0
	for k := c.From; k < c.To; k++ {
		if d.smooth[k] < d.speech.at(k)-22 {
			continue
		}
		if d.f.Voicing[k] >= sung && d.level[k] >= loudest-sungDB {
			beyondDoubt++
		}
		if d.f.Voiced(k) && d.level[k] >= loudest-heldDB {
			n++
		}
	}
	if beyondDoubt < MinVowels {
		return 0
	}
	return n
}

// join merges spans that are at most gap frames apart (gap 0: touching or
// overlapping ones).
func join(spans []Span, gap int) []Span {
	var out []Span
	for _, s := range spans {
		if len(out) > 0 && s.From-out[len(out)-1].To < max(gap, 1) {
			out[len(out)-1].To = max(out[len(out)-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// between returns the stretches around and between spans in [0, n).
func between(spans []Span, n int) []Span {
	out := make([]Span, 0, len(spans)+1)
	at := 0
	for _, s := range spans {
		out = append(out, Span{at, s.From})
		at = s.To
	}
	return append(out, Span{at, n})
}
