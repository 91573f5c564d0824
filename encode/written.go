package encode

// AsWritten returns the tags as they stand in a file: each text cleaned, and no cover that
// cannot be one.
func (t Tags) AsWritten() Tags {
	for _, text := range []*string{&t.Title, &t.Album, &t.Artist, &t.Narrator, &t.Track, &t.Genre, &t.Year, &t.Language, &t.Publisher, &t.Encoder} {
		*text = cleanTag(*text)
	}
	if CoverProblem(t.Cover) != "" {
		t.Cover = nil
	}
	return t
}
