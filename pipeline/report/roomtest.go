package report

import (
	"fmt"
	"strings"
	"time"

	"lectern/config"
	"lectern/pipeline/meter"
)

// StateRoomTest is the state of the report of a room test.
const StateRoomTest = "room_test"

// RoomTestReport lies as NAME.json beside NAME.txt, the answer to a room test. Its
// keys mean what they mean in the report of a chapter; there is no finished file.
type RoomTestReport struct {
	Schema   string    `json:"schema"`
	State    string    `json:"state"`
	Book     string    `json:"book"`
	Chapter  string    `json:"chapter"` // the name of the test
	Revision int       `json:"revision"`
	MadeAt   time.Time `json:"made_at"`
	MadeBy   MadeBy    `json:"made_by"`
	Verdict  string    `json:"verdict"` // pass or fail
	JudgedBy string    `json:"judged_by"`
	// Checks are the two of the room, as a chapter read there would meet them.
	Checks   []Check  `json:"checks"`
	Raws     []Raw    `json:"raws"`
	RoomTest RoomTest `json:"room_test"`
	Took     Took     `json:"took"`
}

// Where a room test takes the speaking level from.
const (
	VoiceOfTest  = "test"
	VoiceOfBook  = "book"
	VoiceAssumed = "assumed"
)

// RoomTest is the answer to a room test.
type RoomTest struct {
	// Passes tells that a chapter read in this room would keep its noise limit.
	Passes     bool `json:"passes"`
	WithSpeech bool `json:"with_speech"`
	// RoomS is how much of the recording is nothing but the room.
	RoomS Seconds `json:"room_s"`
	// VoiceDBFS is the level the voice is taken to have in the recording, its pauses
	// left out; VoiceFrom whose it is.
	VoiceDBFS Figure `json:"voice_dbfs"`
	VoiceFrom string `json:"voice_from"`
	// GainDB is by how much such a voice is raised for the finished file.
	GainDB Figure `json:"gain_db"`
	// RumbleTookDB is how much softer the rumble filter makes the room.
	RumbleTookDB *Figure `json:"rumble_took_db"`
	// The room in the finished file, its pauses not made softer, and how far the
	// louder of the two lies over the limit. Null if the room was not heard.
	NoiseFloorDBFS meter.DB `json:"noise_floor_dbfs"`
	RoomToneDBFS   meter.DB `json:"room_tone_dbfs"`
	OverLimitDB    *Figure  `json:"over_limit_db"`
	// EasedDB is by how much the pauses would be made softer.
	EasedDB Figure   `json:"eased_db"`
	Heard   []string `json:"heard"` // of hum, hiss, rumble, click, thump
	// ComparedWith names the chapters the voice and the room were compared with.
	ComparedWith []string     `json:"compared_with"`
	Differs      *Differences `json:"differs"`
	Says         []string     `json:"says"`
	Text         TextFile     `json:"text"`
}

// Differences are those of a room test from the middle of the chapters it is
// compared with, each positive where the test has more.
type Differences struct {
	// RoomToVoiceDB is of the room against the voice, BrightnessDB and WarmthDB are of
	// the voice's high octaves and its lowest against its middle ones, LevelDB is of the
	// voice itself.
	RoomToVoiceDB Figure `json:"room_to_voice_db"`
	BrightnessDB  Figure `json:"brightness_db"`
	WarmthDB      Figure `json:"warmth_db"`
	LevelDB       Figure `json:"level_db"`
}

// TextFile is the text beside the report.
type TextFile struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
}

// JudgeRoom holds the room of a chapter that is still to be read against the noise
// limit. A figure that is silent was not heard, which is a failure. advice is what
// there is to do if one fails.
func JudgeRoom(noiseFloor, roomTone meter.DB, d config.Delivery, advice string) []Check {
	j := judge{d: d}
	for _, c := range []struct {
		name string
		v    meter.DB
	}{{"noise_floor", noiseFloor}, {"room_tone", roomTone}} {
		if c.v.IsSilent() {
			j.add(Check{Name: c.name, Limit: limit(nil, &d.NoiseMaxDBFS, "dBFS"), Advice: advice})
			continue
		}
		j.number(c.name, float64(c.v), nil, &d.NoiseMaxDBFS, "dBFS", true, func(float64, float64, bool) string { return advice })
	}
	return j.checks
}

// Judge sets the verdict from the checks.
func (r *RoomTestReport) Judge() { r.Verdict = verdictOf(r.Checks, nil) }

// WriteText returns the text of NAME.txt.
func (r *RoomTestReport) WriteText() string {
	return fmt.Sprintf("%s\n\n%s\n\n%s\n", r.Chapter, strings.Join(r.RoomTest.Says, "\n\n"), JudgedBy)
}

// Summary is the tail of the log line.
func (r *RoomTestReport) Summary() string {
	switch {
	case r.RoomTest.OverLimitDB == nil:
		return "too little of the room to judge it"
	case !r.RoomTest.Passes:
		return "the room does not pass"
	case r.RoomTest.EasedDB > 0:
		return "the room just passes"
	}
	return "the room passes"
}
