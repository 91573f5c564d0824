package pipeline

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// chapters are the finished chapters of a book that a room test can be compared
// with, by name.
type chapters []chapter

type chapter struct {
	name   string
	report report.Report
	sounds sounds
}

// sounds is how a reading sounds: levels in dB.
type sounds struct {
	voice       float64
	roomToVoice float64
	// octaves is the spectrum of the voice; NaN where it does not stand clear of the
	// room, so that a louder room does not make it brighter.
	octaves [8]float64
}

// heardBook returns the chapters whose raws hold a voice and a room to compare.
func heardBook(reports []report.Report) chapters {
	var out chapters
	for _, r := range reports {
		var raws []sounds
		for _, raw := range r.Raws {
			if s, ok := soundsOf(raw.Measured, float64(raw.Measured.ActiveSpeechDBOV)); ok {
				raws = append(raws, s)
			}
		}
		if len(raws) > 0 {
			out = append(out, chapter{r.Chapter, r, middle(raws)})
		}
	}
	out.sort()
	return out
}

// sort puts them in the order of the book: by number, then by name.
func (c chapters) sort() {
	number := func(name string) int {
		n, err := strconv.Atoi(takes.TrackNumber(name))
		if err != nil {
			return math.MaxInt // without a number: credits and the like
		}
		return n
	}
	slices.SortFunc(c, func(a, b chapter) int {
		return cmp.Or(cmp.Compare(number(a.name), number(b.name)), cmp.Compare(a.name, b.name))
	})
}

// clearDB is how far a voice must stand over the room in an octave to be compared
// there: less, and a fourth of what is heard is the room. Our choice.
const clearDB = 6.0

// soundsOf reads how a recording whose words have the given level sounds; ok is false
// if it holds too little voice or room. The room is taken from 88 Hz up, which rumble
// does not reach.
func soundsOf(m report.Measured, level float64) (s sounds, ok bool) {
	voice, room := m.VoiceBandsDB, m.RoomBandsDBFS
	if voice == nil || room == nil {
		return sounds{}, false
	}
	s = sounds{voice: level, roomToVoice: bandsDB(room[1:]) - level}
	for i := range s.octaves {
		s.octaves[i] = float64(voice[i])
		if float64(voice[i])+level < float64(room[i])+clearDB {
			s.octaves[i] = math.NaN()
		}
	}
	return s, !math.IsNaN(s.mid())
}

// The octaves of 250 to 1000 Hz hold most of a voice, from 2 kHz up it is bright.
const (
	warmOctave              = 1 // 125 Hz
	midOctave, brightOctave = 2, 5
)

// mid is the level of the middle octaves together.
func (s sounds) mid() float64 {
	var sum float64
	for _, db := range s.octaves[midOctave:brightOctave] {
		sum += math.Pow(10, db/10)
	}
	return 10 * math.Log10(sum)
}

// over is the mean difference from another reading over some octaves, that of the
// middle ones taken off; 0 where neither is clear. It is the mean of levels, not of
// power: a few sharp s alone move the power by 2 dB from one sentence of one reader
// to the next.
func (s sounds) over(other sounds, octaves ...int) float64 {
	var sum, n float64
	for _, i := range octaves {
		if d := s.octaves[i] - other.octaves[i]; !math.IsNaN(d) {
			sum += d
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum/n - (s.mid() - other.mid())
}

// middle is the median of each figure; an octave that is clear in less than half of
// them is not clear.
func middle(of []sounds) sounds {
	median := func(figure func(sounds) float64) float64 {
		var values []float64
		for _, s := range of {
			if v := figure(s); !math.IsNaN(v) {
				values = append(values, v)
			}
		}
		if 2*len(values) < len(of) {
			return math.NaN()
		}
		slices.Sort(values)
		return (values[(len(values)-1)/2] + values[len(values)/2]) / 2
	}
	m := sounds{
		voice:       median(func(s sounds) float64 { return s.voice }),
		roomToVoice: median(func(s sounds) float64 { return s.roomToVoice }),
	}
	for i := range m.octaves {
		m.octaves[i] = median(func(s sounds) float64 { return s.octaves[i] })
	}
	return m
}

func (c chapters) middle() sounds {
	of := make([]sounds, len(c))
	for i, chapter := range c {
		of[i] = chapter.sounds
	}
	return middle(of)
}

// newest returns those made last, in the order of the book.
func (c chapters) newest() chapters {
	out := slices.Clone(c)
	slices.SortStableFunc(out, func(a, b chapter) int { return b.report.MadeAt.Compare(a.report.MadeAt) })
	out = out[:min(len(out), newestChapters)]
	out.sort()
	return out
}

// speakingDBFS is the level of the words in the newest recordings. ITU-T P.56 counts
// from the same top as plain RMS: a square wave at full scale is 0 in both.
func (c chapters) speakingDBFS() float64 { return c.newest().middle().voice }

func (c chapters) names() []string {
	out := []string{}
	for _, chapter := range c {
		out = append(out, chapter.name)
	}
	return out
}

// inWords names the chapters.
func (c chapters) inWords() string {
	names := c.names()
	numbers := make([]string, len(names))
	for i, name := range names {
		numbers[i] = takes.TrackNumber(name)
	}
	return report.Chapters(names, numbers)
}

// What is told as a difference, our choice. From one sentence to the next of one
// reader in one room (kerstin_*_raw.wav, LJ001-*) the brightness moves by 0.9 to 1.7 dB
// (standard deviation), half a minute by half of that; 3 dB more of the room is twice
// its power. A level is evened by mastering, so only one far off is worth a word.
const (
	roomToVoiceTellDB = 3.0
	brightnessTellDB  = 3.0
	levelTellDB       = 6.0
)

// compare finds how the test differs from the book.
func (a *RoomAnswer) compare(book chapters) {
	a.room.ComparedWith = []string{}
	if !a.room.WithSpeech || len(book) == 0 {
		return
	}
	s, ok := soundsOf(a.measured, float64(a.room.VoiceDBFS))
	if !ok {
		return
	}
	b := book.middle()
	a.room.ComparedWith = book.names()
	a.room.Differs = &report.Differences{
		RoomToVoiceDB: report.Figure(s.roomToVoice - b.roomToVoice),
		BrightnessDB:  report.Figure(s.over(b, brightOctave, brightOctave+1, brightOctave+2)),
		WarmthDB:      report.Figure(s.over(b, warmOctave)),
		LevelDB:       report.Figure(s.voice - b.voice),
	}
}

// worthTelling leaves only the differences worth a word.
func worthTelling(d report.Differences) (o report.Other) {
	for _, f := range []struct {
		to    *float64
		db    report.Figure
		least float64
	}{
		{&o.RoomToVoiceDB, d.RoomToVoiceDB, roomToVoiceTellDB},
		{&o.BrightnessDB, d.BrightnessDB, brightnessTellDB},
		{&o.LevelDB, d.LevelDB, levelTellDB},
	} {
		if v := float64(f.db); v >= f.least || v <= -f.least {
			*f.to = v
		}
	}
	return o
}
