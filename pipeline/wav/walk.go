// Package wav reads WAV files as they come from recorders, phones and copying
// that went wrong.
//
// Walk finds the sound in a file and says what it is; NewReader streams it as
// float32. Both are bounded: whatever a file claims, neither allocates by it.
//
// Three kinds of failure are told apart: *BadError (broken, or no WAV),
// *UnsupportedError (whole, but a kind that is not read), and any other error
// (the disk). Sound shorter than its header promises is no error here: Frames
// counts what is there, MissingBytes the rest, and the caller decides.
package wav

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
)

const (
	maxChunks       = 1000 // our choice; real files have under 30
	containerBytes  = 12   // "RIFF", length, "WAVE"
	chunkHeadBytes  = 8    // name, length
	ds64Bytes       = 28   // EBU Tech 3306: three 64-bit lengths and a table length
	unwritten32     = math.MaxUint32
	unwrittenPiped  = 0x7FFFF000 // placeholder some writers leave when they cannot seek back
	lengthNotStated = -1
)

// Walk reads the chunk structure of a RIFF, RF64 or BW64 file of size bytes.
// It looks at no more than 1000 chunks, twice where no length of the sound was
// written, reads at most 40 bytes of each, and no sound. Errors: *BadError, *UnsupportedError, ErrShrunk, or what r returned.
func Walk(r io.ReaderAt, size int64) (Info, error) {
	w := walker{r: r, size: size, riffEnd: lengthNotStated, ds64Data: lengthNotStated}
	if err := w.readContainer(); err != nil {
		return Info{}, err
	}
	if err := w.readChunks(); err != nil {
		return Info{}, err
	}
	if err := w.finish(); err != nil {
		return Info{}, err
	}
	return w.info, nil
}

type walker struct {
	r    io.ReaderAt
	size int64
	info Info
	buf  [extFmtBytes]byte // the longest thing read at once

	riffEnd   int64 // where the container says the file ends
	ds64Data  int64 // length of the sound as ds64 says
	haveFmt   bool
	haveData  bool
	emptyData bool
	dataBytes int64 // really there
	stray     bool  // something after the sound was left out, and noted
}

type chunk struct {
	id    string
	start int64 // of the content, past name and length
	bytes int64 // lengthNotStated for data whose recorder never wrote it
}

func (c chunk) end() int64 { return c.start + c.bytes }

func (w *walker) readContainer() error {
	if w.size <= 0 {
		return incomplete("This file is empty (0 bytes).")
	}
	if w.size < containerBytes {
		return incomplete("This file is too short to be a WAV (%d bytes).", w.size)
	}
	b, err := w.read(0, containerBytes)
	if err != nil {
		return err
	}
	id := string(b[:4])
	switch id {
	case "RIFF", "RF64", "BW64":
	default:
		return notWAV([containerBytes]byte(b))
	}
	if form := string(b[8:12]); form != "WAVE" {
		return bad("This file has the outer form of a WAV but says it holds %q instead of sound.", form)
	}
	w.info.Container = id
	if length := binary.LittleEndian.Uint32(b[4:]); length != 0 && length != unwritten32 {
		w.riffEnd = int64(length) + chunkHeadBytes
	}
	return nil
}

// readChunks goes from chunk to chunk. Trouble before the sound is an error,
// trouble after it a note.
func (w *walker) readChunks() error {
	pos := int64(containerBytes)
	for n := 0; pos+chunkHeadBytes <= w.size; n++ {
		if n == maxChunks {
			return w.giveUp(bad("This WAV consists of more than %d blocks, so it is damaged or not a recording.", maxChunks),
				"The file has more than %d blocks; those after the sound were left out.", maxChunks)
		}
		c, err := w.chunkAt(pos)
		if err != nil {
			return err
		}
		if !isName(c.id) {
			return w.giveUp(bad("The list of blocks inside this WAV is broken at byte %d, so the sound cannot be found.", pos),
				"%d bytes after the sound are no block of a WAV and were left out. If the end of the reading is missing, the recorder stopped before it wrote how long the sound is.", w.size-pos)
		}
		if c.id == "data" {
			if c, err = w.placeData(c); err != nil {
				return err
			}
		}
		if c.end() > w.size {
			return w.giveUp(w.pastEnd(c),
				"The block %q after the sound is cut off; nothing of the sound is missing.", c.id)
		}
		switch c.id {
		case "ds64":
			err = w.readDS64(c)
		case "fmt ":
			err = w.readFormat(c)
		}
		if err != nil {
			return err
		}
		next, unpadded, err := w.next(c)
		if err != nil {
			return err
		}
		if unpadded {
			w.info.note("The block %q lacks the filler byte that an odd length asks for; reading went on one byte earlier.", c.id)
		}
		pos = next
	}
	if rest := w.size - pos; rest > 0 && w.haveData {
		w.stray = true
		w.info.note("The file ends with stray bytes (%d), which were left out.", rest)
	}
	return nil
}

