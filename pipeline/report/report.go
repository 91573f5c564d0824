// Package report is what Lectern says about a chapter: the report beside each
// MP3, the checks it is judged by, and every sentence of advice.
//
//	figures -> Judge -> Checks -> Verdict -> Report -> JSON, and a text to read
//
// schema.json describes the report for machines and is the contract; the types
// here follow it key for key.
package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"lectern/config"
	"lectern/pipeline/meter"
)

// Schema is the name and version of the report's shape.
const Schema = "lectern-report/1"

// SchemaJSON is the JSON Schema (draft 2020-12) of the report.
//
//go:embed schema.json
var SchemaJSON []byte

// JudgedBy is said in every report.
const JudgedBy = "Judged against the limits in lectern.toml, which are yours to match to your client's."

// States of a chapter's report. Withdrawn: somebody took it out of finished; its pair
// lies in superseded.
const (
	StateFinished  = "finished"
	StateWithdrawn = "withdrawn"
)

// What RecipeFile.Origin may say.
const (
	BroughtBack = "brought back"
	Renamed     = "renamed"
	Settled     = "settled"
	CutSample   = "cut from a chapter"
)

// Verdicts. Listen: the limits are met, but a person must hear some places first.
const (
	Pass   = "pass"
	Listen = "listen"
	Fail   = "fail"
)

// Report lies as NAME.json beside NAME.mp3.
type Report struct {
	Schema   string    `json:"schema"`
	State    string    `json:"state"` // finished or withdrawn
	Book     string    `json:"book"`
	Chapter  string    `json:"chapter"`
	Revision int       `json:"revision"`
	MadeAt   time.Time `json:"made_at"`
	MadeBy   MadeBy    `json:"made_by"`
	Verdict  string    `json:"verdict"`
	JudgedBy string    `json:"judged_by"`
	Checks   []Check   `json:"checks"`
	Raws     []Raw     `json:"raws"`
	Finished Finished  `json:"finished"`
	Steps    []Step    `json:"steps"`
	Recipe   Recipe    `json:"recipe"`
	Joins    []Join    `json:"joins"`
	Retakes  []Retake  `json:"retakes"`
	// History has a line for each thing that was done to the chapter, the last one last.
	History []string `json:"history"`
	Took    Took     `json:"took"`
	// Tags are what was written into the MP3; nil in the report of an earlier version.
	Tags *Tags `json:"tags,omitempty"`
	// Curves and Before are for the book's page; nil in the report of an earlier version.
	// Before is nil too where the chapter has no ten seconds of one raw in a row.
	Curves *Curves `json:"curves,omitempty"`
	Before *Before `json:"before,omitempty"`
}

// MadeBy tells which program and settings made the file.
type MadeBy struct {
	Version string `json:"version"`
	// Chain is raised whenever a finished sample can change.
	Chain          int    `json:"chain"`
	SettingsSHA256 string `json:"settings_sha256"`
}

// Check is one limit and what was measured. A limit that has only one side
// leaves the other null.
type Check struct {
	Name     string  `json:"name"`
	Limit    Limit   `json:"limit"`
	Measured *Figure `json:"measured"`
	Pass     bool    `json:"pass"`
	Advice   string  `json:"advice"`
}

// Limit is what a figure must lie within.
type Limit struct {
	Min  *Figure `json:"min"`
	Max  *Figure `json:"max"`
	Unit string  `json:"unit"`
}

// Figure is a number as it is written in a report: two decimals.
type Figure float64

// MarshalJSON implements json.Marshaler.
func (f Figure) MarshalJSON() ([]byte, error) {
	return json.Marshal(math.Round(float64(f)*100)/100 + 0) // + 0 turns -0 into 0
}

// Raw is one raw recording of the chapter.
type Raw struct {
	Role       string    `json:"role"`
	Number     int       `json:"number"`
	Name       string    `json:"name"`
	NameHex    string    `json:"name_hex"`
	ArchivedAs string    `json:"archived_as"`
	SHA256     string    `json:"sha256"`
	Format     string    `json:"format"`
	DurationS  Seconds   `json:"duration_s"`
	Measured   Measured  `json:"measured"`
	Findings   []Finding `json:"findings"`
	// Unused tells that nothing of it is heard, because a later take reads it all again, or
	// because the sample lies elsewhere.
	Unused bool `json:"unused,omitempty"`
}

