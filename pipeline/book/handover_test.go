package book

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lectern/pipeline/report"
)

var handedAt = time.Date(2026, 11, 26, 15, 15, 0, 123, time.FixedZone("", 3600))

func TestHandover(t *testing.T) {
	in := whole(2)
	*in.at(t, "02 Tide") = made("02 Tide", revision(3), measures(noisy))
	in.Reports = dropped(in.Reports, "Closing credits")
	h := NewHandover(judge(t, in), handedAt)
	valid(t, h)
	if !h.HandedOverAt.Equal(time.Date(2026, 11, 26, 14, 15, 0, 0, time.UTC)) {
		t.Errorf("handed over at %v", h.HandedOverAt)
	}
	want := `A Ledger of Small Tides
by Odile Marsh, read by Tam Verrall
Handed over on 26 November 2026, 14:15 UTC.

place   length  revision  verdict            file
    1  0:00:12         1  within all limits  Opening credits.mp3
    2  0:10:00         1  within all limits  01 Tide.mp3
    3  0:10:00         3  misses a limit     02 Tide.mp3
    -  0:03:00         1  within all limits  Sample.mp3

4 files. Without the sample: 0:20:12, which is 0.34 finished hours.
Every chapter is there.

Still to do when it was handed over:

- "02 Tide" misses the limit for noise floor and room tone. Even at its
  quietest your room is about 8 dB too loud: its noise floor is -52.5 dB, and
  the limit is -60. Switch off the fan, or move the computer away from the
  microphone, come closer to the microphone, then read the chapter again. The
  room heard in your pauses is about 9 dB too loud: its room tone is -51.0 dB,
  and the limit is -60. Switch off what hums or blows, keep still in the
  pauses, come closer to the microphone, then read the chapter again.
- There are no closing credits yet. Record them and drop them into the book's
  folder in the inbox; if they have another name, write it into about.toml.

The sums of the files (SHA-256), by which each can be told from any other:

` + sum("file Opening credits") + "  Opening credits.mp3\n" + sum("file 01 Tide") + "  01 Tide.mp3\n" +
		sum("file 302 Tide") + "  02 Tide.mp3\n" + sum("file Sample") + "  Sample.mp3\n"
	if d := cmp.Diff(want, h.Text()); d != "" {
		t.Errorf("the text (-want +got):\n%s", d)
	}
}

func TestHandoverOfNothing(t *testing.T) {
	h := NewHandover(judge(t, Input{Name: ledger, Now: now}), handedAt)
	valid(t, h)
	if text := h.Text(); !strings.Contains(text, "0 files.") || !strings.Contains(text, "Nobody has said how many chapters") {
		t.Errorf("says %s", text)
	}
}

// What was handed over is read back from its file.
func TestChangedSince(t *testing.T) {
	retag := func(r *report.Report) { r.Finished.SHA256 = sum("other words") }
	tests := []struct {
		name              string
		change            func(in *Input)
		changed, retagged []string
		says              string
	}{
		{"nothing", func(*Input) {}, nil, nil, "Nothing has changed since."},
		{"the example", func(in *Input) {
			*in.at(t, "03 Tide") = made("03 Tide", revision(2))
			in.Reports = append(in.Reports, made("07 Weir"))
		}, []string{"03 Tide 1 2", "07 Weir 0 1"}, nil, "Changed since: 03 (revision 2), 07 (new)."},
		{"gone", func(in *Input) { in.Reports = dropped(in.Reports, "04 Tide", "Sample") },
			[]string{"04 Tide 1 0", "Sample 1 0"}, nil, "Changed since: 04 (gone), Sample (gone)."},
		{"made again, the same sound", func(in *Input) { in.at(t, "03 Tide").Report.Revision = 2 }, nil, nil, "Nothing has changed since."},
		{"other words in it", func(in *Input) { retag(in.at(t, "03 Tide").Report) }, nil, []string{"03 Tide 1 1"},
			"Nothing has changed since. The same sound with other words in the file (title, cover or place): 03."},
		{"a new recording waits", func(in *Input) { in.Waiting = []Pending{{"03 Tide", "complete"}, {"09 Tide", "complete"}} }, nil, nil, "Nothing has changed since."},
		{"spelled otherwise", func(in *Input) { in.at(t, "03 Tide").Report.Chapter = "03 TIDE" }, nil, nil, "Nothing has changed since."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			in := whole(5)
			text, err := report.Marshal(NewHandover(judge(t, in), handedAt))
			if err != nil {
				t.Fatal(err)
			}
			in.Handed = &Handover{}
			if err := json.Unmarshal(text, in.Handed); err != nil {
				t.Fatal(err)
			}
			tt.change(&in)
			got := judge(t, in).HandedOver
			if !got.At.Equal(handedAt.Truncate(time.Second)) || got.Files != 8 {
				t.Errorf("handed over were %d files at %v", got.Files, got.At)
			}
			if d := cmp.Diff(tt.changed, told(got.Changed)); d != "" {
				t.Errorf("changed (-want +got):\n%s", d)
			}
			if d := cmp.Diff(tt.retagged, told(got.Retagged)); d != "" {
				t.Errorf("retagged (-want +got):\n%s", d)
			}
			if got.Says != tt.says {
				t.Errorf("says %s\nwant %s", got.Says, tt.says)
			}
		})
	}
}

func told(changed []Changed) []string {
	var out []string
	for _, c := range changed {
		out = append(out, fmt.Sprintf("%s %d %d", c.Name, c.Was, c.Revision))
	}
	return out
}
