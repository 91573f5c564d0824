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

// sounds is how a reading sounds: levels and differences of levels, dB.
type sounds struct{ roomToVoice, brightness, warmth, voice float64 }

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

// soundsOf reads how a recording whose words have the given level sounds; ok is false
// if it holds too little voice or room. The room is taken from 88 Hz up, which rumble does not reach.
func soundsOf(m report.Measured, level float64) (s sounds, ok bool) {
	voice, room := m.VoiceBandsDB, m.RoomBandsDBFS
	if voice == nil || room == nil {
		return sounds{}, false
	}
	return sounds{
		roomToVoice: bandsDB(room[1:]) - level,
		brightness:  bandsDB(voice[5:]) - bandsDB(voice[2:5]), // 2 to 8 kHz against 250 to 1000 Hz
		warmth:      float64(voice[1]) - bandsDB(voice[3:5]),  // 125 Hz against 500 and 1000
		voice:       level,
	}, true
}

// middle is the median of each figure.
func middle(of []sounds) sounds {
	median := func(figure func(sounds) float64) float64 {
		values := make([]float64, len(of))
		for i, s := range of {
			values[i] = figure(s)
		}
		slices.Sort(values)
		return (values[(len(values)-1)/2] + values[len(values)/2]) / 2
	}
	return sounds{
		roomToVoice: median(func(s sounds) float64 { return s.roomToVoice }),
		brightness:  median(func(s sounds) float64 { return s.brightness }),
		warmth:      median(func(s sounds) float64 { return s.warmth }),
		voice:       median(func(s sounds) float64 { return s.voice }),
	}
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

// What is told as a difference. Two evenings of one reader in one room differ by 1 to
// 2 dB in all of these; 3 dB is twice the power, and a voice that much duller is
// heard as another one when chapters follow each other. A level is evened by
// mastering, so only one far off is worth a word. Our choice.
const (
	roomToVoiceTellDB = 3.0
	brightnessTellDB  = 3.0
	levelTellDB       = 6.0
)

// compare finds how the test differs from the book.
func (a *RoomAnswer) compare(book chapters) {
	a.room.ComparedWith = []string{}
	s, ok := soundsOf(a.measured, float64(a.room.VoiceDBFS))
	if !ok || !a.room.WithSpeech || len(book) == 0 {
		return
	}
	b := book.middle()
	a.room.ComparedWith = book.names()
	a.room.Differs = &report.Differences{
		RoomToVoiceDB: report.Figure(s.roomToVoice - b.roomToVoice),
		BrightnessDB:  report.Figure(s.brightness - b.brightness),
		WarmthDB:      report.Figure(s.warmth - b.warmth),
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
