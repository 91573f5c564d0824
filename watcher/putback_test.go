package watcher

import (
	"encoding/json"
	"os"
	"testing"
)

// A chapter that comes out the same gets a report that tells all that one tells today; one
// that does already stays to the byte.
func TestRemakeFillsUpAnEarlierReport(t *testing.T) {
	ws := withTwoRevisions(t, asked{})
	remake := asked{ask: Ask{Kind: Remake}}
	var r map[string]any
	check(t, readJSON(loudIn(ws, ".json"), &r))
	for part, did := range map[string]string{"verdict": "its report was written anew", "": "unchanged"} {
		old := map[string]any{"history": "what was told of it"} // which the test's own reports do not have
		for key, value := range r {
			if key != part {
				old[key] = value
			}
		}
		text, err := json.Marshal(old)
		check(t, err)
		check(t, os.WriteFile(loudIn(ws, ".json"), text, 0o640))
		out, err := doAsk(ws, &dyingDisk{}, remake)
		check(t, err)
		var now map[string]any
		check(t, readJSON(loudIn(ws, ".json"), &now))
		if out.Did != did || out.Revision != 2 || now["verdict"] != "fail" || (now["history"] == nil) != (part != "") {
			t.Errorf("without %q: it ended as %+v; the report has %v", part, out, now)
		}
		check(t, checkAsked(ws, asked{want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"}}))
		check(t, invariant(ws, nil, true))
	}
}
