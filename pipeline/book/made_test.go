package book

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"lectern/config"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

var now = time.Date(2026, 11, 26, 14, 2, 33, 0, time.UTC)

const ledger = "A Ledger of Small Tides"

func ptr[T any](v T) *T { return &v }

// sum is a SHA-256 that stands for text.
func sum(text string) string {
	return (fmt.Sprintf("%x", text) + strings.Repeat("0", 64))[:64]
}

// made is a report of a chapter of ten minutes within all limits; change it as the test
// needs it.
func made(chapter string, changes ...func(*report.Report)) Filed {
	measured := report.Measured{
		SamplePeakDBFS: -3.03, TruePeakDBTP: -2.93, RMSDBFS: -20, ReadingRMSDBFS: -20, IntegratedLUFS: -19.4,
		LoudnessRangeLU: 2.5, MaxShortTermLUFS: -18, MaxMomentaryLUFS: -15, NoiseFloorDBFS: -66, RoomToneDBFS: -64,
		ActiveSpeechDBOV: -19, SpeechSharePct: 82, PhraseSpreadDB: 0.3, HeadS: ptr(report.Seconds(0.5)), TailS: ptr(report.Seconds(2)),
		DurationS: 600, VoiceBandsDB: []report.Figure{-55, -14, -6, -4, -8, -12, -13, -24}, Convention: "mono measured as one channel",
	}
	r := &report.Report{
		Schema: report.Schema, State: report.StateFinished, Book: ledger, Chapter: chapter, Revision: 1,
		MadeAt:  time.Date(2026, 11, 25, 9, 37, 21, 0, time.UTC),
		MadeBy:  report.MadeBy{Version: "1.2.3", Chain: 7, SettingsSHA256: sum("settings")},
		Verdict: report.Pass,
		Raws:    []report.Raw{{Role: takes.Chapter, Name: chapter + ".wav", DurationS: 604, Measured: measured, Findings: []report.Finding{}}},
		Finished: report.Finished{
			Name: chapter + ".mp3", SHA256: sum("file " + chapter), AudioSHA256: sum("sound " + chapter), DurationS: 600,
			Format:   report.Format{Codec: "MP3", Says: "MP3 192 kbps constant 44.1 kHz mono", SampleRateHz: 44100, Channels: 1, BitrateKbps: 192, ConstantRate: true, Frames: 22968},
			Measured: measured, Findings: []report.Finding{},
		},
		Recipe: report.Recipe{Settings: config.Default().Chapter, Edits: []report.Edit{{Raw: ptr(0), FromS: 2, ToS: 602}}},
	}
	for _, change := range changes {
		change(r)
	}
	r.Checks = append(report.Judge(r.Finished.Measured, r.Finished.Format, config.Default().Delivery, 300), report.JudgeTakes(r.Chapter, r.Joins, r.Retakes)...)
	r.Judge()
	return Filed{Stem: chapter, Report: r}
}

func revision(n int) func(*report.Report) {
	return func(r *report.Report) {
		r.Revision = n
		r.Finished.SHA256, r.Finished.AudioSHA256 = sum(fmt.Sprint("file ", n, r.Chapter)), sum(fmt.Sprint("sound ", n, r.Chapter))
	}
}

func lasts(s report.Seconds) func(*report.Report) {
	return func(r *report.Report) {
		r.Finished.DurationS, r.Finished.Measured.DurationS = s, s
		r.Recipe.Edits[0].ToS = 2 + s
	}
}

// measures changes figures of the finished file.
func measures(change func(*report.Measured)) func(*report.Report) {
	return func(r *report.Report) { change(&r.Finished.Measured) }
}

// noisy fails two limits.
func noisy(m *report.Measured) { m.NoiseFloorDBFS, m.RoomToneDBFS = -52.5, -51 }

// found adds findings to the first raw, or to the finished file.
func foundRaw(f ...report.Finding) func(*report.Report) {
	return func(r *report.Report) { r.Raws[0].Findings = append(r.Raws[0].Findings, f...) }
}

