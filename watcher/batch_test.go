package watcher

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// named makes members from names; those after "|" are archived.
func named(t *testing.T, names string) (list []member) {
	t.Helper()
	for name := range strings.SplitSeq(names, ",") {
		if name = strings.TrimSpace(name); name == "" {
			continue
		}
		s := testSort("", name+".wav")
		list = append(list, member{Role: s.Role, Number: s.Number, Name: name})
	}
	return list
}

func TestOrder(t *testing.T) {
	for _, c := range []struct {
		name, waiting, archived string
		playing, problem        string
	}{
		{"plain", "Ferry", "", "Ferry", ""},
		{"takes in any order", "Ferry take 2, Ferry take 1", "", "Ferry take 1, Ferry take 2", ""},
		{"ten comes after nine", takes(10), "", takes(10), ""},
		{"plain is take 1", "Ferry take 2, Ferry", "", "Ferry, Ferry take 2", ""},
		{"plain is part 1", "Ferry part 2, Ferry", "", "Ferry, Ferry part 2", ""},
		{"plain and take 1", "Ferry, Ferry take 1", "", "", "both there"},
		{"a gap", "Ferry take 1, Ferry take 3", "", "", "take 2 is missing"},
		{"the first is missing", "Ferry take 2", "", "", "take 1 is missing"},
		{"a gap in parts", "Ferry part 1, Ferry part 3", "", "", "part 2 is missing"},
		{"the archive fills the gap", "Ferry take 3", "Ferry take 1, Ferry take 2", "Ferry take 1, Ferry take 2, Ferry take 3", ""},
		{"a further take of a plain chapter", "Ferry take 2", "Ferry", "Ferry, Ferry take 2", ""},
		{"a take replaces its own earlier one", "Ferry take 1", "Ferry take 1, Ferry take 2", "Ferry take 1*, Ferry take 2", ""},
		{"plain replaces plain", "Ferry", "Ferry", "Ferry*", ""},
		{"plain against an archived take 1", "Ferry", "Ferry take 1", "", "same place"},
		{"take 1 against an archived plain", "Ferry take 1", "Ferry", "", "same place"},
		{"takes and parts", "Ferry take 1, Ferry part 2", "", "", "takes and some as parts"},
		{"a pickup comes last", "Ferry pickup 1, Ferry take 1", "", "Ferry take 1, Ferry pickup 1", ""},
		{"a pickup months later", "Ferry pickup 2", "Ferry, Ferry pickup 1", "Ferry, Ferry pickup 1, Ferry pickup 2", ""},
		{"pickups with a gap", "Ferry pickup 4, Ferry pickup 2", "Ferry", "Ferry, Ferry pickup 2, Ferry pickup 4", ""},
		{"a pickup of a chapter with a gap", "Ferry pickup 1, Ferry take 3", "Ferry take 1", "", "take 2 is missing"},
		{"a pickup replaces its own earlier one", "Ferry pickup 1", "Ferry, Ferry pickup 1, Ferry pickup 2",
			"Ferry, Ferry pickup 1*, Ferry pickup 2", ""},
		{"a pickup alone", "Ferry pickup 1", "", "", "waits for its chapter"},
		{"a room test", "room test", "", "room test", ""},
		{"a room test again", "room test", "room test", "room test*", ""},
	} {
		archived := named(t, c.archived)
		for i := range archived {
			archived[i].ArchivedAs = archived[i].Name + ".r1.wav"
		}
		list, problem := order(named(t, c.waiting), archived)
		var got []string
		for _, m := range list {
			if m.ArchivedAs == "" && strings.Contains(c.playing, m.Name+"*") {
				m.Name += "*" // the waiting one, not the archived one
			}
			got = append(got, m.Name)
		}
		if c.problem != "" {
			if !strings.Contains(problem, c.problem) {
				t.Errorf("%s: problem %q, want one with %q", c.name, problem, c.problem)
			}
			continue
		}
		if problem != "" || strings.Join(got, ", ") != c.playing {
			t.Errorf("%s: %q %q, want %q", c.name, got, problem, c.playing)
		}
	}
}

func takes(n int) string {
	list := make([]string, n)
	for i := range list {
		list[i] = fmt.Sprintf("Ferry take %d", i+1)
	}
	return strings.Join(list, ", ")
}

// What was archived under a room test's name when it still meant a chapter.
func TestRoomTestStandsAlone(t *testing.T) {
	test := member{Role: roleRoomTest, Name: "room test"}
	archived := []member{
		{Role: roleChapter, Name: "room test", ArchivedAs: "room test.r1.wav"},
		{Role: roleTake, Number: 2, Name: "room test take 2", ArchivedAs: "room test take 2.r2.wav"},
	}
	if list, problem := order([]member{test}, archived); problem != "" || !slices.Equal(list, []member{test}) {
		t.Errorf("%+v %q", list, problem)
	}
	if list, problem := order([]member{test, {Role: roleRoomTest, Name: "ROOM TEST"}}, nil); problem == "" {
		t.Errorf("made of case twins: %v", list)
	}
}

func TestOrderAsksAboutTwoOfOneTake(t *testing.T) {
	twins := []member{{Role: roleTake, Number: 1, Name: "Ferry take 1"}, {Role: roleTake, Number: 1, Name: "FERRY TAKE 1"}}
	if list, problem := order(twins, nil); problem == "" {
		t.Errorf("made of case twins: %v", list)
	}
}

// A pickup alone makes a chapter of the archive again, with what was archived of it.
func TestPickupOfAnArchivedChapter(t *testing.T) {
	ws := memoryRoot(t)
	dropped := map[string]int{}
	add := func(name, content string) {
		dropped[drop(t, ws, name, content)]++
		check(t, drive(ws, &dyingDisk{}))
	}
	finished := func() string {
		data, err := os.ReadFile(filepath.Join(ws.Finished, "Tides", "03 Ferry.mp3"))
		check(t, err)
		return string(data)
	}
	drop(t, ws, "Tides/03 Ferry take 1.wav", "one, ")
	dropped[sumOf([]byte("one, "))]++
	add("Tides/03 Ferry take 2.wav", "two, ")
	add("Tides/03 Ferry pickup 3.wav", "third pickup")
	if got := finished(); got != "one, two, third pickup" {
		t.Errorf("made of %q", got)
	}
	add("Tides/03 Ferry pickup 1.wav", "first pickup, ")
	if got := finished(); got != "one, two, first pickup, third pickup" {
		t.Errorf("made of %q", got)
	}
	var r testReport
	check(t, readJSON(filepath.Join(ws.Finished, "Tides", "03 Ferry.json"), &r))
	if r.Revision != 3 || len(r.Raws) != 4 || r.Raws[2].ArchivedAs != "03 Ferry pickup 1.r3.wav" {
		t.Errorf("report %+v", r)
	}
	check(t, invariant(ws, dropped, true))
}
