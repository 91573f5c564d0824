package pipeline

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/config"
	"lectern/pipeline/internal/made"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
)

// tested answers a room test that holds x.
func tested(t *testing.T, x []float32, set config.Chapter, book ...report.Report) *RoomAnswer {
	t.Helper()
	path := filepath.Join(t.TempDir(), "room test.wav")
	if err := os.WriteFile(path, made.WAVFloat(made.RateHz, x), 0o600); err != nil {
		t.Fatal(err)
	}
	a, err := TestRoom(context.Background(), RoomJob{
		Book: "Tides", Name: "room test", Settings: set, Version: "1", Chapters: book,
		Raw: Raw{Path: path, Name: "room test.wav", Role: "room test"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// roomOf makes s seconds of nothing but a room.
func roomOf(dbfs, s float64) []float32 {
	tape := made.NewTape(3)
	tape.Pause(s)
	tape.Room(dbfs)
	return tape.Float32()
}

// spoken makes 10 s of room and then words at a level, in a room.
func spoken(voiceDBFS, roomDBFS float64) []float32 {
	tape := made.NewTape(3)
	tape.Pause(10)
	for range 6 {
		tape.Phrase(voiceDBFS, 2, made.None, made.None)
		tape.Pause(0.8)
	}
	tape.Room(roomDBFS)
	return tape.Float32()
}

func withEase(db float64) config.Chapter {
	set := config.Default().Chapter
	set.Level.EaseMaxDB = db
	return set
}

// The made rooms are exactly as loud as they say, so what they would be in the
// finished file is known: the level of the room, less that of the voice, plus the aim.
func TestRoomPassesOrNot(t *testing.T) {
	set := config.Default().Chapter
	chapter := made2Chapter("03 The Ferry", -20, -70)
	for _, tt := range []struct {
		name    string
		x       []float32
		set     config.Chapter
		book    []report.Report
		db      float64 // room tone in the finished file
		passes  bool
		easedDB float64
		says    string
	}{
		{"words at -20 in a room at -66", spoken(-20, -66), set, nil, -66, true, 0, "Your room passes: its room tone would be about -65."},
		{"8 dB too loud, and no easing", spoken(-20, -52), withEase(0), nil, -52, false, 0, "; the limit is -60. Your room is about 9 dB too loud: switch off"},
		{"8 dB too loud, eased", spoken(-20, -52), set, nil, -52, true, 9, "Your room just passes"},
		{"more than easing can do", spoken(-20, -44), set, nil, -44, false, 12, "about 17 dB too loud, more than the 12 dB by which"},
		{"a soft voice in a quiet room", spoken(-40, -72), withEase(0), nil, -52, false, 0, "Your room is about 9 dB too loud"},
		{"no words: a usual voice", roomOf(-72, 12), set, nil, -66, true, 0, "a normal speaking level, a voice of about -26 dB"},
		{"no words: the book's voice", roomOf(-66, 12), set, []report.Report{chapter}, -66, true, 0, "the level at which you spoke in chapter 3, a voice of about -20 dB"},
	} {
		a := tested(t, tt.x, tt.set, tt.book...)
		r := a.room
		if want := tt.db + readingUnderVoiceDB; math.Abs(float64(r.RoomToneDBFS)-want) > 0.4 || math.Abs(float64(r.NoiseFloorDBFS)-want) > 1 {
			t.Errorf("%s: room tone %.2f, noise floor %.2f, want %.2f", tt.name, r.RoomToneDBFS, r.NoiseFloorDBFS, want)
		}
		if r.Passes != tt.passes || math.Abs(float64(r.EasedDB)-tt.easedDB-0.4) > 0.5 && r.EasedDB != report.Figure(tt.easedDB) {
			t.Errorf("%s: passes %v with %.2f dB of easing, want %v with %.1f", tt.name, r.Passes, r.EasedDB, tt.passes, tt.easedDB)
		}
		if !strings.Contains(a.Text(), tt.says) {
			t.Errorf("%s: the text does not say %q:\n%s", tt.name, tt.says, a.Text())
		}
		if (a.report.Verdict == report.Pass) != tt.passes {
			t.Errorf("%s: verdict %s", tt.name, a.report.Verdict)
		}
	}
}

// The check beside it: what a room test foretells is what mastering makes of the
// very same recording.
func TestRoomTestForetellsTheChapter(t *testing.T) {
	for _, roomDBFS := range []float64{-72, -58} {
		x := spoken(-26, roomDBFS)
		a := tested(t, x, withEase(0))
		path := filepath.Join(t.TempDir(), "03 The Ferry.wav")
		if err := os.WriteFile(path, made.WAVFloat(made.RateHz, x), 0o600); err != nil {
			t.Fatal(err)
		}
		m, err := Make(context.Background(), Job{
			Chapter: "03 The Ferry", Dir: t.TempDir(), Settings: withEase(0), Raws: []Raw{{Path: path, Name: "03 The Ferry.wav", Role: "chapter"}},
		})
		if err != nil {
			t.Fatal(err)
		}
		// The made voice has long pauses, which the reading's RMS holds and the test's
		// usual share of them does not: at most 2 dB.
		if off := float64(m.measured.RoomToneDBFS - a.room.RoomToneDBFS); math.Abs(off) > 2 {
			t.Errorf("room at %.0f: %.2f foretold, %.2f made", roomDBFS, a.room.RoomToneDBFS, m.measured.RoomToneDBFS)
		}
	}
}

// Rumble that the chain takes out is no reason to fail, unless it is left in.
func TestRumbleIsTakenOutOfTheRoom(t *testing.T) {
	x := roomOf(-75, 12)
	for i, v := range sine(len(x), 25, 0.004) {
		x[i] += v
	}
	set := withEase(0)
	a := tested(t, x, set)
	if !a.room.Passes || *a.room.RumbleTookDB < 15 || !slices.Equal(a.room.Heard, []string{"rumble"}) {
		t.Errorf("passes %v, took %v, heard %v", a.room.Passes, *a.room.RumbleTookDB, a.room.Heard)
	}
	if !strings.Contains(a.Text(), "a rumble too low to be heard well, which Lectern takes out") {
		t.Errorf("%s", a.Text())
	}
	set.Level.RumbleHz = 0
	if a := tested(t, x, set); a.room.Passes || *a.room.RumbleTookDB > 0.1 || strings.Contains(a.Text(), "takes out") {
		t.Errorf("with the filter off: passes %v, took %v\n%s", a.room.Passes, *a.room.RumbleTookDB, a.Text())
	}
}

func TestHeardInTheRoom(t *testing.T) {
	room := func(change func(tape *made.Tape)) []float32 {
		tape := made.NewTape(3)
		tape.Pause(12)
		change(tape)
		return tape.Float32()
	}
	set := config.Default().Chapter
	for name, tt := range map[string]struct {
		x    []float32
		want []string
	}{
		"nothing":                     {roomOf(-70, 12), nil},
		"hiss":                        {room(func(tape *made.Tape) { tape.White(-62) }), []string{"hiss"}},
		"a hiss too soft to be heard": {room(func(tape *made.Tape) { tape.White(-80) }), nil},
		"clicks": {room(func(tape *made.Tape) {
			tape.Knock(3, -25, 3000, 0.002)
			tape.Knock(7, -25, 3000, 0.002)
			tape.Room(-70)
		}), []string{"click"}},
		"a thump": {room(func(tape *made.Tape) { tape.Knock(5, -25, 90, 0.06); tape.Room(-70) }), []string{"thump"}},
		"hum": {func() []float32 {
			x := roomOf(-70, 12)
			for i := range x {
				at := 2 * math.Pi * float64(i) / sampleRateHz
				x[i] += float32(0.001 * (math.Sin(60*at) + math.Sin(180*at)))
			}
			return x
		}(), []string{"hum"}},
	} {
		if a := tested(t, tt.x, set); !slices.Equal(a.heard(), tt.want) {
			t.Errorf("%s: heard %v, want %v", name, a.heard(), tt.want)
		}
	}
}

func TestRoomNotHeard(t *testing.T) {
	set := config.Default().Chapter
	for name, tt := range map[string]struct {
		x    []float32
		says string
	}{
		"short":  {roomOf(-70, 2), "There are only 1.9 seconds of nothing but your room"},
		"silent": {make([]float32, 12*sampleRateHz), "holds no sound at all"},
		"muted between the words": {func() []float32 {
			x := spoken(-20, -70)
			for i := range x {
				x[i] += 0.002
			}
			clear(x[:10*sampleRateHz]) // a constant offset hides that nothing was recorded
			return x[:12*sampleRateHz+sampleRateHz/2]
		}(), "holds no sound at all"},
		"nothing but an offset": {slices.Repeat([]float32{0.01}, 12*sampleRateHz), "holds no sound at all"},
		"words only": {func() []float32 {
			tape := made.NewTape(5)
			for range 4 {
				tape.Phrase(-20, 3, made.S, made.None)
				tape.Pause(0.4)
			}
			tape.Room(-70)
			return tape.Float32()
		}(), "seconds of nothing but your room"},
	} {
		a := tested(t, tt.x, set)
		if a.room.Passes || a.report.Verdict != report.Fail || a.room.OverLimitDB != nil || len(a.room.Says) != 1 {
			t.Errorf("%s: %+v", name, a.room)
		}
		if !strings.Contains(a.Text(), tt.says) || !strings.Contains(a.Text(), "ecord 10 s of silence") {
			t.Errorf("%s: %s", name, a.Text())
		}
		for _, c := range a.report.Checks {
			if c.Pass || c.Measured != nil || c.Advice == "" {
				t.Errorf("%s: %+v", name, c)
			}
		}
	}
}

func TestRoomTestRefusesWhatIsNoRecording(t *testing.T) {
	path := filepath.Join(t.TempDir(), "room test.wav")
	if err := os.WriteFile(path, []byte("a letter"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := TestRoom(context.Background(), RoomJob{Name: "room test", Raw: Raw{Path: path, Name: "room test.wav"}, Settings: config.Default().Chapter})
	var raw *RawError
	if !errors.As(err, &raw) {
		t.Errorf("%v", err)
	}
}

// made2Chapter is the report of a chapter read by the made voice.
func made2Chapter(name string, voiceDBFS, roomDBFS float64) report.Report {
	return report.Report{State: "finished", Chapter: name, Raws: []report.Raw{{Measured: report.Measured{
		ActiveSpeechDBOV: meter.DB(voiceDBFS),
		VoiceBandsDB:     []report.Figure{-40, -10, -8, -5, -8, -12, -15, -20},
		RoomBandsDBFS:    slices.Repeat([]report.Figure{report.Figure(roomDBFS) - 8.45}, 8),
	}}}}
}

// asChapter makes of a room test's own figures the report of a chapter.
func asChapter(name string, a *RoomAnswer) report.Report {
	return report.Report{State: "finished", Chapter: name, Raws: []report.Raw{{Measured: a.measured}}}
}

// duller takes what lies above about 800 Hz down, as a step aside does.
func duller(x []float32) []float32 {
	out := make([]float32, len(x))
	k := float32(1 - math.Exp(-2*math.Pi*800/sampleRateHz))
	var y float32
	for i, v := range x {
		y += k * (v - y)
		out[i] = 0.3*v + 0.7*y
	}
	return out
}

// besides adds a room that is so loud by itself.
func besides(x []float32, dbfs float64) []float32 {
	out := slices.Clone(x)
	for i, v := range roomOf(dbfs, float64(len(x))/sampleRateHz) {
		out[i] += v
	}
	return out
}

func TestRoomTestIsComparedWithTheBook(t *testing.T) {
	set := config.Default().Chapter
	same := spoken(-24, -68)
	first := tested(t, same, set)
	var book []report.Report
	for _, name := range []string{"02 The Salt House", "01 The Harbor", "10 Rope", "03 The Ferry"} {
		book = append(book, asChapter(name, first))
	}
	inOrder := slices.Delete(slices.Clone(book), 2, 3)
	for _, tt := range []struct {
		name string
		x    []float32
		book []report.Report
		says string
	}{
		{"the same", same, inOrder, "Room tone and the color of your voice are as in chapters 1 to 3."},
		{"farther off", besides(duller(same), -63.3), inOrder, "Room tone 6 dB higher, voice duller: you are farther from the microphone than in chapters 1 to 3, or you have a cold."},
		{"only duller", duller(same), book, "Voice duller by 6 dB, room tone the same: you speak past the microphone more than in 01 The Harbor, 02 The Salt House, 03 The Ferry and 1 more, or you have a cold."},
		{"something is on", besides(same, -62.8), inOrder[:1], "Room tone 6 dB higher, voice of the same color: something in the room is on that was off in chapter 2"},
		{"softer", scaled(same, -9), inOrder, "Your voice is 9 dB softer than there; Lectern evens that."},
	} {
		a := tested(t, tt.x, set, tt.book...)
		if !strings.Contains(a.Text(), tt.says) {
			t.Errorf("%s: %+v\n%s", tt.name, a.room.Differs, a.Text())
		}
		if len(a.room.ComparedWith) != len(tt.book) {
			t.Errorf("%s: compared with %q", tt.name, a.room.ComparedWith)
		}
	}
	// Without words, or without enough of them, nothing is compared.
	if a := tested(t, roomOf(-68, 12), set, book...); a.room.Differs != nil || len(a.room.ComparedWith) != 0 {
		t.Errorf("room alone: %+v", a.room.Differs)
	}
	few := slices.Concat(roomOf(-68, 10), spoken(-24, -68)[10*sampleRateHz:12*sampleRateHz], roomOf(-68, 2))
	if a := tested(t, few, set, book...); a.room.Differs != nil || !strings.Contains(a.Text(), "too few words in it") {
		t.Errorf("few words: %s", a.Text())
	}
}

func scaled(x []float32, db float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = v * float32(dbToAmplitude(db))
	}
	return out
}

// The middle of many evenings is compared with, so that one odd chapter does not
// count, and the level is that of the newest.
func TestBookIsItsMiddle(t *testing.T) {
	var reports []report.Report
	for i, voice := range []float64{-30, -30, -20, -21, -22, -23, -24} {
		r := made2Chapter(string(rune('1'+i)), voice, -70)
		r.MadeAt = time.Date(2026, 11, 1+i, 20, 0, 0, 0, time.UTC)
		reports = append(reports, r)
	}
	reports[4].Raws[0].Measured.RoomBandsDBFS = slices.Repeat([]report.Figure{-40}, 8)
	reports = append(reports, report.Report{Chapter: "from an earlier version", Raws: []report.Raw{{}}})
	book := heardBook(reports)
	if len(book) != 7 || book.speakingDBFS() != -22 || book.inWords() != "chapters 1 to 7" || book.newest().inWords() != "chapters 3 to 7" {
		t.Errorf("%d chapters, voice %.2f, %s, %s", len(book), book.speakingDBFS(), book.inWords(), book.newest().inWords())
	}
	if room := book.middle().roomToVoice; math.Abs(room - -46) > 0.01 {
		t.Errorf("room to voice %.2f, want -46", room)
	}
}

func TestRoomTestHandsOver(t *testing.T) {
	tape := made.NewTape(3)
	tape.Pause(12)
	tape.Knock(3, -25, 3000, 0.002)
	tape.Room(-70)
	a := tested(t, tape.Float32(), config.Default().Chapter)
	text := report.TextFile{Name: "room test.txt", SHA256: strings.Repeat("a", 64), Bytes: 1}
	r := a.Report(2, time.Date(2026, 11, 25, 9, 0, 0, 5, time.UTC), "room test.r2.wav", text)
	recipe := a.Recipe(2, "room test.r2.wav")
	if r.Revision != 2 || r.Raws[0].ArchivedAs != "room test.r2.wav" || r.RoomTest.Text != text || r.MadeAt.Nanosecond() != 0 ||
		r.Raws[0].SHA256 != a.RawSHA256() || r.Raws[0].Role != "room test" || r.State != "room_test" {
		t.Errorf("%+v", r)
	}
	if raw := recipe.Raws[0]; raw.ArchivedAs != "room test.r2.wav" || raw.SHA256 != a.RawSHA256() || recipe.Edits == nil || recipe.Settings != config.Default().Chapter {
		t.Errorf("%+v", recipe)
	}
	if len(r.Raws[0].Findings) == 0 {
		t.Error("the click is not told")
	}
	for _, f := range r.Raws[0].Findings {
		if f.FinishedAtS != nil || strings.Contains(f.Says, "cut away") {
			t.Errorf("%s has a place in a finished file: %s", f.Kind, f.Says)
		}
	}
	for _, says := range r.RoomTest.Says {
		if !strings.Contains(a.Text(), says) {
			t.Errorf("the text lacks %q", says)
		}
	}
}
