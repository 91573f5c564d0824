package watcher

import (
	"strings"
	"testing"
	"unicode/utf8"
)

func TestKindOf(t *testing.T) {
	for name, want := range map[string]kind{
		"03 The Ferry.wav": wav, "03 THE FERRY.WAV": wav, "x.wav.": wav, "x.wav ": wav, "a.b.wav": wav,
		"._03 The Ferry.wav": junk, ".DS_Store": junk, ".hidden.wav": junk, "Thumbs.db": junk, "desktop.ini": junk,
		"~$notes.docx": junk, "x.wav.part": junk, "x.wav.PARTIAL": junk, "x.wav.filepart": junk, "x.wav.tmp": junk,
		"x.wav.crdownload": junk, ".syncthing.x.wav.tmp": junk, "~syncthing~x.wav": junk, ".nfs0001": junk, ".smbdelete1": junk,
		"x.mp3": audio, "x.FLAC": audio, "x.aiff": audio, "x.m4a": audio, "x.wave": audio, "x.w64": audio,
		"about.toml": other, "notes.txt": other, "cover.jpg": other, "wav": other, "x.wav.sha256": other,
	} {
		if got := kindOf(name); got != want {
			t.Errorf("kindOf(%q) = %d, want %d", name, got, want)
		}
	}
}

func TestOutStem(t *testing.T) {
	for name, want := range map[string]string{
		"03 The Ferry":         "03 The Ferry",
		"Ma\u0301s alla\u0301": "M\u00e1s all\u00e1", // NFD becomes NFC
		"Smile \U0001F600":     "Smile \U0001F600",
		"book":                 "book_", "Index": "Index_", "SUPERSEDED": "SUPERSEDED_", "listen": "listen_", "Diary": "Diary_",
		"CON": "CON_", "con_": "con__", "NUL.tape": "NUL_.tape", "com1": "com1_", "com10": "com10", "console": "console",
		"room test - please read": "room test - please read_", "Room Test - Please READ_": "Room Test - Please READ__",
	} {
		if got := outStem(name); got != want {
			t.Errorf("outStem(%q) = %q, want %q", name, got, want)
		}
	}
}

// hostile are names that no disk should be given as they are. All are
// different chapters.
var hostile = []string{
	"a:b", "a?b", "a*b", "a\"b", "a<b", "a>b", "a|b", "a\\b", "a\nb", "a\tb", "a\x00b", "a\x7fb", "a\u202eb", "a_b",
	"..", "...", "x.", "x", "x ", "..\\x", "../../etc", "-", "_", "\xff\xfe", "\xff\xfd", "caf\xe9", "caf\xe8", "\ufffd",
	strings.Repeat("x", 255), strings.Repeat("x", 254), strings.Repeat("\u00e9", 200), strings.Repeat("\u00e9", 199),
}

func TestOutStemIsFitForEveryDiskAndNeverTheSame(t *testing.T) {
	seen := map[string]string{}
	for _, name := range hostile {
		stem := outStem(name)
		if other, twice := seen[Fold(stem)]; twice {
			t.Errorf("%q and %q both become %q", other, name, stem)
		}
		seen[Fold(stem)] = name
		switch {
		case stem == "" || len(stem) > stemMaxBytes+20 || !utf8.ValidString(stem):
			t.Errorf("%q becomes %q", name, stem)
		case strings.ContainsAny(stem, "<>:\"/\\|?*\n\t\x00\u202e") || strings.HasPrefix(stem, "."):
			t.Errorf("%q becomes %q", name, stem)
		case strings.HasSuffix(stem, ".") || strings.HasSuffix(stem, " "):
			t.Errorf("%q becomes %q", name, stem)
		}
	}
}

func TestFold(t *testing.T) {
	for _, same := range [][2]string{
		{"The Ferry", "THE FERRY"}, {"Ma\u0301s", "M\u00c1S"}, {"Stra\u00dfe", "STRASSE"}, {"caf\xe9 A", "caf\xe9 a"},
	} {
		if Fold(same[0]) != Fold(same[1]) || !sameName(same[0], same[1]) {
			t.Errorf("%q and %q differ: %q %q", same[0], same[1], Fold(same[0]), Fold(same[1]))
		}
	}
	for _, other := range [][2]string{{"caf\xe9", "caf\xe8"}, {"caf\xe9", "caf\ufffd"}, {"a", "\u00e1"}, {"a", "b"}} {
		if Fold(other[0]) == Fold(other[1]) || sameName(other[0], other[1]) {
			t.Errorf("%q and %q are the same: %q", other[0], other[1], Fold(other[0]))
		}
	}
}

func TestMayBeginNeverRefusesASpelling(t *testing.T) {
	for _, c := range []struct {
		name, stem string
		want       bool
	}{
		{"THE FERRY.r1.mp3", "The Ferry", true}, {"The Ferry", "The Ferry", true}, {"The", "The Ferry", false},
		{"03.r1.mp3", "04", false}, {"Ma\u0301s.r1.mp3", "M\u00e1s", true}, {"\u212a.r1.mp3", "k", true},
	} {
		if got := mayBegin(c.name, c.stem); got != c.want {
			t.Errorf("mayBegin(%q, %q) = %v", c.name, c.stem, got)
		}
	}
}

func TestPlainHasNothingThatMovesACursor(t *testing.T) {
	if got := Plain("03\n\x1b[2JThe \u202eFerry\xff \u00e9"); got != "03??[2JThe ?Ferry? \u00e9" {
		t.Errorf("plain gave %q", got)
	}
}
