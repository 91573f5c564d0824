package watcher

import (
	"context"
	"errors"
)

// Hands are the three things the watcher cannot do itself, because it knows
// no audio. cmd fills them in.
type Hands struct {
	// Complete tells whether the raw at path is all there. It is called on a
	// file that has been quiet for a while, and again right after the claim.
	Complete func(path string) Completeness

	// Sort tells which chapter a file belongs to, from its book folder ("" for
	// a single piece) and its name.
	Sort func(book, name string) Sorted

	// Make masters one chapter from job.Raws, or measures one room test, and leaves
	// the finished file, an MP3 or a text, in job.Dir. It must stop soon after ctx is
	// done. An error that wraps ErrBadRaw means the raws themselves are at fault and
	// trying again is of no use.
	Make func(ctx context.Context, job Job) (Made, error)
}

// Completeness is the answer of Hands.Complete.
type Completeness struct {
	State Completion
	// Percent received so far, 0 to 100; for Arriving.
	Percent float64
	// Says is one plain sentence for the narrator; for Arriving and Refused.
	Says string
	// DurationS is how many seconds of sound the file holds, for the check that
	// the disk has room. 0 if unknown; then it is guessed from the size.
	DurationS float64
}

// Completion is how far along a raw is.
type Completion int

const (
	// Whole: the header's promise is kept.
	Whole Completion = iota
	// Arriving: the header promises more data than is there yet.
	Arriving
	// Unfinished: the recorder never wrote the final size. The file is taken as
	// it stands once it has not grown for unfinished_wait_s.
	Unfinished
	// Refused: this can never become a chapter. It is set aside with Says.
	Refused
)

// Sorted is the answer of Hands.Sort.
type Sorted struct {
	// Chapter is the name of the finished file without its ending, as the
	// narrator spelled it; Key is the same for comparing (NFC, case-folded).
	Chapter, Key string
	// Role is "chapter", "take", "part", "pickup" or "room test"; Number its number,
	// 0 for a plain name. All files of one Key are room tests, or none is.
	Role   string
	Number int
	// Says is not empty if the name calls for a question instead of a chapter:
	// the file is set aside with this sentence. If CopyOf names the chapter this
	// looks like a copy of ("(1)", "- Copy", "conflict"), that is so only if that
	// chapter waits or was finished in the book; else it is one like any other.
	Says   string
	CopyOf string
}

// Job is one batch of raws, to be made into one chapter.
type Job struct {
	Book, Chapter string
	// Filed is the name of the book's folder in finished/ and archive/, which may be
	// spelled otherwise than in the inbox.
	Filed string
	// Dir is the job's own folder in working/. Make may write anything there,
	// except below new/ and under the names orig.json, job.json, lease, plan.json.
	Dir  string
	Raws []Raw
	// Ask is set if this is about a chapter finished before, and Kept then tells what
	// is kept of it.
	Ask  *Ask
	Kept *Kept
	// Before is the path of the chapter's newest report so far, and Recipe that of its
	// newest recipe; there may be none.
	Before, Recipe string
	// Replaced is the path of the archived raw whose name the first of Raws bears and whose
	// place it takes in a chapter that is finished; "" if there is none.
	Replaced string
	// Sample is set if not the whole chapter is to be made, but a stretch of it.
	Sample *Sample
	// Progress may be called with the share done, 0 to 1.
	Progress func(share float64)
}

// Kept is what an earlier run has filed of a chapter. A path is empty where there is
// no such file.
type Kept struct {
	Revision             int
	File, Report, Recipe string

	sample *Sample // what its recipe says, or of CutSample, what was asked
}

// Sample says of which chapter a piece is a stretch: its name, the revision whose raws and
// recipe it is made of, and from where to where, in seconds of that whole chapter, as they
// were asked. It is also what the recipe of such a piece holds under "sample".
type Sample struct {
	Of         string  `json:"chapter"`
	OfRevision int     `json:"revision"`
	FromS      float64 `json:"from_s"`
	ToS        float64 `json:"to_s"`
}

// Raw is one raw recording of a job, in playing order.
type Raw struct {
	Path   string // where it lies now, inside working/ or archive/
	Name   string // as the narrator named it, with its ending
	Role   string
	Number int
	// ArchivedAs is its name in archive/BOOK/ if it has been archived by an
	// earlier revision; empty for a raw of this batch.
	ArchivedAs string
	// TakenUnfinished is set if the raw was taken as it stood (see Unfinished).
	TakenUnfinished bool
}

// Made is a chapter, or the answer to a room test, that lies ready in the job's
// folder, not yet published.
type Made struct {
	// File is the path of the finished file in the job's folder, already flushed to
	// disk, with its size and sha256 (lower-case hex). It is published as NAME.mp3,
	// that of a room test as NAME.txt. Withdraw makes none, and Retag none if no word
	// would be another.
	File   string
	Bytes  int64
	SHA256 string
	// Beside is the path, in the job's folder, of a file to listen to beside the finished
	// one, flushed to disk, with its sha256; both "" if there is none. It is published as
	// listen/NAME.before.mp3. It can be made again, so earlier ones are not kept.
	Beside       string
	BesideSHA256 string
	// RawSHA256 holds one sum for each job.Raws, as read while mastering.
	RawSHA256 []string
	// Papers writes the texts that go with the file, once the revision and the
	// raws' names in the archive are settled. archivedAs runs parallel to Job.Raws.
	Papers func(revision int, archivedAs []string) (Papers, error)
}

// ErrBadRaw is what Make's error wraps if the raws themselves are at fault.
var ErrBadRaw = errors.New("the recording cannot become a chapter")

// BadRaw is an ErrBadRaw with the sentence the narrator reads: what is wrong
// and what to do about it.
type BadRaw struct{ Says string }

func (e *BadRaw) Error() string { return e.Says }

// Unwrap makes errors.Is(err, ErrBadRaw) true.
func (e *BadRaw) Unwrap() error { return ErrBadRaw }

// Papers are the texts published beside a finished file.
type Papers struct {
	Report []byte // JSON, becomes NAME.json
	Recipe []byte // JSON, becomes NAME.rN.recipe.json in the archive
	// PleaseRead becomes "NAME - please read.txt"; nil if nothing needs doing.
	PleaseRead []byte
	// Withdrawn is the report of the pair that leaves finished/, of Withdraw and Rename.
	Withdrawn []byte
	// Verdict is pass, listen or fail; Says is the tail of the log line, such
	// as "within all limits".
	Verdict, Says string
	// Missed names the checks that failed. RawsS is how many seconds of sound the
	// recordings hold, FinishedS how many the finished file does.
	Missed           []string
	RawsS, FinishedS float64
}