// pastEnd refuses a chunk that goes beyond the file. More of the file may be
// on its way, unless the container's own length says that this is all of it.
func (w *walker) pastEnd(c chunk) error {
	refuse := bad
	if w.mayGrow() && (w.riffEnd < 0 || c.end() <= w.riffEnd) {
		refuse = incomplete
	}
	return refuse("This WAV is cut off or damaged: its block %q claims %d bytes, but only %d follow.", c.id, c.bytes, w.size-c.start)
}

// mayGrow reports whether the container promises more than is there, or
// promises nothing because it was never finished.
func (w *walker) mayGrow() bool { return w.riffEnd < 0 || w.riffEnd > w.size }

// giveUp ends the walk: with a note if the sound and its description are
// known by then, else with the error.
func (w *walker) giveUp(err error, note string, args ...any) error {
	if !w.haveFmt || !w.haveData {
		return err
	}
	w.stray = true
	w.info.note(note, args...)
	return nil
}

// chunkAt reads a chunk's name and length, taking a 64-bit length of data from
// ds64 where the 32-bit one is a placeholder (EBU Tech 3306).
func (w *walker) chunkAt(pos int64) (chunk, error) {
	b, err := w.read(pos, chunkHeadBytes)
	if err != nil {
		return chunk{}, err
	}
	c := chunk{id: string(b[:4]), start: pos + chunkHeadBytes}
	length := binary.LittleEndian.Uint32(b[4:])
	c.bytes = int64(length)
	if c.id != "data" {
		return c, nil
	}
	rest := w.size - c.start
	piped := length == unwrittenPiped && w.riffEnd > w.size && c.bytes > rest
	switch {
	case w.info.Container != "RIFF" && (length == unwritten32 || length == 0 && w.ds64Data >= 0):
		c.bytes = w.ds64Data
	case length == unwritten32 || piped:
		c.bytes = lengthNotStated
	}
	return c, nil
}

// readDS64 takes the 64-bit lengths of the file and of the sound. Its table of
// other long chunks is not needed: one that long does not precede a reading.
func (w *walker) readDS64(c chunk) error {
	if w.info.Container == "RIFF" {
		return nil
	}
	if c.bytes < ds64Bytes {
		return bad("The length entry of this %s file is cut short.", w.info.Container)
	}
	b, err := w.read(c.start, 16)
	if err != nil {
		return err
	}
	// A length no file can have is one that was never written.
	if n := binary.LittleEndian.Uint64(b); n > 0 && n < 1<<62 {
		w.riffEnd = int64(n) + chunkHeadBytes
	}
	if n := binary.LittleEndian.Uint64(b[8:]); n > 0 && n < 1<<62 {
		w.ds64Data = int64(n)
	}
	return nil
}

func (w *walker) readFormat(c chunk) error {
	if w.haveFmt {
		w.info.note("The file describes its sound twice; the first description was taken.")
		return nil
	}
	if c.bytes < minFmtBytes || c.bytes > maxFmtBytes {
		return bad("The description of the sound inside this WAV is damaged: it claims to be %d bytes long.", c.bytes)
	}
	b, err := w.read(c.start, int(min(c.bytes, extFmtBytes)))
	if err != nil {
		return err
	}
	if err := parseFormat(&w.info, b); err != nil {
		return err
	}
	w.haveFmt = true
	return nil
}

// finish checks that there is sound and counts its frames.
func (w *walker) finish() error {
	if !w.haveFmt || !w.haveData && !w.emptyData {
		const says = "This WAV ends before its sound begins."
		if w.mayGrow() {
			return incomplete(says)
		}
		return bad(says)
	}
	i := &w.info
	if w.haveData {
		i.Frames = w.dataBytes / int64(i.BlockBytes)
	}
	if i.Frames == 0 && i.missingBytes == 0 {
		return &BadError{Says: "This WAV holds no sound: it is only a header. Check that the recorder was running, and record the take again.", Incomplete: w.mayGrow() || i.Unfinalized}
	}
	if stray := w.dataBytes % int64(i.BlockBytes); stray > 0 && i.missingBytes == 0 {
		i.note("The sound ends inside a sample; the unfinished sample (%d of %d bytes) was left out.", stray, i.BlockBytes)
	}
	if i.Unfinalized {
		i.note("The recorder never wrote how long the sound is; it was taken to the end of the file.")
	} else if w.riffEnd >= 0 && i.missingBytes == 0 && w.riffEnd != w.size && !w.stray {
		i.note("The header gives the file's length as %d bytes, but it has %d. Nothing of the sound is missing.", w.riffEnd, w.size)
	}
	return nil
}

// read returns n bytes at pos, at most extFmtBytes; they hold until the next
// call.
func (w *walker) read(pos int64, n int) ([]byte, error) {
	b := w.buf[:n]
	got, err := w.r.ReadAt(b, pos)
	switch {
	case got == n:
		return b, nil
	case err == io.EOF:
		return nil, ErrShrunk
	}
	return nil, fmt.Errorf("read WAV header: %w", err)
}
