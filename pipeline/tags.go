package pipeline

import (
	"cmp"
	"crypto/sha256"
	"fmt"

	"lectern/encode"
	"lectern/pipeline/report"
)

// Tags returns the words that are written into a chapter's MP3: those given, with the
// chapter for a title, the book for an album and the usual genre where they leave these
// open. Who made the file is always filled in.
func Tags(book, chapter, version string, given encode.Tags) encode.Tags {
	given.Title = cmp.Or(given.Title, chapter)
	given.Album = cmp.Or(given.Album, book)
	given.Genre = cmp.Or(given.Genre, "Audiobook")
	given.Encoder = "Lectern " + version
	return given
}

// TellTags returns what a report tells of the tags of an MP3.
func TellTags(written encode.Tags) *report.Tags {
	t := written.AsWritten()
	told := &report.Tags{
		Title: t.Title, Album: t.Album, Artist: t.Artist, Narrator: t.Narrator,
		Track: t.Track, Genre: t.Genre, Year: t.Year, Language: t.Language, Publisher: t.Publisher,
	}
	if len(t.Cover) > 0 {
		told.CoverSHA256 = fmt.Sprintf("%x", sha256.Sum256(t.Cover))
	}
	return told
}

// tags are those of the chapter being made.
func (m *Master) tags() encode.Tags {
	return Tags(m.job.Book, m.job.Chapter, m.job.Version, m.job.Tags)
}
