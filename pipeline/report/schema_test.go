package report

import (
	"bytes"
	"errors"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/santhosh-tekuri/jsonschema/v6/kind"

	"lectern/config"
)

// compiled returns the schema, or a part of it such as "#/$defs/checked".
func compiled(t *testing.T, part string) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat() // else date-time is not looked at
	if err := c.AddResource("schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("schema.json" + part)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// decoded turns JSON into what the validator reads.
func decoded(t *testing.T, text []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// aside is the set-aside report as the watcher writes it.
const aside = `{
  "schema": "lectern-report/1",
  "state": "setaside",
  "book": "A Ledger of Small Tides",
  "chapter": "03 The Ferry (1)",
  "made_at": "2026-11-25T09:39:03Z",
  "raws": [
    {
      "role": "chapter",
      "number": 0,
      "name": "03 The Ferry (1).wav",
      "name_hex": "303320546865204665727279202831292e776176",
      "sha256": "6bd833502f65d14a2b196fb59c518ea26acf9ca6ba75d23f4a156a646e192084"
    }
  ],
  "says": "This file is named like a copy. Give it exactly the same name; then drop it again."
}`

func TestSchemaAccepts(t *testing.T) {
	single := made() // straight in the inbox, made by master
	single.Book, single.Revision, single.Raws[0].ArchivedAs = "", 1, ""

	mute := made()
	mute.Raws[0].Measured, mute.Finished.Measured = silent(), silent()
	mute.Checks = Judge(silent(), mute.Finished.Format, config.Default().Delivery, 0)
	mute.Judge()

	pauseless := made() // speech throughout: no figure of the room
	pauseless.Finished.Measured.NoiseFloorDBFS = silent().NoiseFloorDBFS
	pauseless.Finished.Measured.RoomToneDBFS = silent().RoomToneDBFS
	pauseless.Checks = Judge(pauseless.Finished.Measured, pauseless.Finished.Format, config.Default().Delivery, 0)

	failed := made()
	failed.Finished.Measured.RoomToneDBFS = -48
	failed.Checks = Judge(failed.Finished.Measured, failed.Finished.Format, config.Default().Delivery, 0)
	failed.Judge()

	calm := settled()
	calm.Raws[0].Findings, calm.Finished.Findings = []Finding{}, []Finding{}
	calm.Judge()

	earlier := made() // by a version that knew none of these
	earlier.Tags, earlier.Curves, earlier.Before, earlier.Recipe.Sample = nil, nil, nil, nil

	bare := made() // nothing was given, and the wish is for any three minutes
	bare.Tags = &Tags{Title: "03 The Ferry", Track: "4"}
	bare.Recipe.Sample = &SampleOf{Chapter: "03 The Ferry", FromS: -1, ToS: -1, EndsS: 178.2}

	for name, r := range map[string]*Report{
		"of an earlier version": earlier, "bare": bare,
		"full": made(), "single piece": single, "silent": mute, "no pauses": pauseless, "fail": failed, "pass": calm,
	} {
		t.Run(name, func(t *testing.T) {
			if err := compiled(t, "").Validate(decoded(t, marshal(t, r))); err != nil {
				t.Errorf("%v", err)
			}
		})
	}
	t.Run("set aside", func(t *testing.T) {
		if err := compiled(t, "").Validate(decoded(t, []byte(aside))); err != nil {
			t.Errorf("%v", err)
		}
	})
	if made().Verdict != Listen || failed.Verdict != Fail || mute.Verdict != Fail || calm.Verdict != Pass {
		t.Error("the reports above must cover every verdict")
	}
}

// What check tells of a file is held by the same definitions.
func TestSchemaAcceptsChecked(t *testing.T) {
	wav := Format{Codec: "WAV", Says: "WAV 16-bit 24 kHz mono", SampleRateHz: 24000, Channels: 1}
	varying := Format{Codec: "MP3", Says: "MP3 187 kbps on average 44.1 kHz stereo", SampleRateHz: 44100, Channels: 2, BitrateKbps: 187.3, Frames: 12}
	for _, f := range []Format{wav, varying, made().Finished.Format} {
		c := Checked{Name: "03 The Ferry", Format: f, Measured: silent(), Findings: []Finding{}}
		c.Checks = Judge(c.Measured, f, config.Default().Delivery, 0)
		c.Judge()
		if err := compiled(t, "#/$defs/checked").Validate(decoded(t, marshal(t, c))); err != nil {
			t.Errorf("%s: %v", f.Says, err)
		}
	}
}

// A key that is added later does not break a reader of today.
func TestSchemaLeavesRoomToGrow(t *testing.T) {
	for _, path := range []string{
		"new", "made_by.new", "checks.0.new", "raws.0.new", "raws.0.measured.crest_db", "raws.0.findings.0.new",
		"finished.new", "finished.format.new", "steps.0.new", "steps.0.figures.new", "recipe.new",
		"recipe.settings.delivery.new", "recipe.settings.new", "recipe.edits.0.new", "recipe.answers.0.new", "took.new", "joins.0.new", "joins.0.dropped.0.new", "retakes.0.new", "history.0",
		"recipe.sample.new", "tags.new", "curves.new", "before.new",
	} {
		doc := decoded(t, marshal(t, made()))
		var value any = float64(1)
		switch path {
		case "recipe.settings.new":
			value = map[string]any{}
		case "history.0":
			value = "2026-11-25, revision 2: made again"
		}
		set(t, doc, path, value)
		if err := compiled(t, "").Validate(doc); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// deleted as a mutation's value takes the key away.
var deleted = new(int)

// Each of these must be refused, and at the place that was changed.
func TestSchemaRefuses(t *testing.T) {
	full := marshal(t, made())
	type mutation struct {
		path  string
		value any
		at    string // where the fault is found; the path itself, or for a missing key its parent, if empty
	}
	var table []mutation
	lacks := func(under string, keys ...string) {
		for _, k := range keys {
			table = append(table, mutation{path: strings.TrimPrefix(under+"."+k, "."), value: deleted})
		}
	}
	lacks("", "schema", "book", "chapter", "revision", "made_at", "made_by", "verdict", "judged_by", "checks", "raws",
		"finished", "steps", "recipe", "joins", "retakes", "history", "took")
	lacks("made_by", "version", "chain", "settings_sha256")
	lacks("checks.0", "name", "limit", "measured", "pass", "advice")
	lacks("checks.0.limit", "min", "max", "unit")
	lacks("raws.1", "role", "number", "name", "name_hex", "archived_as", "sha256", "format", "duration_s", "measured", "findings")
	lacks("finished", "name", "sha256", "audio_sha256", "bytes", "duration_s", "format", "measured", "findings")
	lacks("finished.format", "codec", "says", "sample_rate_hz", "channels", "bitrate_kbps", "frames")
	lacks("finished.measured", "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "reading_rms_dbfs", "integrated_lufs",
		"loudness_range_lu", "max_short_term_lufs", "max_momentary_lufs", "noise_floor_dbfs", "room_tone_dbfs",
		"active_speech_dbov", "speech_share_pct", "phrase_spread_db", "head_s", "tail_s", "duration_s", "channel_convention")
	lacks("raws.0.findings.0", "kind", "at_s", "until_s", "finished_at_s", "db", "says")
	lacks("steps.1", "name", "figures", "gave_way")
	lacks("steps.1.gave_way.0", "gave_way", "db")
	lacks("recipe", "settings", "edits")
	lacks("recipe.settings", "delivery", "level", "takes")
	lacks("recipe.edits.0", "raw", "from_s", "to_s", "at_s")
	lacks("joins.0", "number", "kind", "at_s", "from_raw", "from_s", "to_raw", "to_s", "likeness", "dropped", "dropped_s",
		"unread_s", "gain_db", "color_db", "room_db", "says")
	lacks("joins.0.dropped.0", "raw", "from_s", "to_s")
	lacks("recipe.answers.0", "raw_sha256", "from_s", "again_s", "cut")
	lacks("retakes.0", "number", "state", "raw", "from_s", "to_s", "again_s", "again_to_s", "finished_at_s",
		"finished_again_s", "likeness", "says")
	lacks("took", "wall_s", "times_real_time")
	lacks("recipe.sample", "chapter", "revision", "from_s", "to_s", "begins_s", "ends_s")
	lacks("tags", "title", "album", "artist", "narrator", "track", "genre", "year", "language", "publisher", "cover_sha256")
	lacks("curves", "column_s", "low", "high", "loudness", "gain_db")
	lacks("before", "raw", "from_s", "finished_at_s", "duration_s", "gain_db", "softer_db", "sha256", "bytes")
	table = append(table, []mutation{
		{path: "schema", value: "lectern-report/2"},
		{path: "state", value: "waiting"},
		{path: "state", value: "setaside", at: "/checks"},
		{path: "book", value: nil},
		{path: "chapter", value: ""},
		{path: "revision", value: 0.0},
		{path: "revision", value: 1.5},
		{path: "made_at", value: "yesterday"},
		{path: "made_at", value: "2026-11-25T09:37:21+01:00"},
		{path: "made_at", value: "2026-13-25T09:37:21Z"},
		{path: "made_by.chain", value: "1"},
		{path: "made_by.settings_sha256", value: "none"},
		{path: "verdict", value: "perfect"},
		{path: "verdict", value: "fail", at: "/checks/0/pass"},  // while every limit is met
		{path: "verdict", value: "pass", at: "/checks/11/pass"}, // while a check asks a person
		{path: "judged_by", value: ""},
		{path: "checks", value: []any{}},
		{path: "checks.0.name", value: "sparkle"},
		{path: "checks.0.limit.max", value: nil, at: "/checks/0/limit/max"}, // neither end
		{path: "checks.0.limit.typical", value: 1.0, at: "/checks/0/limit"},
		{path: "checks.0.measured", value: "-inf"},
		{path: "checks.0.pass", value: "yes"},
		{path: "checks.0.pass", value: false, at: "/checks/0/advice"}, // without a word of advice
		{path: "checks.0.advice", value: "Well done."},                // for a check that passed
		{path: "raws", value: []any{}},
		{path: "raws.0.role", value: "retake"},
		{path: "raws.0.number", value: -1.0},
		{path: "raws.0.name_hex", value: "30332"},
		{path: "raws.0.sha256", value: strings.Repeat("A", 64)},
		{path: "raws.0.duration_s", value: -0.1},
		{path: "raws.0.measured.head_s", value: -0.1},
		{path: "raws.0.measured.loudness", value: -20.0, at: "key loudness"}, // a figure without its unit
		{path: "raws.0.findings.0.kind", value: "Clipped!"},
		{path: "raws.0.findings.0.says", value: "clipped"}, // no sentence
		{path: "raws.0.findings.0.finished_at_s", value: "cut away"},
		{path: "finished.name", value: "03 The Ferry.wav"},
		{path: "finished.bytes", value: 0.0},
		{path: "finished.format.codec", value: "WAV"},
		{path: "finished.format.channels", value: 3.0},
		{path: "finished.measured.rms_dbfs", value: "silent"},
		{path: "finished.measured.speech_share_pct", value: 101.0},
		{path: "finished.measured.phrase_spread_db", value: nil},
		{path: "steps", value: []any{}},
		{path: "steps.1.figures.overall_db", value: nil},
		{path: "steps.1.figures.Overall dB", value: 1.0, at: "key Overall dB"},
		{path: "steps.1.gave_way.0.gave_way", value: "tempo"},
		{path: "recipe.settings.delivery.head_s", value: nil},
		{path: "recipe.edits", value: []any{}},
		{path: "recipe.edits.0.raw", value: -1.0},
		{path: "recipe.edits.0.at_s", value: nil},
		{path: "recipe.answers", value: []any{}},
		{path: "recipe.answers.0.raw_sha256", value: "none"},
		{path: "recipe.answers.0.cut", value: "yes"},
		{path: "joins", value: nil},
		{path: "joins.0.number", value: 0.0},
		{path: "joins.0.kind", value: "glued"},
		{path: "joins.0.to_raw", value: nil},
		{path: "joins.0.dropped", value: nil},
		{path: "joins.0.color_db", value: "unlike"},
		{path: "joins.0.says", value: "joined"}, // no sentence
		{path: "raws.0.unused", value: "yes"},
		{path: "retakes", value: map[string]any{}},
		{path: "retakes.0.number", value: 0.0},
		{path: "retakes.0.state", value: "doubted"},
		{path: "retakes.0.again_s", value: nil},
		{path: "retakes.0.finished_at_s", value: "cut away"},
		{path: "retakes.0.says", value: "twice"}, // no sentence
		{path: "history", value: "none"},
		{path: "took.wall_s", value: -1.0},
		{path: "recipe.sample", value: nil},
		{path: "recipe.sample.chapter", value: ""},
		{path: "recipe.sample.revision", value: -1.0},
		{path: "recipe.sample.from_s", value: -0.5},
		{path: "recipe.sample.begins_s", value: -1.0},
		{path: "tags", value: nil},
		{path: "tags.title", value: nil},
		{path: "tags.track", value: "four"},
		{path: "tags.year", value: "26"},
		{path: "tags.language", value: "English"},
		{path: "tags.cover_sha256", value: "cover.jpg"},
		{path: "curves", value: nil},
		{path: "curves.column_s", value: 0.0},
		{path: "curves.low", value: []any{0.0, 1.0}},
		{path: "curves.high", value: "AX/"}, // four of base64 make three bytes
		{path: "curves.loudness", value: ""},
		{path: "curves.gain_db", value: nil},
		{path: "before", value: nil},
		{path: "before.raw", value: -1.0},
		{path: "before.duration_s", value: 0.0},
		{path: "before.gain_db", value: "louder"},
		{path: "before.softer_db", value: -0.1},
		{path: "before.sha256", value: ""},
		{path: "before.bytes", value: 0.0},
	}...)
	schema := compiled(t, "")
	for _, m := range table {
		name := m.path
		if m.value == deleted {
			name += " missing"
		}
		t.Run(name, func(t *testing.T) {
			doc := decoded(t, full)
			set(t, doc, m.path, m.value)
			refusedAt(t, schema.Validate(doc), m.path, m.value, m.at)
		})
	}
}

func TestSchemaRefusesSetAside(t *testing.T) {
	schema := compiled(t, "")
	for _, m := range []struct {
		path  string
		value any
		at    string
	}{
		{path: "book", value: deleted},
		{path: "chapter", value: deleted},
		{path: "made_at", value: deleted},
		{path: "raws", value: deleted},
		{path: "says", value: deleted},
		{path: "raws", value: []any{}},
		{path: "raws.0.sha256", value: deleted},
		{path: "raws.0.role", value: "tape"},
		{path: "says", value: "bad"},
		{path: "made_at", value: "2026-11-25"},
		{path: "verdict", value: "fail"}, // nothing was made, so nothing was judged
		{path: "finished", value: map[string]any{}},
		{path: "state", value: "finished"},
	} {
		t.Run(m.path, func(t *testing.T) {
			doc := decoded(t, []byte(aside))
			set(t, doc, m.path, m.value)
			err := schema.Validate(doc)
			if m.path == "state" { // as a finished chapter it lacks nearly everything
				if err == nil {
					t.Error("accepted")
				}
				return
			}
			refusedAt(t, err, m.path, m.value, m.at)
		})
	}
}

// refusedAt wants an error that names the place of the fault.
func refusedAt(t *testing.T, err error, path string, value any, at string) {
	t.Helper()
	var invalid *jsonschema.ValidationError
	if !errors.As(err, &invalid) {
		t.Fatalf("accepted, or failed otherwise: %v", err)
	}
	if at == "" {
		at = "/" + strings.ReplaceAll(path, ".", "/")
		if value == deleted {
			at = at[:strings.LastIndex(at, "/")]
		}
	}
	places := leaves(invalid)
	for _, p := range places {
		if p == at {
			return
		}
	}
	t.Errorf("refused at %q, want %q", places, at)
}

// leaves lists the places of the innermost faults.
func leaves(e *jsonschema.ValidationError) []string {
	if bad, ok := e.ErrorKind.(*kind.PropertyNames); ok { // the fault is a name, and names lie nowhere
		return []string{"key " + bad.Property}
	}
	if len(e.Causes) == 0 {
		place := ""
		for _, key := range e.InstanceLocation {
			place += "/" + key
		}
		return []string{place}
	}
	var out []string
	for _, c := range e.Causes {
		out = append(out, leaves(c)...)
	}
	return out
}

// set puts value at a path such as "raws.0.name", or takes the key away.
func set(t *testing.T, doc any, path string, value any) {
	t.Helper()
	keys := strings.Split(path, ".")
	at := doc
	for i, key := range keys {
		last := i == len(keys)-1
		switch node := at.(type) {
		case map[string]any:
			switch {
			case last && value == deleted:
				if _, ok := node[key]; !ok {
					t.Fatalf("%s: there is no %q to take away", path, key)
				}
				delete(node, key)
			case last:
				node[key] = value
			default:
				at = node[key]
				if list, ok := at.([]any); ok && len(list) == 0 && i == len(keys)-2 {
					node[key] = []any{value}
					return
				}
			}
		case []any:
			n, err := strconv.Atoi(key)
			if err != nil || n >= len(node) || last {
				t.Fatalf("%s: cannot go to %q", path, key)
			}
			at = node[n]
		default:
			t.Fatalf("%s: nothing at %q", path, key)
		}
	}
}
