package report

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lectern/config"
	"lectern/pipeline/meter"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden holds text against testdata/golden/name.
func golden(t *testing.T, name string, text []byte) {
	t.Helper()
	path := filepath.Join("testdata", "golden", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	want = bytes.ReplaceAll(want, []byte("\r\n"), []byte("\n"))
	if d := cmp.Diff(string(want), string(text)); d != "" {
		t.Errorf("differs from %s (-want +got); go test -update writes it anew:\n%s", path, d)
	}
}

func ptr[T any](v T) *T { return &v }

var standsOut = SaysStandsOut(377.5, "take 1", "take 2", Differs{ColorDB: -3.4, Hz: 4000})

// made is a report with something under every key: two takes, one of them
// clipped, joined, with a sentence that may be read twice, and judged by the default
// limits, all of which it meets.
func made() *Report {
	settings := config.Default().Chapter
	sum := func(c string) string { return strings.Repeat(c, 64) }
	measured := Measured{
		SamplePeakDBFS: -3.021, TruePeakDBTP: -2.93, RMSDBFS: -20.314, ReadingRMSDBFS: -20.06,
		IntegratedLUFS: -19.43, LoudnessRangeLU: 2.56, MaxShortTermLUFS: -18.13, MaxMomentaryLUFS: -15.66,
		NoiseFloorDBFS: -62.44, RoomToneDBFS: -61.14, ActiveSpeechDBOV: -19.47,
		SpeechSharePct: 82.4, PhraseSpreadDB: 0.31, HeadS: ptr(Seconds(0.5)), TailS: ptr(Seconds(1.99)),
		DurationS: 754.5, Convention: "mono measured as one channel",
	}
	raw := func(number int, name, hex string) Raw {
		return Raw{
			Role: "take", Number: number, Name: name, NameHex: hex, ArchivedAs: strings.TrimSuffix(name, ".wav") + ".r2.wav",
			SHA256: sum("a"), Format: "WAV 24-bit 48 kHz mono", DurationS: 377.25, Measured: measured, Findings: []Finding{},
		}
	}
	r := &Report{
		Schema: Schema, State: "finished", Book: "A Ledger of Small Tides", Chapter: "03 The Ferry <&> Back",
		Revision: 2, MadeAt: time.Date(2026, 11, 25, 9, 37, 21, 0, time.UTC),
		MadeBy:   MadeBy{Version: "1.2.3", Chain: 1, SettingsSHA256: settings.SHA256()},
		JudgedBy: JudgedBy,
		Raws: []Raw{
			raw(1, "03 The Ferry <&> Back take 1.wav", "303320546865204665727279"),
			raw(2, "03 The Ferry <&> Back take 2.wav", "303320546865204665727279"),
		},
		Finished: Finished{
			Name: "03 The Ferry <&> Back.mp3", SHA256: sum("b"), AudioSHA256: sum("c"), Bytes: 18109690, DurationS: 754.5,
			Format: Format{
				Codec: "MP3", Says: "MP3 192 kbps constant 44.1 kHz mono", SampleRateHz: 44100, Channels: 1,
				BitrateKbps: 192, ConstantRate: true, Frames: 28883,
			},
			Measured: measured,
			Findings: []Finding{{
				Kind: "join_stands_out", AtS: 377.5, UntilS: 377.5, FinishedAtS: ptr(Seconds(377.5)), DB: ptr(Figure(3.4)),
				Says: standsOut,
			}},
		},
		Steps: []Step{
			{Name: "clean", Figures: map[string]Figure{"rumble_hz": 70, "took_db": 21.37}, GaveWay: []GaveWay{}},
			{
				Name:    "normalize",
				Figures: map[string]Figure{"overall_db": 12.891, "limited_max_db": 8, "ceiling_dbfs": -3.03},
				GaveWay: []GaveWay{{"rms", -0.42}},
			},
		},
		Recipe: Recipe{Settings: settings, Edits: []Edit{
			{Raw: ptr(0), FromS: 1.99, ToS: 378.99, AtS: 0},
			{Raw: ptr(1), FromS: 0.4, ToS: 376.9, AtS: 377},
			{ToS: 1, AtS: 753.5},
		}, Answers: []Answer{{RawSHA256: sum("a"), FromS: 120.25, AgainS: 123.5, Cut: true}}, Sample: &SampleOf{
			Chapter: "03 The Ferry <&> Back", Revision: 2, FromS: 70.5, ToS: -1, BeginsS: 69.84, EndsS: 251.3,
		}},
		Joins: []Join{{
			Number: 1, Kind: "read_again", AtS: 377.5, FromRaw: 0, FromS: 378.49, ToRaw: 1, ToS: 0.9, Likeness: 2.518,
			Dropped: []Piece{{Raw: 0, FromS: 379.2, ToS: 383.44}}, DroppedS: 4.24, UnreadS: 0.41,
			GainDB: -1.204, ColorDB: ptr(Figure(3.4)), RoomDB: ptr(Figure(-0.71)), Says: "At 6:18 take 2 takes over from take 1.",
		}},
		History: []string{},
		Retakes: []Retake{{
			Number: 1, State: "asked", Raw: 0, FromS: 61.2, ToS: 63.9, AgainS: 64.75, AgainToS: 67.41,
			FinishedAtS: ptr(Seconds(59.21)), FinishedAgainS: ptr(Seconds(62.76)), Likeness: 8.214,
		}},
		Took: Took{WallS: 7.704, TimesRealTime: 97.94},
		Tags: &Tags{
			Title: "The Ferry <&> Back", Album: "A Ledger of Small Tides", Artist: "Odile Marsh", Narrator: "Tam Verrall", Track: "4/12",
			Genre: "Audiobook", Year: "2026", Language: "eng", Publisher: "Odile Marsh", CoverSHA256: sum("d"),
		},
		Curves: &Curves{
			ColumnS: 251.5, Low: []byte{0, 0x81, 0xFF}, High: []byte{1, 127, 0}, Loudness: []byte{80, 254, 255}, GainDB: []byte{0, 49, 0xF4},
		},
		Before: &Before{
			Raw: 1, FromS: 12.341, FinishedAtS: 389.441, DurationS: 10, GainDB: 12.891, SofterDB: 0.5, SHA256: sum("e"), Bytes: 241371,
		},
	}
	r.Raws[0].Findings = []Finding{
		{Kind: "clipped", AtS: 61.2, UntilS: 61.25, FinishedAtS: ptr(Seconds(59.21)), DB: ptr(Figure(-0.01)), Says: SaysClipped(PlaceOf(61.2, ptr(Seconds(59.21))))},
		{Kind: "dc_offset", UntilS: 377.25, Says: SaysOffset(0.4)},
	}
	r.Retakes[0].Says = SaysRetake(r.Retakes[0], r.Chapter)
	r.Checks = append(Judge(measured, r.Finished.Format, settings.Delivery, 377), JudgeTakes(r.Chapter, r.Joins, r.Retakes)...)
	r.Judge()
	return r
}

// silent is the measurement of a file in which nothing is heard.
func silent() Measured {
	return Measured{
		SamplePeakDBFS: meter.Silent, TruePeakDBTP: meter.Silent, RMSDBFS: meter.Silent, ReadingRMSDBFS: meter.Silent,
		IntegratedLUFS: meter.Silent, LoudnessRangeLU: meter.Silent, MaxShortTermLUFS: meter.Silent,
		MaxMomentaryLUFS: meter.Silent, NoiseFloorDBFS: meter.Silent, RoomToneDBFS: meter.Silent,
		ActiveSpeechDBOV: meter.Silent, DurationS: 10, Convention: "mono measured as one channel",
	}
}

func marshal(t *testing.T, v any) []byte {
	t.Helper()
	text, err := Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return text
}
