package pipeline

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"lectern/pipeline/internal/made"
	"lectern/pipeline/internal/narrated"
	"lectern/pipeline/report"
)

// A recording that would replace a finished chapter must have words in common with it.
func TestReplacedSaysTheSame(t *testing.T) {
	told := func(seed uint64, voice int) []byte {
		v := narrated.Voices()[voice]
		r, err := narrated.Read(t.Context(), seed, v, 15)
		var absent *narrated.AbsentError
		if errors.As(err, &absent) {
			t.Skip(absent.Error())
		}
		if err != nil {
			t.Fatal(err)
		}
		return made.WAV16(v.RateHz, r.In(narrated.Room(seed, v.RateHz, len(r.Words), -62)))
	}
	before := filepath.Join(t.TempDir(), "03 The Ferry.wav")
	if err := os.WriteFile(before, told(1, 1), 0o444); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		raw, replaced, says string
	}{
		"read again":           {string(told(1, 1)), before, ""},
		"another chapter":      {string(told(2, 1)), before, report.NothingInCommon},
		"nothing was replaced": {string(told(2, 1)), "", ""},
	} {
		job := jobOf(t, []byte(c.raw))
		job.Replaced = c.replaced
		_, err := Make(context.Background(), job)
		var bad *RawError
		if c.says == "" && err != nil || c.says != "" && (!errors.As(err, &bad) || bad.Says != c.says) {
			t.Errorf("%s: got %v, want %q", name, err, c.says)
		}
	}
}