// Finished is the MP3.
type Finished struct {
	Name        string    `json:"name"`
	SHA256      string    `json:"sha256"`
	AudioSHA256 string    `json:"audio_sha256"`
	Bytes       int64     `json:"bytes"`
	DurationS   Seconds   `json:"duration_s"`
	Format      Format    `json:"format"`
	Measured    Measured  `json:"measured"`
	Findings    []Finding `json:"findings"`
}

// Format is what kind of file a file is. The MP3-only parts are left out for a WAV.
type Format struct {
	Codec        string  `json:"codec"` // "WAV" or "MP3"
	Says         string  `json:"says"`
	SampleRateHz int     `json:"sample_rate_hz"`
	Channels     int     `json:"channels"`
	BitrateKbps  float64 `json:"bitrate_kbps,omitempty"`
	ConstantRate bool    `json:"constant_rate,omitempty"`
	Frames       int64   `json:"frames,omitempty"`
}

// Measured holds the figures of a file. Silence, or a figure that does not
// exist, is null.
type Measured struct {
	SamplePeakDBFS   meter.DB `json:"sample_peak_dbfs"`
	TruePeakDBTP     meter.DB `json:"true_peak_dbtp"`
	RMSDBFS          meter.DB `json:"rms_dbfs"`
	ReadingRMSDBFS   meter.DB `json:"reading_rms_dbfs"`
	IntegratedLUFS   meter.DB `json:"integrated_lufs"`
	LoudnessRangeLU  meter.DB `json:"loudness_range_lu"`
	MaxShortTermLUFS meter.DB `json:"max_short_term_lufs"`
	MaxMomentaryLUFS meter.DB `json:"max_momentary_lufs"`
	NoiseFloorDBFS   meter.DB `json:"noise_floor_dbfs"`
	RoomToneDBFS     meter.DB `json:"room_tone_dbfs"`
	ActiveSpeechDBOV meter.DB `json:"active_speech_dbov"`
	SpeechSharePct   Figure   `json:"speech_share_pct"`
	PhraseSpreadDB   Figure   `json:"phrase_spread_db"`
	HeadS            *Seconds `json:"head_s"`
	TailS            *Seconds `json:"tail_s"`
	DurationS        Seconds  `json:"duration_s"`
	// VoiceBandsDB and RoomBandsDBFS are spectra in octaves from 63 to 8000 Hz; null
	// if there was too little to hear.
	VoiceBandsDB  []Figure `json:"voice_bands_db"`
	RoomBandsDBFS []Figure `json:"room_bands_dbfs"`
	Convention    string   `json:"channel_convention"`
}

// Seconds is a time in seconds, written with three decimals.
type Seconds float64

// MarshalJSON implements json.Marshaler.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return json.Marshal(math.Round(float64(s)*1000)/1000 + 0)
}

// Finding is something heard at a place.
type Finding struct {
	Kind string `json:"kind"`
	// AtS and UntilS are in the file it was found in.
	AtS    Seconds `json:"at_s"`
	UntilS Seconds `json:"until_s"`
	// FinishedAtS is where it is in the finished file, null if it was cut away.
	FinishedAtS *Seconds `json:"finished_at_s"`
	DB          *Figure  `json:"db"`
	Says        string   `json:"says"`
}

// Step is what one step of the chain did, in figures.
type Step struct {
	Name    string            `json:"name"`
	Figures map[string]Figure `json:"figures"`
	GaveWay []GaveWay         `json:"gave_way"`
}

// GaveWay tells that an aim was left, which one and by how many dB.
type GaveWay struct {
	GaveWay string `json:"gave_way"` // peak, rms or loudness
	DB      Figure `json:"db"`
}

// Recipe is how the chapter was put together: enough, with the raws, to make it again.
type Recipe struct {
	Settings config.Chapter `json:"settings"`
	Edits    []Edit         `json:"edits"`
	// Answers are what people said of the passages that seem to be read twice.
	Answers []Answer `json:"answers,omitempty"`
	// Sample tells, of a sample, where it is from. Its raws are those of that chapter.
	Sample *SampleOf `json:"sample,omitempty"`
}

