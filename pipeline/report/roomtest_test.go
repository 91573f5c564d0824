package report

import (
	"strings"
	"testing"

	"lectern/config"
	"lectern/pipeline/meter"
)

// answered is a room test with something under every key.
func answered() *RoomTestReport {
	m := made()
	raw := m.Raws[0]
	raw.Role, raw.Number, raw.Name, raw.ArchivedAs = "room test", 0, "room test.wav", "room test.r1.wav"
	raw.Findings[0].FinishedAtS = nil
	r := &RoomTestReport{
		Schema: Schema, State: StateRoomTest, Book: m.Book, Chapter: "room test", Revision: 1, MadeAt: m.MadeAt, MadeBy: m.MadeBy,
		JudgedBy: JudgedBy, Raws: []Raw{raw}, Took: m.Took,
		Checks: JudgeRoom(-66.9, -66.3, config.Default().Delivery, SaysRoomMuted()),
		RoomTest: RoomTest{
			Passes: true, WithSpeech: true, RoomS: 11.9, VoiceDBFS: -24.2, VoiceFrom: VoiceOfTest, GainDB: 4.6,
			RumbleTookDB: ptr(Figure(3.1)), NoiseFloorDBFS: -66.9, RoomToneDBFS: -66.3, OverLimitDB: ptr(Figure(-6.3)),
			Heard: []string{"hum", "click"}, ComparedWith: []string{"01 The Harbor", "02 The Salt House"},
			Differs: &Differences{RoomToVoiceDB: 6.1, BrightnessDB: -4.2, WarmthDB: 0.3, LevelDB: -2},
			Text:    TextFile{Name: "room test.txt", SHA256: strings.Repeat("d", 64), Bytes: 456},
			Says: []string{
				SaysRoomPasses("room tone", -66.3, -60), SaysVoiceOfTest(-24.2), SaysHeard(HeardInRoom{HumHz: 50, Clicks: []string{"0:07"}}),
				SaysCompared("chapters 1 to 2", Other{RoomToVoiceDB: 6.1, BrightnessDB: -4.2}),
			},
		},
	}
	r.Judge()
	return r
}

// unheard is a room test that holds nothing of the room.
func unheard() *RoomTestReport {
	r := answered()
	r.Checks = JudgeRoom(meter.Silent, meter.Silent, config.Default().Delivery, SaysRoomTooShort(1.2, 3))
	r.RoomTest = RoomTest{
		VoiceDBFS: -26, VoiceFrom: VoiceAssumed, NoiseFloorDBFS: meter.Silent, RoomToneDBFS: meter.Silent,
		Heard: []string{}, ComparedWith: []string{}, Says: []string{SaysRoomTooShort(1.2, 3)}, Text: r.RoomTest.Text,
	}
	r.Judge()
	return r
}

func TestRoomTestAsWritten(t *testing.T) {
	golden(t, "roomtest.json", marshal(t, answered()))
	golden(t, "roomtest.txt", []byte(answered().WriteText()))
}

