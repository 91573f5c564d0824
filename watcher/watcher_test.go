package watcher

import (
	"os"
	"path/filepath"
	"testing"
)

func TestDropBecomesChapter(t *testing.T) {
	ws := newWorkspace(t)
	ev := newEvents(t)
	stop, lines := watch(t, ws, quickly(t, ev.notice), testHands())
	sum := drop(t, ws, "Tides/03 The Ferry.wav", "the ferry")
	got := ev.wait(1, Finished)
	stop()
	if got[0].Book != "Tides" || got[0].Chapter != "03 The Ferry" || got[0].Verdict != "pass" {
		t.Errorf("event: %+v", got[0])
	}
	for _, name := range []string{
		"finished/Tides/03 The Ferry.mp3", "finished/Tides/03 The Ferry.json",
		"archive/Tides/03 The Ferry.r1.wav", "archive/Tides/03 The Ferry.r1.recipe.json",
	} {
		if _, err := os.Stat(filepath.Join(ws.Root, name)); err != nil {
			t.Error(err)
		}
	}
	if err := invariant(ws, map[string]int{sum: 1}, true); err != nil {
		t.Error(err)
	}
	t.Log(messages(lines))
}
