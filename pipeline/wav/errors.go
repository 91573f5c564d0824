package wav

import (
	"errors"
	"fmt"
)

// exportInstead ends every refusal of a format: what to do about it.
const exportInstead = "Export the take as WAV, 16 or 24 bit PCM, 44.1 or 48 kHz, and drop it again."

// dropAgain ends every refusal of a damaged file.
const dropAgain = "Copy or export the take again, and drop it again."

// ErrShrunk is returned when the file ends earlier than it did when its size
// was taken: somebody cut or replaced it meanwhile. The sound read so far must
// not be used as if it were the whole take.
var ErrShrunk = errors.New("the file became shorter while it was being read; copy the take again")

// BadError means the file is broken, or is no WAV at all.
type BadError struct {
	// Says is one or more plain sentences: what is wrong and what to do.
	Says string
	// Incomplete is true if the file ends before its own description does, so
	// that it may be whole once more of it has arrived.
	Incomplete bool
}

func (e *BadError) Error() string { return e.Says }

// UnsupportedError means the file is sound, but of a kind that is not read.
type UnsupportedError struct {
	// Kind is a short name, such as "A-law", "MP3 in WAV" or "sample rate".
	Kind string
	// Says is one or more plain sentences: what the file is and what to export
	// instead.
	Says string
}

func (e *UnsupportedError) Error() string { return e.Says }

func bad(format string, args ...any) error {
	return &BadError{Says: fmt.Sprintf(format, args...) + " " + dropAgain}
}

func incomplete(format string, args ...any) error {
	return &BadError{Says: fmt.Sprintf(format, args...) + " " + dropAgain, Incomplete: true}
}

func unsupported(kind, format string, args ...any) error {
	return &UnsupportedError{Kind: kind, Says: fmt.Sprintf(format, args...) + " " + exportInstead}
}
