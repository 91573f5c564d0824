package takes

import "testing"

func TestParse(t *testing.T) {
	for name, want := range map[string]Name{
		"03 The Ferry.wav":                   {Chapter: "03 The Ferry", Role: Chapter},
		"03 The Ferry.WAV":                   {Chapter: "03 The Ferry", Role: Chapter},
		"03 The Ferry take 2.wav":            {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry - take 2.wav":          {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry_take2.wav":             {Chapter: "03 The Ferry", Role: Take, Number: 2},
		"03 The Ferry Take 12.wav":           {Chapter: "03 The Ferry", Role: Take, Number: 12},
		"03 The Ferry part 3.wav":            {Chapter: "03 The Ferry", Role: Part, Number: 3},
		"03 The Ferry pickup 1.wav":          {Chapter: "03 The Ferry", Role: Pickup, Number: 1},
		"03 The Ferry pickup 1 at 12m34.wav": {Chapter: "03 The Ferry", Role: Pickup, Number: 1},
		"The Mistake 2.wav":                  {Chapter: "The Mistake 2", Role: Chapter},
		"A Part of Me.wav":                   {Chapter: "A Part of Me", Role: Chapter},
		"take 2.wav":                         {Chapter: "take 2", Role: Chapter},
		"03 The Ferry (1).wav":               {Chapter: "03 The Ferry (1)", Role: Chapter, CopyOf: "03 The Ferry"},
		"03 The Ferry - Copy.wav":            {Chapter: "03 The Ferry - Copy", Role: Chapter, CopyOf: "03 The Ferry"},
		"03 The Ferry take 2 (1).wav":        {Chapter: "03 The Ferry take 2 (1)", Role: Chapter, CopyOf: "03 The Ferry"},
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
		if got := Parse(name); got != want {
			t.Errorf("Parse(%q) = %+v, want %+v", name, got, want)
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