func TestSchemaAcceptsRoomTests(t *testing.T) {
	for name, r := range map[string]*RoomTestReport{"full": answered(), "unheard": unheard()} {
		if err := compiled(t, "").Validate(decoded(t, marshal(t, r))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if answered().Verdict != Pass || unheard().Verdict != Fail {
		t.Error("the reports above must cover both verdicts")
	}
	doc := decoded(t, marshal(t, answered()))
	for _, path := range []string{"new", "room_test.new", "room_test.differs.new", "room_test.text.new"} {
		set(t, doc, path, 1.0)
	}
	set(t, doc, "finished", nil)
	if err := compiled(t, "").Validate(doc); err != nil {
		t.Errorf("no room to grow: %v", err)
	}
}

func TestSchemaRefusesRoomTests(t *testing.T) {
	type mutation struct {
		path  string
		value any
		at    string
	}
	var table []mutation
	lacks := func(under string, keys ...string) {
		for _, k := range keys {
			table = append(table, mutation{path: strings.TrimPrefix(under+"."+k, "."), value: deleted})
		}
	}
	lacks("", "book", "chapter", "revision", "made_at", "made_by", "verdict", "judged_by", "checks", "raws", "room_test", "took")
	lacks("room_test", "passes", "with_speech", "room_s", "voice_dbfs", "voice_from", "gain_db", "rumble_took_db", "noise_floor_dbfs",
		"room_tone_dbfs", "over_limit_db", "eased_db", "heard", "compared_with", "differs", "says", "text")
	lacks("room_test.text", "name", "sha256", "bytes")
	table = append(table, []mutation{
		{path: "verdict", value: "listen"},
		{path: "verdict", value: "fail", at: "/checks/0/pass"},
		{path: "raws", value: []any{}},
		{path: "finished", value: map[string]any{}},
		{path: "room_test.passes", value: "nearly"},
		{path: "room_test.room_s", value: -1.0},
		{path: "room_test.voice_from", value: "guess"},
		{path: "room_test.eased_db", value: -1.0},
		{path: "room_test.heard.0", value: "a hum", at: "/room_test/heard/0"},
		{path: "room_test.says", value: []any{}},
		{path: "room_test.text.name", value: "room test.mp3"},
	}...)
	schema := compiled(t, "")
	for _, m := range table {
		doc := decoded(t, marshal(t, answered()))
		if m.path == "room_test.heard.0" {
			set(t, doc, "room_test.heard", []any{m.value})
		} else {
			set(t, doc, m.path, m.value)
		}
		t.Run(m.path, func(t *testing.T) { refusedAt(t, schema.Validate(doc), m.path, m.value, m.at) })
	}
}

func TestChapters(t *testing.T) {
	for _, tt := range []struct {
		names, numbers []string
		want           string
	}{
		{[]string{"03 The Ferry"}, []string{"3"}, "chapter 3"},
		{[]string{"01 a", "02 b", "03 c", "04 d"}, []string{"1", "2", "3", "4"}, "chapters 1 to 4"},
		{[]string{"01 a", "03 c"}, []string{"1", "3"}, "01 a and 03 c"},
		{[]string{"01 a", "Credits"}, []string{"1", ""}, "01 a and Credits"},
		{[]string{"Credits"}, []string{""}, "Credits"},
		{[]string{"1", "2", "4", "5", "6"}, []string{"1", "2", "4", "5", "6"}, "1, 2, 4 and 2 more"},
	} {
		if got := Chapters(tt.names, tt.numbers); got != tt.want {
			t.Errorf("%q: %q, want %q", tt.names, got, tt.want)
		}
	}
}

// roomSentences are all that a room test can say.
func roomSentences() []string {
	all := []string{
		SaysRoomPasses("room tone", -66.3, -60), SaysRoomJustPasses("room tone", -54.6, -60, 6.4),
		SaysRoomFails("room tone", -44.3, -60, 12), SaysRoomFails("noise floor", -52.3, -60, 0),
		SaysRoomTooShort(1.2, 3), SaysRoomMuted(), SaysRoomStill(), SaysRoomRestless(),
		SaysVoiceAssumed(-26), SaysVoiceOfBook("chapters 1 to 4", -23.8), SaysVoiceOfTest(-24.2),
		SaysHeard(HeardInRoom{}), SaysHeard(HeardInRoom{HumHz: 50, Hiss: true, Rumble: true, Clicks: []string{"0:02"}, Thumps: []string{"0:03", "0:05"}}),
		SaysHeard(HeardInRoom{Rumble: true, RumbleStays: true, Clicks: []string{"0:01", "0:02", "0:03", "0:04", "0:05", "0:06"}}),
		AdviseHum, AdviseHiss, SaysTooFewWords(),
	}
	for _, room := range []float64{6, 0, -5} {
		for _, bright := range []float64{4, 0, -4} {
			all = append(all, SaysCompared("chapters 1 to 4", Other{RoomToVoiceDB: room, BrightnessDB: bright}))
		}
	}
	return append(all, SaysCompared("chapter 1", Other{LevelDB: -8}), SaysCompared("chapter 1", Other{RoomToVoiceDB: 6, BrightnessDB: -4, LevelDB: 7}))
}
