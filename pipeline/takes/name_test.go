package takes

import (
	"slices"
	"strings"
	"testing"

	"lectern/config"
)

func TestParse(t *testing.T) {
	for name, want := range map[string]Name{
		"03 The Ferry.wav":                     {Chapter: "03 The Ferry", Role: Chapter},
		"03 The Ferry.WAV":                     {Chapter: "03 The Ferry", Role: Chapter},
		"03 The Ferry take 2.wav":              {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry - take 2.wav":            {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry_take2.wav":               {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry Take 12.wav":             {Chapter: "03 The Ferry", Role: Take, Number: 12},
		"03 The Ferry part 3.wav":              {Chapter: "03 The Ferry", Role: Part, Number: 3},
		"03 The Ferry pickup 1.wav":            {Chapter: "03 The Ferry", Role: Pickup, Number: 1},
		"03 The Ferry take-2.wav":              {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry_-_TAKE__2.wav":           {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry take 12345.wav":          {Chapter: "03 The Ferry take 12345", Role: Chapter},
		"03 The Ferry pickup 1 at 12m34.wav":   {Chapter: "03 The Ferry", Role: Pickup, Number: 1, AtS: 754},
		"03 The Ferry pickup 1 at 0m00.wav":    {Chapter: "03 The Ferry", Role: Pickup, Number: 1, AtS: 0.001},
		"03 The Ferry pickup 1_AT_1h02m34.wav": {Chapter: "03 The Ferry", Role: Pickup, Number: 1, AtS: 3754},
		"03 The Ferry pickup at 12m34.wav":     {Chapter: "03 The Ferry pickup at 12m34", Role: Chapter},
		"03 The Ferry take 2 at 12m34.wav":     {Chapter: "03 The Ferry take 2 at 12m34", Role: Chapter},
		"04 Dinner at 12m34.wav":               {Chapter: "04 Dinner at 12m34", Role: Chapter},
		"The Mistake 2.wav":                    {Chapter: "The Mistake 2", Role: Chapter},
		"A Part of Me.wav":                     {Chapter: "A Part of Me", Role: Chapter},
		"take 2.wav":                           {Chapter: "take 2", Role: Chapter},
		"03 The Ferry (1).wav":                 {Chapter: "03 The Ferry (1)", Role: Chapter, CopyOf: "03 The Ferry"},
		"03 The Ferry - Copy.wav":              {Chapter: "03 The Ferry - Copy", Role: Chapter, CopyOf: "03 The Ferry"},
		"03 The Ferry take 2 (1).wav":          {Chapter: "03 The Ferry take 2 (1)", Role: Chapter, CopyOf: "03 The Ferry"},
		"03 The Ferry (Tam's conflicted copy 2026-11-25).wav": {
			Chapter: "03 The Ferry (Tam's conflicted copy 2026-11-25)", Role: Chapter, CopyOf: "03 The Ferry"},
		"room test.wav":              {Chapter: "room test", Role: RoomTest},
		"Room Test kitchen.WAV":      {Chapter: "Room Test kitchen", Role: RoomTest},
		"MIC TEST 2.wav":             {Chapter: "MIC TEST 2", Role: RoomTest},
		"room_test.wav":              {Chapter: "room_test", Role: RoomTest},
		"mic-test-by the window.wav": {Chapter: "mic-test-by the window", Role: RoomTest},
		"room test take 2.wav":       {Chapter: "room test take 2", Role: RoomTest},
		"room test (1).wav":          {Chapter: "room test (1)", Role: RoomTest},
		"Room Tests of Hope.wav":     {Chapter: "Room Tests of Hope", Role: Chapter},
		"room testing.wav":           {Chapter: "room testing", Role: Chapter},
		"room test.2.wav":            {Chapter: "room test.2", Role: Chapter},
		"roomtest.wav":               {Chapter: "roomtest", Role: Chapter},
		"The Room Test.wav":          {Chapter: "The Room Test", Role: Chapter},
		"Mushroom test.wav":          {Chapter: "Mushroom test", Role: Chapter},
		"A Room Test take 2.wav":     {Chapter: "A Room Test", Role: Take, Number: 2},
		"Kapitel 7 Ebbe.v2.wav":      {Chapter: "Kapitel 7 Ebbe.v2", Role: Chapter},
	} {
		wantName(t, usual, name, want)
	}
}

var usual = NewNames(config.Default().Names)

// wantName checks one name. Where want tells no place there must be none; 0.001 stands
// for the very beginning.
func wantName(t *testing.T, names Names, name string, want Name) {
	t.Helper()
	switch want.AtS {
	case 0:
		want.AtS = -1
	case 0.001:
		want.AtS = 0
	}
	if got := names.Parse(name); got != want {
		t.Errorf("Parse(%q) = %+v, want %+v", name, got, want)
	}
}

func TestParseByOtherPatterns(t *testing.T) {
	for _, c := range []struct {
		names config.Names
		want  map[string]Name
	}{
		{config.Names{Take: "NAME T N", Part: "NAME part N", Pickup: "NAME pick-up N"}, map[string]Name{
			"03 The Ferry T2.wav":               {Chapter: "03 The Ferry", Role: Take, Number: 2},
			"03 The Ferry-t 02.wav":             {Chapter: "03 The Ferry", Role: Take, Number: 2},
			"03 The Ferry take 2.wav":           {Chapter: "03 The Ferry take 2", Role: Chapter},
			"03 The Ferry part2.wav":            {Chapter: "03 The Ferry", Role: Part, Number: 2},
			"03 The Ferry Pick Up 1 at 0m5.wav": {Chapter: "03 The Ferry", Role: Pickup, Number: 1, AtS: 5},
			"03 The Ferry pickup 1.wav":         {Chapter: "03 The Ferry pickup 1", Role: Chapter},
			"03 The Feret2.wav":                 {Chapter: "03 The Feret2", Role: Chapter},
			"03 The Ferry T2 (1).wav":           {Chapter: "03 The Ferry T2 (1)", Role: Chapter, CopyOf: "03 The Ferry"},
		}},
		{config.Names{Take: "Aufnahme N NAME", Part: "St\u00fcck N NAME", Pickup: "Nachtrag N NAME"}, map[string]Name{
			"Aufnahme 2 - 03 Die F\u00e4hre.wav":         {Chapter: "03 Die F\u00e4hre", Role: Take, Number: 2},
			"aufnahme2_03 Die F\u00e4hre.wav":            {Chapter: "03 Die F\u00e4hre", Role: Take, Number: 2},
			"St\u00fcck 2 Ebbe.wav":                      {Chapter: "Ebbe", Role: Part, Number: 2},
			"Stu\u0308ck 2 Ebbe.wav":                     {Chapter: "Ebbe", Role: Part, Number: 2},
			"ST\u00dcCK 2 Ebbe.wav":                      {Chapter: "Ebbe", Role: Part, Number: 2},
			"Nachtrag 3 03 Die F\u00e4hre at 1h0m10.wav": {Chapter: "03 Die F\u00e4hre", Role: Pickup, Number: 3, AtS: 3610},
			"Aufnahme 2.wav":                             {Chapter: "Aufnahme 2", Role: Chapter},
			"03 Die F\u00e4hre take 2.wav":               {Chapter: "03 Die F\u00e4hre take 2", Role: Chapter},
			"Aufnahme 2.v2 Ebbe.wav":                     {Chapter: "Aufnahme 2.v2 Ebbe", Role: Chapter},
		}},
		{config.Names{Take: "Tides NAME N take", Part: "Tides NAME N part", Pickup: "Tides NAME N pickup"}, map[string]Name{
			"Tides 03 The Ferry 2nd take.wav": {Chapter: "Tides 03 The Ferry 2nd take", Role: Chapter},
			"Tides 03 The Ferry 2 take.wav":   {Chapter: "03 The Ferry", Role: Take, Number: 2},
			"03 The Ferry 2 take.wav":         {Chapter: "03 The Ferry 2 take", Role: Chapter},
		}},
	} {
		for name, want := range c.want {
			wantName(t, NewNames(c.names), name, want)
		}
	}
}

func TestPlaceS(t *testing.T) {
	for name, want := range map[string]float64{
		"03 The Ferry pickup 1 at 12m34.wav": 754, "03 The Ferry.wav": -1, "03 The Ferry pickup 1.wav": -1,
	} {
		if got := PlaceS(name); got != want {
			t.Errorf("PlaceS(%q) = %g, want %g", name, got, want)
		}
	}
}

func TestTrackNumber(t *testing.T) {
	for name, want := range map[string]string{
		"03 The Ferry": "3", "Chapter 12 - Ebb": "12", "00 Opening credits": "0", "The Ferry": "", "1984ish": "",
	} {
		if got := TrackNumber(name); got != want {
			t.Errorf("TrackNumber(%q) = %q, want %q", name, got, want)
		}
	}
}

// Of all short patterns, two are let in together just if no name fits both.
func TestPatternsApart(t *testing.T) {
	var patterns []string
	for _, words := range [][]string{{"a"}, {"b"}, {"a", "a"}, {"a", "b"}} {
		each([]string{"NAME", "N", "a", "b"}, 2+len(words), func(p []string) {
			if sorted := slices.Sorted(slices.Values(p)); slices.Equal(sorted, append([]string{"N", "NAME"}, words...)) {
				patterns = append(patterns, strings.Join(p, " "))
			}
		})
	}
	type pair struct{ p, q string }
	fitsBoth := map[pair]string{}
	var read []Names
	for _, p := range patterns {
		read = append(read, NewNames(config.Names{Take: p, Part: "NAME none N", Pickup: "NAME none N"}))
	}
	for n := 2; n <= 6; n++ {
		each([]string{"a", "b", "1"}, n, func(words []string) {
			name := strings.Join(words, " ") + ".wav"
			var fits []string
			for i, p := range patterns {
				if read[i].Parse(name).Role == Take {
					fits = append(fits, p)
				}
			}
			for _, p := range fits {
				for _, q := range fits {
					fitsBoth[pair{p, q}] = name
				}
			}
		})
	}
	refused := 0
	for _, p := range patterns {
		for _, q := range patterns {
			s := config.Default()
			err := config.Set(&s, "names.take="+p, "names.part="+q, "names.pickup=NAME pickup N")
			apart := err == nil || strings.Contains(err.Error(), "pickup") // which is another question
			if name, both := fitsBoth[pair{p, q}]; both == apart {
				t.Errorf("%q and %q: let in %v, but both fit %q", p, q, apart, name)
			}
			if !apart {
				refused++
			}
		}
	}
	t.Logf("%d patterns, %d pairs refused of %d", len(patterns), refused, len(patterns)*len(patterns))
}

// each calls visit with every row of n words.
func each(words []string, n int, visit func([]string)) {
	if n == 0 {
		visit(nil)
		return
	}
	for _, w := range words {
		each(words, n-1, func(rest []string) { visit(append([]string{w}, rest...)) })
	}
}
