package report

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// The whole report as it is written: every key, their order, the rounding, and
// no letter of a name turned into an escape.
func TestReportAsWritten(t *testing.T) {
	text := marshal(t, made())
	golden(t, "report.json", text)
	if !bytes.Contains(text, []byte(`"03 The Ferry <&> Back"`)) {
		t.Error("the chapter's name is escaped")
	}
	if !bytes.HasSuffix(text, []byte("}\n")) {
		t.Error("the text must end with one line break")
	}
}

// The figures of a step are a map: their order must not change from run to run.
func TestStableOrder(t *testing.T) {
	first := marshal(t, made())
	for range 50 {
		if again := marshal(t, made()); !bytes.Equal(first, again) {
			t.Fatalf("written again it is different:\n%s", again)
		}
	}
}

// What is read back is what was written, so that a report can be shown later.
func TestReadBack(t *testing.T) {
	r := made()
	r.Raws[0].Measured = silent()
	text := marshal(t, r)
	var back Report
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	if !back.Raws[0].Measured.RMSDBFS.IsSilent() || back.Raws[0].Measured.HeadS != nil {
		t.Error("null came back as a figure")
	}
	if again := marshal(t, back); !bytes.Equal(text, again) {
		t.Errorf("read and written again it is different:\n%s", again)
	}
}

// A figure that is none must stop the report, not end up in it.
func TestNoInventedFigures(t *testing.T) {
	for name, v := range map[string]any{
		"figure NaN": Figure(math.NaN()), "figure Inf": Figure(math.Inf(-1)), "seconds NaN": Seconds(math.NaN()),
	} {
		if text, err := Marshal(v); err == nil {
			t.Errorf("%s is written as %s", name, text)
		}
	}
}

func TestRounding(t *testing.T) {
	for _, tt := range []struct {
		v    any
		want string
	}{
		{Figure(-20.314), "-20.31"},
		{Figure(-20.316), "-20.32"},
		{Figure(0.125), "0.13"}, // a half goes away from zero
		{Figure(-0.125), "-0.13"},
		{Figure(192), "192"},
		{Figure(1e7), "10000000"},
		{Seconds(1.2344), "1.234"},
		{Seconds(1.2346), "1.235"},
		{Seconds(0.0625), "0.063"},
		{Seconds(6900), "6900"},
		{Seconds(0), "0"},
	} {
		if got := strings.TrimSpace(string(marshal(t, tt.v))); got != tt.want {
			t.Errorf("%v is written as %s, want %s", tt.v, got, tt.want)
		}
	}
}

func TestClock(t *testing.T) {
	for s, want := range map[float64]string{
		0: "0:00", 0.49: "0:00", 0.5: "0:01", 7: "0:07", 59.4: "0:59", 59.5: "1:00", 754.5: "12:35",
		3599.4: "59:59", 3599.5: "1:00:00", 3600: "1:00:00", 3723: "1:02:03", 36000: "10:00:00", -1: "0:00",
	} {
		if got := Clock(s); got != want {
			t.Errorf("Clock(%v) = %s, want %s", s, got, want)
		}
	}
}
