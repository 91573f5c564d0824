package watcher

import (
	"crypto/sha256"
	"encoding/hex"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Fold returns a name for comparing: NFC and case-folded, so that two
// spellings that some disk takes for one file are one. Bytes that are no UTF-8
// are kept as they are.
func Fold(name string) string {
	var b strings.Builder
	for len(name) > 0 {
		valid := len(name)
		for i, r := range name {
			if _, width := utf8.DecodeRuneInString(name[i:]); r == utf8.RuneError && width == 1 {
				valid = i
				break
			}
		}
		b.WriteString(norm.NFC.String(cases.Fold().String(norm.NFC.String(name[:valid]))))
		if valid < len(name) {
			b.WriteByte(name[valid])
			valid++
		}
		name = name[valid:]
	}
	return b.String()
}

// sameName tells whether two names are the same when folded. Most names of a
// long book are plain ASCII and tell at once.
func sameName(a, b string) bool {
	if isASCII(a) && isASCII(b) {
		return strings.EqualFold(a, b)
	}
	return Fold(a) == Fold(b)
}

// mayBegin is a quick no to whether name, when folded, begins with stem.
func mayBegin(name, stem string) bool {
	if !isASCII(name) || !isASCII(stem) {
		return true
	}
	return len(name) >= len(stem) && strings.EqualFold(name[:len(stem)], stem)
}

func isASCII(name string) bool {
	for i := range len(name) {
		if name[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// stemMaxBytes leaves room, in the 255 bytes a name may have, for the hash, a
// revision and the longest ending.
const stemMaxBytes = 120

// reserved are the stems that mean something beside the chapters, and the
// device names of Windows.
var reserved = map[string]bool{
	"book": true, "index": true, "superseded": true, "listen": true, "diary": true,
	"con": true, "prn": true, "aux": true, "nul": true,
	"com1": true, "com2": true, "com3": true, "com4": true, "com5": true,
	"com6": true, "com7": true, "com8": true, "com9": true,
	"lpt1": true, "lpt2": true, "lpt3": true, "lpt4": true, "lpt5": true,
	"lpt6": true, "lpt7": true, "lpt8": true, "lpt9": true,
}

// outStem turns a narrator's name into one that every disk can hold. If that
// loses anything, part of the name's hash follows, so that two names never
// become one. It returns "" only for "".
func outStem(name string) string {
	if name == "" {
		return ""
	}
	valid := strings.ToValidUTF8(name, "_")
	stem := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.In(r, unicode.Cf) && r != '\u200d' || strings.ContainsRune(`<>:"/\|?*`, r) {
			return '_'
		}
		return r
	}, norm.NFC.String(valid))
	stem = strings.TrimRight(stem, ". ")
	if strings.HasPrefix(stem, ".") {
		stem = "_" + stem[1:]
	}
	if len(stem) > stemMaxBytes {
		cut := stemMaxBytes
		for !utf8.RuneStart(stem[cut]) {
			cut--
		}
		stem = strings.TrimRight(stem[:cut], ". ")
	}
	if stem != norm.NFC.String(valid) || valid != name {
		stem += "-" + shortHash(Fold(name), 4)
	}
	// Windows takes "nul.take" for the device too, and an underscore is added
	// to a stem that has one already, so that "con" and "con_" stay apart.
	first, _, _ := strings.Cut(stem, ".")
	if reserved[strings.TrimRight(Fold(first), "_")] {
		stem = first + "_" + stem[len(first):]
	}
	// The text of a room test must not take the name of another one's note.
	if strings.HasSuffix(strings.TrimRight(Fold(stem), "_"), pleaseReadStem) {
		stem += "_"
	}
	return stem
}

// shortHash returns the first bytes of a name's sha256 in hex.
func shortHash(name string, bytes int) string {
	sum := sha256.Sum256([]byte(name))
	return hex.EncodeToString(sum[:bytes])
}

// kind is what a name alone says about a file.
type kind int

const (
	other kind = iota // text, pictures: left alone
	junk              // a program's own unfinished or housekeeping file
	wav               // a raw
	audio             // sound in another format: stays, with one line about it
)

// junkEndings are the endings programs give to files they still write.
var junkEndings = []string{".tmp", ".part", ".partial", ".filepart", ".crdownload"}

// audioEndings are the formats recorders save in besides WAV.
var audioEndings = map[string]bool{
	".mp3": true, ".flac": true, ".aif": true, ".aiff": true, ".aifc": true, ".m4a": true,
	".m4b": true, ".mp4": true, ".aac": true, ".ogg": true, ".oga": true, ".opus": true,
	".wma": true, ".caf": true, ".w64": true, ".wave": true, ".rf64": true, ".bwf": true,
	".au": true, ".snd": true, ".alac": true, ".wv": true, ".ape": true, ".mka": true,
}

// kindOf sorts a name in the inbox. Names that begin with a dot cover the
// resource forks, index files and sync temporaries of several systems.
func kindOf(name string) kind {
	low := strings.ToLower(name)
	switch {
	case strings.HasPrefix(low, "."), strings.HasPrefix(low, "~$"), strings.HasPrefix(low, "~syncthing~"),
		low == "thumbs.db", low == "desktop.ini":
		return junk
	}
	for _, ending := range junkEndings {
		if strings.HasSuffix(low, ending) {
			return junk
		}
	}
	switch ending := filepath.Ext(strings.TrimRight(low, ". ")); {
	case ending == ".wav":
		return wav
	case audioEndings[ending]:
		return audio
	}
	return other
}

// stemOf returns a raw's name without its ending.
func stemOf(name string) string {
	name = strings.TrimRight(name, ". ")
	return strings.TrimSuffix(name, filepath.Ext(name))
}

// Plain returns a name fit for a line of log or text: one line, and nothing in
// it that moves a cursor or turns the writing around.
func Plain(name string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(name, "?"))
}
