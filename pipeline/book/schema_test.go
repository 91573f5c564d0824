package book

import (
	"encoding/json"
	"testing"

	"lectern/pipeline/report"
)

// The schema refuses what the types would let through.
func TestSchemaRefuses(t *testing.T) {
	in := whole(4)
	*in.at(t, "03 Tide") = made("03 Tide", measures(func(m *report.Measured) { m.RMSDBFS = -18.2 }))
	in.Handed = NewHandover(Judge(whole(3)), handedAt)
	in.Waiting = []Pending{{"05 Tide", "complete"}}
	b, err := report.Marshal(judge(t, in))
	if err != nil {
		t.Fatal(err)
	}
	h, err := report.Marshal(NewHandover(Judge(in), handedAt))
	if err != nil {
		t.Fatal(err)
	}
	type object = map[string]any
	first := func(list any) object { return list.([]any)[0].(object) }
	last := func(list any) object { l := list.([]any); return l[len(l)-1].(object) }
	tests := map[string]func(b, h object){
		"another schema":               func(b, _ object) { b["schema"] = "lectern-book/2" },
		"a key too few":                func(b, _ object) { delete(b, "complete") },
		"a key nobody knows":           func(b, _ object) { b["colour"] = "red" },
		"another verdict":              func(b, _ object) { b["verdict"] = "good" },
		"no list":                      func(b, _ object) { b["missing"] = nil },
		"a clock of minutes":           func(b, _ object) { b["finished_clock"] = "40:10" },
		"a local time":                 func(b, _ object) { b["made_at"] = "2026-11-26T14:02:33+01:00" },
		"a figure nobody compares":     func(b, _ object) { first(b["spread"])["figure"] = "true_peak_dbtp" },
		"an outlier without a word":    func(b, _ object) { first(b["outliers"])["says"] = "" },
		"a thing to do of no kind":     func(b, _ object) { first(b["to_do"])["kind"] = "tidy" },
		"a file of no kind":            func(b, _ object) { first(b["files"])["kind"] = "music" },
		"a finished file of no length": func(b, _ object) { first(b["files"])["duration_s"] = nil },
		"figures without their unit":   func(b, _ object) { first(b["files"])["measured"].(object)["level"] = 3 },
		"a waiting file with a sum":    func(b, _ object) { waiting(b)["sha256"] = sum("x") },
		"a change without its name":    func(b, _ object) { delete(first(b["handed_over"].(object)["changed_since"]), "name") },
		"handed over without a sum":    func(_, h object) { last(h["files"])["audio_sha256"] = "" },
		"handed over at no time":       func(_, h object) { h["handed_over_at"] = "yesterday" },
		"handed over, a key too much":  func(_, h object) { h["credits"] = nil },
	}
	for name, spoil := range tests {
		t.Run(name, func(t *testing.T) {
			var book, handover object
			if json.Unmarshal(b, &book) != nil || json.Unmarshal(h, &handover) != nil {
				t.Fatal("the book cannot be read back")
			}
			spoil(book, handover)
			bookText, _ := json.Marshal(book)
			handoverText, _ := json.Marshal(handover)
			if refused(bookText) == nil && refused(handoverText) == nil {
				t.Error("the schema takes it")
			}
		})
	}
}

func waiting(b map[string]any) map[string]any {
	for _, f := range b["files"].([]any) {
		if f := f.(map[string]any); f["state"] == Waiting {
			return f
		}
	}
	return nil
}

// A book reads back as it was written, so that a page can be made of the file.
func TestBookReadsBack(t *testing.T) {
	in := whole(4)
	in.Handed = NewHandover(Judge(whole(3)), handedAt)
	text, err := report.Marshal(judge(t, in))
	if err != nil {
		t.Fatal(err)
	}
	var back Book
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	again, err := report.Marshal(back)
	if err != nil {
		t.Fatal(err)
	}
	if string(again) != string(text) {
		t.Errorf("reads back as\n%s\nwant\n%s", again, text)
	}
}
