// Package book tells what a whole book is worth: which of its files are there, whether
// they match, what is missing, and what is to be done before it is handed over.
//
//	about.toml, the reports, what waits -> Judge -> Book -> book.json, book.csv, listen.txt
//
// It reads reports and knows no sound.
package book

import (
	"time"

	"lectern/pipeline/report"
)

// Schema is the name and version of Book's shape.
const Schema = "lectern-book/1"

// Kinds of a book's files.
const (
	Opening = "opening credits"
	Chapter = "chapter"
	Closing = "closing credits"
	Sample  = "sample"
	Other   = "other" // belongs to no chapter number and is no credit: a foreword, say
)

// States of a book's files. Waiting: nothing is finished under this name yet.
const (
	Finished = "finished"
	Waiting  = "waiting"
	SetAside = "set aside"
)

// Book lies as book.json in the book's folder of finished/.
type Book struct {
	Schema    string    `json:"schema"`
	Book      string    `json:"book"`   // the name of its folder, as the narrator spelled it
	Folder    string    `json:"folder"` // in finished, where a name may be spelled otherwise
	Title     string    `json:"title"`
	Author    string    `json:"author"`
	Narrator  string    `json:"narrator"`
	Publisher string    `json:"publisher"`
	Year      int       `json:"year"` // 0: not told
	Language  string    `json:"language"`
	MadeAt    time.Time `json:"made_at"`
	Version   string    `json:"version"`
	// MadeOf is the sum of what this was made of; what has the same sum need not be made
	// again.
	MadeOf string `json:"made_of"`
	// Verdict is the worst of the files that are there, nil if there is none.
	Verdict *string `json:"verdict"`
	// Complete tells whether every chapter is there once; nil where nobody has said how
	// many there are to be.
	Complete *bool `json:"complete"`
	Chapters *int  `json:"chapters"` // how many there are to be; nil: not told
	// FinishedS is how long the chapters and credits are together, without the sample.
	FinishedS     report.Seconds `json:"finished_s"`
	FinishedHours report.Figure  `json:"finished_hours"` // the same in hours, two decimals
	FinishedClock string         `json:"finished_clock"` // the same as h:mm:ss
	// Files in the book's order.
	Files   []File `json:"files"`
	Missing []int  `json:"missing"` // chapter numbers
	Doubled []int  `json:"doubled"`
	// Spread tells, for each figure that is compared, between which values the chapters
	// lie; Outliers are the chapters that lie apart.
	Spread   []Spread  `json:"spread"`
	Outliers []Outlier `json:"outliers"`
	Credits  Credits   `json:"credits"`
	// ToDo is what is to be done before handing over, the most important first.
	ToDo []ToDo `json:"to_do"`
	// HandedOver is the latest hand-over, nil if there was none.
	HandedOver *HandedOver `json:"handed_over"`
}

// File is one file of a book. Of one that is not finished only name, kind, number,
// title, state and says are known.
type File struct {
	Name   string `json:"name"` // of the chapter, as the narrator spelled it
	Stem   string `json:"stem"` // of the files in finished/BOOK, without ending
	Kind   string `json:"kind"`
	Number *int   `json:"number"` // of a chapter
	Title  string `json:"title"`
	Place  int    `json:"place"` // in the book's order, from 1; 0 for the sample
	State  string `json:"state"`
	Says   string `json:"says"` // why it waits or was set aside
	// Of a finished file:
	Revision    int             `json:"revision"`
	MadeAt      *time.Time      `json:"made_at"`
	Verdict     string          `json:"verdict"`
	DurationS   *report.Seconds `json:"duration_s"`
	SHA256      string          `json:"sha256"`
	AudioSHA256 string          `json:"audio_sha256"`
	Chain       int             `json:"chain"`
	Settings    string          `json:"settings_sha256"`
	// Figures are those of the finished file, nil if it is not there.
	Figures *report.Measured `json:"measured"`
	// Places is how many places in it a person should hear.
	Places int `json:"places"`
}

// Spread is one figure over the chapters.
type Spread struct {
	// Figure is rms_dbfs, integrated_lufs, noise_floor_dbfs, room_tone_dbfs, tone_color_db
	// (how far the voice's octaves lie from the middle of all chapters') or
	// words_per_minute.
	Figure  string        `json:"figure"`
	Unit    string        `json:"unit"`
	Lowest  report.Figure `json:"lowest"`
	Middle  report.Figure `json:"median"`
	Highest report.Figure `json:"highest"`
}

// Outlier is a chapter that does not match the others in one figure.
type Outlier struct {
	Name   string        `json:"name"`
	Figure string        `json:"figure"`
	Value  report.Figure `json:"value"`
	Middle report.Figure `json:"median"`
	Says   string        `json:"says"`
}

// Credits name the files that are the credits and the sample; "" where there is none.
type Credits struct {
	Opening string `json:"opening"`
	Closing string `json:"closing"`
	Sample  string `json:"sample"`
}

// ToDo is one thing to do before handing over.
type ToDo struct {
	Kind string `json:"kind"` // DoMissing and the others
	Name string `json:"name"` // of the file it is about; "" if it is about the book
	Says string `json:"says"`
	// Blocks tells that the book cannot be handed over like this. What does not block is
	// for a person to look at or to listen to, and may turn out to be as it should.
	Blocks bool `json:"blocks"`
}

// HandedOver tells what was handed over last, and what changed since.
type HandedOver struct {
	At      time.Time `json:"at"`
	Files   int       `json:"files"`
	Changed []Changed `json:"changed_since"`
	// Retagged are files with the same sound and other words in them: title, cover, or
	// their place in the book.
	Retagged []Changed `json:"retagged_since"`
	Says     string    `json:"says"` // Changed since: 03 (revision 2), 07 (new).
}

// Changed is a file that is not the one that was handed over.
type Changed struct {
	Name     string `json:"name"`
	Was      int    `json:"was_revision"` // 0: it was not handed over
	Revision int    `json:"revision"`     // 0: it is not there any more
	Says     string `json:"says"`         // 03 (revision 2)
}
