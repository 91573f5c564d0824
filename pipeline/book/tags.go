package book

import (
	"fmt"
	"slices"
	"strconv"

	"lectern/config"
	"lectern/encode"
)

// Tags are the words written into the MP3 of one chapter of a book. all are the names of
// every chapter known of the book; the chapter itself may be among them. A chapter is
// called as about.toml calls it, else by its whole name. The number of places stands
// behind the chapter's only where about.toml tells how many chapters there are to be.
// bookName is the name of the book's folder, "" for a single piece. The encoder and the
// cover are the caller's to add.
func Tags(chapter string, all []string, bookName string, a config.About) encode.Tags {
	t := encode.Tags{
		Title: chapter, Album: a.Title, Artist: a.Author, Narrator: a.Narrator,
		Track: trackOf(chapter, all, bookName, a),
		Genre: "Audiobook", Language: config.LanguageCode(a.Language), Publisher: a.Publisher,
	}
	reader := newNameReader(a)
	if told := reader.toldTitle(reader.read(chapter).Name); told != "" {
		t.Title = told
	}
	if t.Album == "" {
		t.Album = bookName
	}
	if a.Year > 0 {
		t.Year = strconv.Itoa(a.Year)
	}
	return t
}

// trackOf is a chapter's place as it stands in a tag. The sample has none, nor has a
// single piece that has no number.
func trackOf(chapter string, all []string, bookName string, a config.About) string {
	if !slices.Contains(all, chapter) {
		all = append(slices.Clone(all), chapter)
	}
	order, places := orderOf(all, a)
	own := order[slices.IndexFunc(order, func(p Placed) bool { return p.Chapter == chapter })]
	switch {
	case own.Place == 0, bookName == "" && own.Number == nil:
		return ""
	case a.Chapters == 0 || bookName == "":
		return strconv.Itoa(own.Place)
	}
	return fmt.Sprintf("%d/%d", own.Place, places)
}
