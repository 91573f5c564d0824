package watcher

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// The words of a finished file follow a bar; what lies before it is its sound.
const bar = "|"

func soundOf(data []byte) []byte {
	sound, _, _ := bytes.Cut(data, []byte(bar))
	return sound
}

// testRetag writes other words behind the sound.
func testRetag(job Job, file string) (Made, error) {
	var words string
	if err := json.Unmarshal(job.Ask.Tags, &words); err != nil {
		return Made{}, err
	}
	was, err := os.ReadFile(job.Kept.File)
	if err != nil {
		return Made{}, err
	}
	data := append(slices.Clone(soundOf(was)), bar+words...)
	if bytes.Equal(data, was) {
		return Made{}, nil
	}
	made := Made{File: file, Bytes: int64(len(data)), SHA256: sumOf(data)}
	made.Papers = func(int, []string) (Papers, error) {
		var r testReport
		if err := readJSON(job.Kept.Report, &r); err != nil {
			return Papers{}, err
		}
		r.Finished.SHA256, r.Finished.Bytes = made.SHA256, made.Bytes
		text, err := json.Marshal(r)
		return Papers{Report: text, Verdict: r.Verdict}, err
	}
	return made, writeFlushed(file, data)
}

func words(text string) Ask { return Ask{Kind: Retag, Tags: json.RawMessage(`"` + text + `"`)} }

func retagged(t testing.TB, ws *Workspace) {
	t.Helper()
	_, err := doAsk(ws, &dyingDisk{}, asked{ask: words("new")})
	check(t, err)
}

func cut(from, to float64) Ask { return Ask{Kind: CutSample, Of: "03 Loud", FromS: from, ToS: to} }

func withSample(t testing.TB, ws *Workspace) {
	t.Helper()
	_, err := doAsk(ws, &dyingDisk{}, asked{about: "Sample", ask: cut(0, 3)})
	check(t, err)
}

// loudIn is a file of 03 Loud in finished.
func loudIn(ws *Workspace, ending string) string {
	return filepath.Join(ws.Finished, "Tides", "03 Loud"+ending)
}

var asksForWords = []asked{
	{
		name: "words", ask: words("new"),
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words, finished on another disk", ask: words("new"), apart: true,
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words that are written already", ask: words("new"), before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words once more", ask: words("newer"), before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder|newer", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words into a file somebody has changed", ask: words("new"), refused: "is not the one its report tells of",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.WriteFile(loudIn(ws, ".mp3"), []byte("hers"), 0o640))
		},
		want: map[string]string{"03 Loud.mp3": "hers", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words into a file that was moved away", ask: words("new"), refused: "is not in finished",
		before: func(t testing.TB, ws *Workspace) { check(t, os.Remove(loudIn(ws, ".mp3"))) },
		want:   map[string]string{"superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words without a report", ask: words("new"), refused: "there is no report of it",
		before: func(t testing.TB, ws *Workspace) { check(t, os.Remove(loudIn(ws, ".json"))) },
		want:   map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words with a report that is none", ask: words("new"), refused: "cannot be read; delete it",
		before: func(t testing.TB, ws *Workspace) { check(t, os.WriteFile(loudIn(ws, ".json"), []byte("{"), 0o640)) },
		want:   map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "words into a room test", about: "room test", ask: words("new"), refused: "is a room test",
		before: func(t testing.TB, ws *Workspace) {
			drop(t, ws, "Tides/room test.wav", "room")
			check(t, drive(ws, &dyingDisk{}))
		},
		sound: true,
		want:  map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with the words written since", ask: Ask{Kind: Remake, Set: []string{"|new"}}, before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with other limits, and the words written since", ask: Ask{Kind: Remake, Set: []string{"=limit", "|new"}}, before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with the words of the beginning", ask: Ask{Kind: Remake}, before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with other words, which are no other revision", ask: Ask{Kind: Remake, Set: []string{"|other"}}, before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder|other", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with other sound", ask: Ask{Kind: Remake, Set: []string{"!|new"}}, before: retagged, sound: true,
		want: map[string]string{"03 Loud.mp3": "louder!|new", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder|new"},
	},
	{
		name: "remake with the words written since, of a file that was moved away", ask: Ask{Kind: Remake, Set: []string{"|new"}},
		before: func(t testing.TB, ws *Workspace) {
			retagged(t, ws)
			check(t, os.Remove(loudIn(ws, ".mp3")))
		},
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with other words, of a file that was moved away", ask: Ask{Kind: Remake, Set: []string{"|other"}},
		before: func(t testing.TB, ws *Workspace) {
			retagged(t, ws)
			check(t, os.Remove(loudIn(ws, ".mp3")))
		},
		want: map[string]string{"03 Loud.mp3": "louder|other", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake with the words written since, of a file somebody has changed", ask: Ask{Kind: Remake, Set: []string{"|new"}},
		before: func(t testing.TB, ws *Workspace) {
			retagged(t, ws)
			check(t, os.WriteFile(loudIn(ws, ".mp3"), []byte("hers"), 0o640))
		},
		want: map[string]string{"03 Loud.mp3": "louder|new", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.found.mp3": "hers"},
	},
	{
		name: "remake without its clip", ask: Ask{Kind: Remake},
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.RemoveAll(filepath.Join(ws.Finished, "Tides", clipFolder)))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake of a chapter made before there were clips", ask: Ask{Kind: Remake},
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.RemoveAll(filepath.Join(ws.Finished, "Tides", clipFolder)))
			var r map[string]any
			check(t, readJSON(loudIn(ws, ".json"), &r))
			delete(r, "before")
			data, err := json.Marshal(r)
			check(t, err)
			check(t, os.WriteFile(loudIn(ws, ".json"), data, 0o640))
		},
		sound: true,
		want:  map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "rename of what has other words", ask: Ask{Kind: Rename, NewName: "04 Loud"}, before: retagged, sound: true,
		want: map[string]string{"04 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder|new"},
	},
	{
		name: "rename, finished on another disk", ask: Ask{Kind: Rename, NewName: "04 Loud"}, before: retagged, sound: true, apart: true,
		want: map[string]string{"04 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder|new"},
	},
	{
		name: "withdraw what has other words", ask: Ask{Kind: Withdraw}, before: retagged, sound: true,
		want: map[string]string{"superseded/03 Loud.r1.mp3": "loud", "superseded/03 Loud.r2.mp3": "louder|new"},
	},
}

