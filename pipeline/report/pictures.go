package report

// Tags are the words written into the MP3.
type Tags struct {
	Title     string `json:"title"`
	Album     string `json:"album"`  // the book
	Artist    string `json:"artist"` // the author
	Narrator  string `json:"narrator"`
	Track     string `json:"track"` // "4" or "4/42": the place in the book's order, from 1
	Genre     string `json:"genre"`
	Year      string `json:"year"`
	Language  string `json:"language"` // ISO 639-2, such as eng
	Publisher string `json:"publisher"`
	// CoverSHA256 is the sum of the picture; "" if there is none.
	CoverSHA256 string `json:"cover_sha256"`
}

// Curves are what the pictures of a chapter are drawn from: one byte a column, the
// columns side by side from the start of the finished file to its end. In JSON each is
// a string of base64.
type Curves struct {
	// ColumnS is how many seconds of the finished file a column stands for.
	ColumnS float64 `json:"column_s"`
	// Low and High are the lowest and the highest sample of a column, as two's
	// complement: 127 is full scale, -127 is minus full scale.
	Low  []byte `json:"low"`
	High []byte `json:"high"`
	// Loudness is the short-term loudness (EBU Tech 3341, 3 s) about the middle of a
	// column: v stands for -v/4 LUFS, 254 for -63.5 and all that is softer, 255 for none:
	// silence, and the first and last 1.5 s.
	Loudness []byte `json:"loudness"`
	// GainDB is the gain a column's phrase or pause was given against its raw, leveling and
	// normalizing together, as two's complement in quarters of a dB, at most 31.75 dB up or
	// down: the mean over the frames of words, or over all if the column holds no word.
	GainDB []byte `json:"gain_db"`
}

// Before tells of ten seconds of the chapter as they were before, which lie in the
// book's folder listen as NAME.before.mp3. In a short chapter it may be less.
type Before struct {
	Raw         int     `json:"raw"` // its place in raws[]
	FromS       Seconds `json:"from_s"`
	FinishedAtS Seconds `json:"finished_at_s"` // where the same words begin in the finished file
	DurationS   Seconds `json:"duration_s"`
	// GainDB was given to the whole of it, so that it is as loud as the same words in the
	// finished file.
	GainDB Figure `json:"gain_db"`
	// SofterDB is how much less loud it is all the same, because its peaks allow no more.
	SofterDB Figure `json:"softer_db"`
	SHA256   string `json:"sha256"`
	Bytes    int64  `json:"bytes"`
}

// SampleOf tells which stretch of which chapter a sample is.
type SampleOf struct {
	Chapter  string `json:"chapter"`
	Revision int    `json:"revision"`
	// FromS and ToS are the wish, in seconds of the finished chapter; -1 where nothing was
	// wished for.
	FromS Seconds `json:"from_s"`
	ToS   Seconds `json:"to_s"`
	// BeginsS is where the first word of the sample begins in the chapter, EndsS where its
	// last word ends.
	BeginsS Seconds `json:"begins_s"`
	EndsS   Seconds `json:"ends_s"`
}