func found(f ...report.Finding) func(*report.Report) {
	return func(r *report.Report) { r.Finished.Findings = append(r.Finished.Findings, f...) }
}

// click is one at a place of the finished file.
func click(at report.Seconds) report.Finding {
	return report.Finding{Kind: "click", AtS: at + 2, UntilS: at + 2.1, FinishedAtS: &at, DB: ptr(report.Figure(-24)), Says: report.SaysClick(report.PlaceOf(float64(at), &at), -24)}
}

// joined adds a second take that takes over at a place.
func joined(at report.Seconds) func(*report.Report) {
	return func(r *report.Report) {
		second := r.Raws[0]
		r.Raws[0].Role, r.Raws[0].Number = takes.Take, 1
		second.Role, second.Number = takes.Take, 2
		r.Raws = append(r.Raws, second)
		end := r.Recipe.Edits[0].ToS - 2
		r.Recipe.Edits = []report.Edit{{Raw: ptr(0), FromS: 2, ToS: 2 + at}, {Raw: ptr(1), FromS: 1, ToS: 1 + end - at, AtS: at}}
		j := report.Join{Number: 1, Kind: takes.ReadAgain, AtS: at, ToRaw: 1, Dropped: []report.Piece{{}}, DroppedS: 4.2}
		j.Says = report.SaysJoin(j, "take 1", "take 2")
		r.Joins = append(r.Joins, j)
	}
}

// whole is a book of n chapters with credits and a sample, which is ready.
func whole(n int) Input {
	in := Input{
		Name: ledger, About: config.About{Title: ledger, Author: "Odile Marsh", Narrator: "Tam Verrall", Year: 2026, Chapters: n},
		Now: now, Version: "1.2.3", Chain: 7, SettingsSHA256: sum("settings"), MadeOf: "x",
	}
	in.Reports = append(in.Reports, made("Opening credits", lasts(12)), made("Closing credits", lasts(14.5)), made("Sample", lasts(180)))
	for i := 1; i <= n; i++ {
		in.Reports = append(in.Reports, made(fmt.Sprintf("%02d Tide", i)))
	}
	return in
}

// at is the report of a chapter of in, for changing.
func (in *Input) at(t *testing.T, chapter string) *Filed {
	t.Helper()
	for i := range in.Reports {
		if in.Reports[i].Report.Chapter == chapter {
			return &in.Reports[i]
		}
	}
	t.Fatalf("there is no %s", chapter)
	return nil
}

// judge judges, and holds what comes out against the schema.
func judge(t fataler, in Input) *Book {
	t.Helper()
	b := Judge(in)
	valid(t, b)
	return b
}

// fataler is what *testing.T and *rapid.T have in common.
type fataler interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

func valid(t fataler, v any) {
	t.Helper()
	text, err := report.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if err := refused(text); err != nil {
		t.Fatalf("does not keep to book.schema.json: %v\n%s", err, text)
	}
}

var compiledSchema = compile()

func compile() *jsonschema.Schema {
	c := jsonschema.NewCompiler()
	c.AssertFormat() // else date-time is not looked at
	for name, text := range map[string][]byte{"urn:lectern:book:1": SchemaJSON, "urn:lectern:report:1": report.SchemaJSON} {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
		if err != nil {
			panic(err)
		}
		if err := c.AddResource(name, doc); err != nil {
			panic(err)
		}
	}
	return c.MustCompile("urn:lectern:book:1")
}

// refused tells why text is not as the schema asks.
func refused(text []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return err
	}
	return compiledSchema.Validate(v)
}

// kinds are those of what is to do, with the names they are about.
func kinds(b *Book) []string {
	out := []string{}
	for _, d := range b.ToDo {
		out = append(out, strings.TrimSpace(d.Kind+" "+d.Name))
	}
	return out
}

// names are those of the files in the book's order.
func names(b *Book) []string {
	out := []string{}
	for _, f := range b.Files {
		out = append(out, f.Name)
	}
	return out
}