// ownSample drops a recording of her own by the name of a sample.
func ownSample(t testing.TB, ws *Workspace) {
	t.Helper()
	drop(t, ws, "Tides/Sample.wav", "mine")
	check(t, drive(ws, &dyingDisk{}))
}

var asksForSamples = []asked{
	{
		name: "sample", about: "Sample", ask: cut(1, 4),
		want: map[string]string{"Sample.mp3": "oud", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample, finished and archive on other disks", about: "Sample", ask: cut(1, 4), apart: true,
		want: map[string]string{"Sample.mp3": "oud", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample that is there", about: "Sample", ask: cut(0, 3), before: withSample, sound: true,
		want: map[string]string{"Sample.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample of another place", about: "Sample", ask: cut(2, 5), before: withSample, sound: true,
		want: map[string]string{
			"Sample.mp3": "ude", "superseded/Sample.r1.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud",
		},
	},
	{
		name: "sample in place of her own that was withdrawn", about: "Sample", ask: cut(2, 5), sound: true,
		before: func(t testing.TB, ws *Workspace) {
			ownSample(t, ws)
			_, err := doAsk(ws, &dyingDisk{}, asked{about: "Sample", ask: Ask{Kind: Withdraw}})
			check(t, err)
		},
		want: map[string]string{
			"Sample.mp3": "ude", "superseded/Sample.r1.mp3": "mine", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud",
		},
	},
	{
		name: "sample by the name of her own", about: "Sample", ask: cut(0, 3), refused: "a Sample of your own recording", before: ownSample, sound: true,
		want: map[string]string{"Sample.mp3": "mine", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample by the name of her own that she took away", about: "Sample", ask: cut(0, 3), refused: "a Sample of your own recording",
		before: func(t testing.TB, ws *Workspace) {
			ownSample(t, ws)
			for _, ending := range []string{".mp3", ".json"} {
				check(t, os.Remove(filepath.Join(ws.Finished, "Tides", "Sample"+ending)))
			}
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample by the name of a file that nothing tells of", about: "Sample", ask: cut(0, 3), refused: "a Sample of your own recording",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.WriteFile(filepath.Join(ws.Finished, "Tides", "Sample.mp3"), []byte("mine"), 0o640))
		},
		want: map[string]string{"Sample.mp3": "mine", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample of what is not there", about: "Sample", ask: Ask{Kind: CutSample, Of: "09 More", ToS: 1}, refused: "holds no chapter 09 More",
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample of a place that leads elsewhere", about: "Sample", ask: Ask{Kind: CutSample, Of: "../Tides/03 Loud", ToS: 1}, refused: "holds no chapter",
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample of a sample", about: "Sample 2", ask: Ask{Kind: CutSample, Of: "Sample", ToS: 1}, refused: "is a stretch of 03 Loud itself", before: withSample, sound: true,
		want: map[string]string{"Sample.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "sample without the recording", about: "Sample", ask: cut(0, 3), refused: "also needs 03 Loud.r2.wav from the archive",
		before: func(t testing.TB, ws *Workspace) {
			check(t, os.Rename(filepath.Join(ws.Archive, "Tides", "03 Loud.r2.wav"), filepath.Join(ws.Root, "elsewhere.wav")))
		},
		want: map[string]string{"03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake of a sample", about: "Sample", ask: Ask{Kind: Remake}, before: withSample, sound: true,
		want: map[string]string{"Sample.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "remake of a sample with other settings", about: "Sample", ask: Ask{Kind: Remake, Set: []string{"!"}}, before: withSample, sound: true,
		want: map[string]string{
			"Sample.mp3": "lou!", "superseded/Sample.r1.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud",
		},
	},
	{
		name: "words into a sample", about: "Sample", ask: words("new"), before: withSample, sound: true,
		want: map[string]string{"Sample.mp3": "lou|new", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
	{
		name: "settle a sample", about: "Sample", ask: Ask{Kind: Settle, Answers: json.RawMessage(`["cut"]`), Did: "cut something"}, before: withSample, sound: true,
		want: map[string]string{
			"Sample.mp3": "lou", "superseded/Sample.r1.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud",
		},
	},
	{
		name: "withdraw a sample", about: "Sample", ask: Ask{Kind: Withdraw}, before: withSample, sound: true,
		want: map[string]string{"superseded/Sample.r1.mp3": "lou", "03 Loud.mp3": "louder", "superseded/03 Loud.r1.mp3": "loud"},
	},
}
