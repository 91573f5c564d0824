package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"testing"
)

func open(t testing.TB, file []byte) (*Reader, Info) {
	t.Helper()
	info, err := Walk(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatalf("Walk: %v", err)
	}
	r, err := NewReader(bytes.NewReader(file), info)
	if err != nil {
		t.Fatalf("NewReader: %v", err)
	}
	return r, info
}

func withRIFFSize(file []byte, size uint32) []byte {
	binary.LittleEndian.PutUint32(file[4:], size)
	return file
}

// Oddities that must not cost a sample. Each file holds the ramp 1, 2, 3, ...
func TestWalkTolerates(t *testing.T) {
	sound := part{id: "data", body: ramp16(100)}
	bext := part{id: "bext", body: make([]byte, 602)}
	odd := part{id: "LIST", body: []byte("INFOINAM\x05\x00\x00\x00Ferry")} // 17 bytes
	unpadded := odd
	unpadded.noPad = true
	tests := []struct {
		name        string
		file        []byte
		frames      int
		unfinalized bool
		missing     int64
		note        string // part of a note; none if empty
	}{
		{name: "plain", file: riffOf("RIFF", pcm16(), sound), frames: 100},
		{name: "LIST, bext, cue, JUNK, PAD before", file: riffOf("RIFF", part{id: "JUNK", body: make([]byte, 28)}, bext, pcm16(), odd,
			part{id: "cue ", body: make([]byte, 28)}, part{id: "PAD ", body: make([]byte, 12236)}, sound), frames: 100},
		{name: "LIST, bext, cue after", file: riffOf("RIFF", pcm16(), sound, odd, bext, part{id: "cue ", body: make([]byte, 28)}), frames: 100},
		{name: "unknown odd chunk before", file: riffOf("RIFF", pcm16(), part{id: "xyz1", body: []byte{1, 2, 3}}, sound), frames: 100},
		{name: "data before fmt", file: riffOf("RIFF", sound, pcm16()), frames: 100},
		{name: "fmt of 18 bytes", file: riffOf("RIFF", part{id: "fmt ", body: append(pcm16().body, 0, 0)}, sound), frames: 100},
		{name: "odd data, padded, chunk after", file: riffOf("RIFF", pcm16(), part{id: "data", body: append(ramp16(100), 9)}, bext), frames: 100, note: "(1 of 2 bytes)"},
		{name: "odd data, pad missing at the end", file: riffOf("RIFF", fmtPart(1, 1, 48000, 3, 24), part{id: "data", body: make([]byte, 39), noPad: true}), frames: 13},
		{name: "unpadded odd chunk before data", file: riffOf("RIFF", pcm16(), unpadded, sound), frames: 100, note: "lacks the filler byte"},
		{name: "unpadded odd chunk before fmt", file: riffOf("RIFF", unpadded, pcm16(), sound), frames: 100, note: "lacks the filler byte"},
		{name: "pad byte that is not zero", file: riffOf("RIFF", pcm16(), part{id: "note", body: []byte("abcQ"), size: 3, lie: true}, sound), frames: 100},
		{name: "RIFF size too small", file: withRIFFSize(riffOf("RIFF", pcm16(), sound), 75), frames: 100, note: "file's length as 83 bytes"},
		{name: "RIFF size too large", file: withRIFFSize(riffOf("RIFF", pcm16(), sound), 1<<20), frames: 100, note: "file's length"},
		{name: "RIFF size never written", file: withRIFFSize(riffOf("RIFF", pcm16(), sound), 0), frames: 100},
		{name: "data size 0", file: withRIFFSize(riffOf("RIFF", pcm16(), lying("data", 0, ramp16(100))), 0), frames: 100, unfinalized: true, note: "never wrote"},
		{name: "data size 0, silence", file: riffOf("RIFF", pcm16(), lying("data", 0, make([]byte, 200))), frames: 100, unfinalized: true},
		{name: "data size 0, half a sample more", file: riffOf("RIFF", pcm16(), part{id: "data", body: append(ramp16(100), 9), lie: true, noPad: true}), frames: 100, unfinalized: true, note: "(1 of 2 bytes)"},
		{name: "data size 0, three samples", file: riffOf("RIFF", pcm16(), lying("data", 0, ramp16(3))), frames: 3, unfinalized: true},
		{name: "data size FFFFFFFF", file: withRIFFSize(riffOf("RIFF", pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100, unfinalized: true, note: "never wrote"},
		{name: "data size 7FFFF000 from a pipe", file: withRIFFSize(riffOf("RIFF", pcm16(), lying("data", 0x7FFFF000, ramp16(100))), 0x7FFFF024), frames: 100, unfinalized: true},
		{name: "cut off in the sound", file: riffOf("RIFF", pcm16(), lying("data", 1000, ramp16(100))), frames: 100, missing: 800},
		{name: "trailing junk", file: append(riffOf("RIFF", pcm16(), sound), "\x00\x01\x02 some junk that is no chunk"...), frames: 100, note: "no block of a WAV"},
		{name: "few trailing bytes", file: append(riffOf("RIFF", pcm16(), sound), 0, 0, 0, 0), frames: 100, note: "stray bytes (4)"},
		{name: "LIST after data cut off", file: riffOf("RIFF", pcm16(), sound, lying("LIST", 4000, []byte("INFO"))), frames: 100, note: "nothing of the sound is missing"},
		{name: "second data chunk", file: riffOf("RIFF", pcm16(), sound, part{id: "data", body: make([]byte, 50)}), frames: 100, note: "second block of sound"},
		{name: "second data chunk of no length", file: riffOf("RIFF", pcm16(), sound, lying("data", 0xFFFFFFFF, ramp16(50))), frames: 100, note: "second block of sound"},
		{name: "second fmt chunk", file: riffOf("RIFF", pcm16(), fmtPart(1, 2, 8000, 4, 16), sound), frames: 100, note: "describes its sound twice"},
		{name: "empty data before the real one", file: riffOf("RIFF", pcm16(), part{id: "data"}, sound), frames: 100},
		{name: "block size wrong", file: riffOf("RIFF", fmtPart(1, 1, 48000, 1, 16), sound), frames: 100, note: "2 was taken"},
		{name: "block size zero", file: riffOf("RIFF", fmtPart(1, 1, 48000, 0, 16), sound), frames: 100, note: "2 was taken"},
		{name: "more valid bits than bits", file: riffOf("RIFF", extPart(1, 1, 48000, 16, 24), sound), frames: 100, note: "16 was taken"},
		{name: "RF64", file: withRIFFSize(riffOf("RF64", ds64Part(280-8, 200), pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100},
		{name: "BW64 with chna after", file: withRIFFSize(riffOf("BW64", ds64Part(292-8, 200), pcm16(), lying("data", 0xFFFFFFFF, ramp16(100)), part{id: "chna", body: make([]byte, 4)}), 0xFFFFFFFF), frames: 100},
		{name: "RF64 with plain sizes", file: riffOf("RF64", ds64Part(0, 0), pcm16(), sound), frames: 100},
		{name: "RF64 cut off", file: withRIFFSize(riffOf("RF64", ds64Part(6<<30, 6<<30), pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100, missing: 6<<30 - 200},
		{name: "RF64 never finished", file: withRIFFSize(riffOf("RF64", ds64Part(0, 0), pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100, unfinalized: true},
		{name: "RF64 impossible size", file: withRIFFSize(riffOf("RF64", ds64Part(1<<63, 1<<63), pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100, unfinalized: true},
		{name: "RF64 without ds64", file: withRIFFSize(riffOf("RF64", pcm16(), lying("data", 0xFFFFFFFF, ramp16(100))), 0xFFFFFFFF), frames: 100, unfinalized: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			info, got := readAll(t, tt.file)
			if info.Frames != int64(tt.frames) || info.Unfinalized != tt.unfinalized || info.MissingBytes() != tt.missing {
				t.Fatalf("frames %d, unfinalized %v, missing %d; want %d, %v, %d", info.Frames, info.Unfinalized, info.MissingBytes(), tt.frames, tt.unfinalized, tt.missing)
			}
			if info.Unfinalized != (info.DeclaredBytes == -1) {
				t.Errorf("DeclaredBytes = %d though unfinalized = %v", info.DeclaredBytes, info.Unfinalized)
			}
			if tt.frames != 13 && tt.name != "data size 0, silence" {
				equalSamples(t, got[0], wantRamp16(tt.frames))
			}
			notes := strings.Join(info.Notes, "\n")
			if tt.note == "" && notes != "" && !tt.unfinalized || !strings.Contains(notes, tt.note) {
				t.Errorf("notes %q, want %q", notes, tt.note)
			}
			if !tt.unfinalized && len(info.Notes) > 1 {
				t.Errorf("notes %q, want one", info.Notes)
			}
		})
	}
}

// A file odd in a hundred places is read, and does not say so a hundred times.
func TestNotesAreBounded(t *testing.T) {
	parts := []part{pcm16()}
	for i := range 100 {
		parts = append(parts, part{id: fmt.Sprintf("a%03d", i), body: []byte{0xFF}, noPad: true})
	}
	info, got := readAll(t, riffOf("RIFF", append(parts, part{id: "data", body: ramp16(9)})...))
	equalSamples(t, got[0], wantRamp16(9))
	if len(info.Notes) != maxNotes {
		t.Errorf("%d notes, want %d", len(info.Notes), maxNotes)
	}
}

// Whole files of kinds that are not read: each is named, and says what to
// export instead.
func TestWalkRefusesByName(t *testing.T) {
	data := part{id: "data", body: make([]byte, 96)}
	tagged := func(tag uint16, block, bits int) []byte {
		return riffOf("RIFF", fmtPart(tag, 1, 44100, block, bits), data)
	}
	ambisonic := extPart(1, 1, 48000, 16, 16)
	copy(ambisonic.body[28:], "\x21\x07\xd3\x11\x86\x44\xc8\xc1\xca\x00\x00\x00")
	tests := []struct{ kind, says, file string }{
		{"A-law", "telephone", string(tagged(6, 1, 8))},
		{"A-law", "telephone", string(riffOf("RIFF", extPart(6, 1, 8000, 8, 8), data))},
		{"mu-law", "telephone", string(tagged(7, 1, 8))},
		{"MS ADPCM", "compressed", string(tagged(2, 256, 4))},
		{"IMA ADPCM", "compressed", string(tagged(0x11, 256, 4))},
		{"GSM", "compressed", string(tagged(0x31, 65, 0))},
		{"MP3 in WAV", "MP3", string(tagged(0x55, 1152, 0))},
		{"MPEG in WAV", "MPEG", string(tagged(0x50, 1152, 0))},
		{"compressed", "0x0161", string(tagged(0x161, 1, 16))},
		{"compressed", "0x0000", string(tagged(0, 2, 16))},
		{"unknown", "does not know", string(riffOf("RIFF", ambisonic, data))},
		{"channels", "6 channels", string(riffOf("RIFF", fmtPart(1, 6, 48000, 12, 16), data))},
		{"sample rate", "7999 samples a second", string(riffOf("RIFF", fmtPart(1, 1, 7999, 2, 16), data))},
		{"sample rate", "192001", string(riffOf("RIFF", fmtPart(1, 1, 192001, 2, 16), data))},
		{"bit depth", "4-bit", string(tagged(1, 1, 4))},
		{"bit depth", "64-bit samples", string(tagged(1, 8, 64))},
		{"bit depth", "16-bit floating", string(tagged(3, 2, 16))},
		{"RIFX", "big-endian", "RIFX\x00\x00\x00\x24WAVEfmt "},
		{"AIFF", "AIFF", "FORM\x00\x00\x00\x24AIFFCOMM"},
		{"FLAC", "FLAC", "fLaC\x00\x00\x00\x22............"},
		{"Ogg", "Ogg", "OggS\x00\x02............"},
		{"CAF", "CAF", "caff\x00\x01\x00\x00desc...."},
		{"M4A", "M4A", "\x00\x00\x00\x20ftypM4A ...."},
		{"MP3", "MP3", "ID3\x03\x00\x00\x00\x00\x00\x00...."},
		{"MP3", "MP3", "\xff\xfb\xb0\xc4............"},
		{"Wave64", "Wave64", "riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb"},
	}
	for _, tt := range tests {
		t.Run(tt.kind, func(t *testing.T) {
			_, err := Walk(strings.NewReader(tt.file), int64(len(tt.file)))
			var refused *UnsupportedError
			if !errors.As(err, &refused) {
				t.Fatalf("Walk: %v, want an UnsupportedError", err)
			}
			if refused.Kind != tt.kind || !strings.Contains(refused.Says, tt.says) || !strings.HasSuffix(refused.Says, exportInstead) {
				t.Errorf("kind %q, says %q; want %q, %q", refused.Kind, refused.Says, tt.kind, tt.says)
			}
		})
	}
}

// Broken files: a sentence each, and whether more bytes could still mend it.
func TestWalkRefusesBroken(t *testing.T) {
	tests := []struct {
		name       string
		file       []byte
		says       string
		incomplete bool
	}{
		{"empty", nil, "empty", true},
		{"few bytes", []byte("RIFF"), "too short", true},
		{"text", []byte("03 The Ferry, second take, the good one"), "none", false},
		{"zeros", make([]byte, 4096), "nothing but zeros", true},
		{"picture in RIFF", []byte("RIFF\x20\x00\x00\x00WEBPVP8 ................"), "WEBP", false},
		{"header only, size 0", riffOf("RIFF", pcm16(), part{id: "data"}), "holds no sound", false},
		{"header only, sizes open", withRIFFSize(riffOf("RIFF", pcm16(), part{id: "data"}), 0), "holds no sound", true},
		{"header only, FFFFFFFF", riffOf("RIFF", pcm16(), lying("data", 0xFFFFFFFF, nil)), "holds no sound", true},
		{"size 0 and tags after", riffOf("RIFF", pcm16(), part{id: "data"}, part{id: "LIST", body: []byte("INFOabc")}), "holds no sound", false},
		{"less than a sample", riffOf("RIFF", pcm16(), part{id: "data", body: []byte{1}}), "holds no sound", false},
		{"no data", riffOf("RIFF", pcm16()), "before its sound", false},
		{"no data yet", withRIFFSize(riffOf("RIFF", pcm16()), 1000), "before its sound", true},
		{"no fmt", riffOf("RIFF", part{id: "data", body: ramp16(9)}), "before its sound", false},
		{"cut in fmt", withRIFFSize(riffOf("RIFF", lying("fmt ", 16, []byte{1, 0})), 1000), "cut off", true},
		{"cut in fmt, sizes open", withRIFFSize(riffOf("RIFF", lying("fmt ", 16, []byte{1, 0})), 0xFFFFFFFF), "cut off", true},
		{"whole, yet a block goes on", riffOf("RIFF", pcm16(), lying("LIST", 1<<30, []byte("INFO"))), "claims 1073741824 bytes, but only 4 follow", false},
		{"cut off, and a block beyond its end", withRIFFSize(riffOf("RIFF", pcm16(), lying("LIST", 1<<30, []byte("INFO"))), 1000), "cut off or damaged", false},
		{"RF64, size 0 and tags after", riffOf("RF64", ds64Part(0, 0), pcm16(), part{id: "data"}, part{id: "LIST", body: []byte("INFOabc")}), "holds no sound", false},
		{"fmt too small", riffOf("RIFF", part{id: "fmt ", body: make([]byte, 14)}), "claims to be 14 bytes", false},
		{"fmt too large", riffOf("RIFF", part{id: "fmt ", body: make([]byte, 5000)}), "claims to be 5000 bytes", false},
		{"extensible cut short", riffOf("RIFF", fmtPart(0xFFFE, 1, 48000, 2, 16)), "cut short", false},
		{"no channels", riffOf("RIFF", fmtPart(1, 0, 48000, 2, 16)), "0 channels", false},
		{"no rate", riffOf("RIFF", fmtPart(1, 1, 0, 2, 16)), "0 samples a second", false},
		{"no bits", riffOf("RIFF", fmtPart(1, 1, 48000, 2, 0)), "0 bits", false},
		{"names that are none", riffOf("RIFF", pcm16(), part{id: "\x01\x02\x03\x04", body: make([]byte, 8)}), "broken at byte 36", false},
		{"ds64 cut short", riffOf("RF64", part{id: "ds64", body: make([]byte, 8)}), "cut short", false},
		{"RIFF in RIFF", riffOf("RIFF", part{id: "RIFF", body: riffOf("RIFF", pcm16(), part{id: "data", body: ramp16(9)})[8:]}), "before its sound", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Walk(bytes.NewReader(tt.file), int64(len(tt.file)))
			var broken *BadError
			if !errors.As(err, &broken) {
				t.Fatalf("Walk: %v, want a BadError", err)
			}
			if !strings.Contains(broken.Says, tt.says) || broken.Incomplete != tt.incomplete {
				t.Errorf("says %q, incomplete %v; want %q, %v", broken.Says, broken.Incomplete, tt.says, tt.incomplete)
			}
		})
	}
}
