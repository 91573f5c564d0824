package wav

import (
	"fmt"
	"slices"
	"strconv"
)

// maxNotes bounds what one odd file can say: our choice.
const maxNotes = 20

// Info says what a WAV file holds and where its sound lies.
type Info struct {
	Container string // "RIFF", "RF64" or "BW64"

	Float         bool
	ContainerBits int // bits a sample takes up in the file: 8, 16, 24, 32 or 64
	ValidBits     int // bits of it that carry sound, at the top: 24 of 32, 20 of 24, 12 of 16
	Channels      int // 1 or 2
	SampleRateHz  int // 8,000 to 192,000
	BlockBytes    int // bytes of one frame, that is, of one sample of every channel

	DataOffset    int64 // where the sound begins, in bytes from the start of the file
	DeclaredBytes int64 // length of the sound as the header states it; -1 if it was never written
	Frames        int64 // whole frames really there
	Unfinalized   bool  // the recorder never wrote the length: the sound runs to the end of the file

	// Notes are plain sentences about oddities that were tolerated.
	Notes []string

	missingBytes int64
}

// MissingBytes is how much sound the header promises beyond the end of the
// file: 0 if the file is whole, or if its length was never written.
func (i Info) MissingBytes() int64 { return i.missingBytes }

// DurationS is the length of the sound really there, in seconds.
func (i Info) DurationS() float64 {
	if i.SampleRateHz == 0 {
		return 0
	}
	return float64(i.Frames) / float64(i.SampleRateHz)
}

// Format names the format in a reader's words, such as "WAV 24-bit 48 kHz mono".
func (i Info) Format() string {
	name := "WAV"
	if i.Container != "RIFF" {
		name += " (" + i.Container + ")"
	}
	kind := ""
	if i.Float {
		kind = " float"
	}
	channels := "mono"
	if i.Channels == 2 {
		channels = "stereo"
	}
	kHz := strconv.FormatFloat(float64(i.SampleRateHz)/1000, 'f', -1, 64)
	return fmt.Sprintf("%s %d-bit%s %s kHz %s", name, i.ValidBits, kind, kHz, channels)
}

// note adds a sentence, once.
func (i *Info) note(format string, args ...any) {
	says := format
	if len(args) > 0 {
		says = fmt.Sprintf(format, args...)
	}
	if len(i.Notes) < maxNotes && !slices.Contains(i.Notes, says) {
		i.Notes = append(i.Notes, says)
	}
}