// Answer is what a person said of a passage that seems to be read twice.
type Answer struct {
	RawSHA256 string `json:"raw_sha256"`
	// FromS and AgainS are where the two readings begin in the raw.
	FromS  Seconds `json:"from_s"`
	AgainS Seconds `json:"again_s"`
	Cut    bool    `json:"cut"` // the first reading is left out; else both stay
}

// Edit is one stretch of a raw in the finished file. Raw is its place in raws[];
// it is null for laid-in room tone.
type Edit struct {
	Raw   *int    `json:"raw"`
	FromS Seconds `json:"from_s"`
	ToS   Seconds `json:"to_s"`
	AtS   Seconds `json:"at_s"`
}

// Retake is a passage that seems to be read twice in one raw.
type Retake struct {
	// Number is what a person calls it by: the first of the report is 1.
	Number int    `json:"number"`
	State  string `json:"state"` // asked, marked, cut or kept
	Raw    int    `json:"raw"`   // its place in raws[]
	// Where the two readings lie in the raw.
	FromS    Seconds `json:"from_s"`
	ToS      Seconds `json:"to_s"`
	AgainS   Seconds `json:"again_s"`
	AgainToS Seconds `json:"again_to_s"`
	// Where the two readings begin in the finished file; null for what was cut away.
	FinishedAtS    *Seconds `json:"finished_at_s"`
	FinishedAgainS *Seconds `json:"finished_again_s"`
	// Likeness is how sure it is that the two readings say the same: 1 is just enough.
	Likeness Figure `json:"likeness"`
	Says     string `json:"says"`
}

// Checked is what `lectern check` tells of one file, in the report's own keys.
type Checked struct {
	Name     string    `json:"name"`
	Format   Format    `json:"format"`
	Measured Measured  `json:"measured"`
	Checks   []Check   `json:"checks"`
	Findings []Finding `json:"findings"`
	Verdict  string    `json:"verdict"`
}

// Judge sets the verdict from the checks and findings.
func (c *Checked) Judge() { c.Verdict = verdictOf(c.Checks, c.Findings) }

// Took is how long making it took.
type Took struct {
	WallS         Figure `json:"wall_s"`
	TimesRealTime Figure `json:"times_real_time"`
}

// RecipeFile lies in the archive beside the raws; its raws[] keys are shared
// with the report.
type RecipeFile struct {
	Schema  string `json:"schema"`
	Book    string `json:"book"`
	Chapter string `json:"chapter"`
	// BookHex and ChapterHex are the exact bytes of a name that is no UTF-8.
	BookHex    string `json:"book_hex,omitempty"`
	ChapterHex string `json:"chapter_hex,omitempty"`
	Revision   int    `json:"revision"`
	MadeBy     MadeBy `json:"made_by"`
	// Origin is empty for a chapter that was mastered with the settings that held then,
	// else it tells where else they come from: see BroughtBack, Renamed, Settled
	// and CutSample.
	Origin   string         `json:"origin,omitempty"`
	Raws     []RecipeRaw    `json:"raws"`
	Finished RecipeFinished `json:"finished"`
	Recipe
}

// RecipeFinished tells the sums of what was made, by which a chapter made again is
// known to be the same.
type RecipeFinished struct {
	SHA256      string `json:"sha256"`
	AudioSHA256 string `json:"audio_sha256"`
	Bytes       int64  `json:"bytes"`
}

// RecipeSchema is the name and version of RecipeFile's shape.
const RecipeSchema = "lectern-recipe/1"

// RecipeRaw names one raw of a recipe.
type RecipeRaw struct {
	Role       string `json:"role"`
	Number     int    `json:"number"`
	Name       string `json:"name"`
	NameHex    string `json:"name_hex"`
	ArchivedAs string `json:"archived_as"`
	SHA256     string `json:"sha256"`
}

// Marshal writes v as indented JSON with a stable key order.
func Marshal(v any) ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return nil, fmt.Errorf("write JSON: %w", err)
	}
	return out.Bytes(), nil
}

// Clock writes a time in a file as minutes:seconds, hours in front where there
// are any: 0:07, 12:34, 1:02:03.
func Clock(s float64) string {
	t := int(math.Round(max(0, s)))
	if t >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", t/3600, t/60%60, t%60)
	}
	return fmt.Sprintf("%d:%02d", t/60, t%60)
}
