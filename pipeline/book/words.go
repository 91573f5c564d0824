package book

const (
	// leastWords leaves out what has fewer: in a dedication of ten words the pauses count
	// for more than the words. Our choice.
	leastWords = 50
	// leastPaces is how many chapters it takes to know the pace of a book. Our choice.
	leastPaces = 3
	// farFaster is how many times as fast as the book's own pace a chapter must seem to be
	// read before words are taken to be missing from it. The chapters of one reader lie
	// within a tenth or two of each other (common practice, no source); a third is our
	// choice.
	farFaster = 1.33
	// usualPace and fastestPace, in words a minute, stand in where the book has too few
	// chapters to know its own: narrators read 150 to 160, and hardly anybody 220 for long
	// (common practice, no source).
	usualPace, fastestPace = 155, 220
)

// weighWords names the chapters that are far shorter than their words suggest. words
// are how many each chapter has, in order.
func (b *Book) weighWords(words []int) {
	var files []File
	var counts []int
	var paces []float64
	for _, f := range b.finished(func(f File) bool { return f.Kind == Chapter && f.Number != nil }) {
		n := *f.Number
		if n < 1 || n > len(words) || words[n-1] < leastWords || *f.DurationS <= 0 {
			continue
		}
		files, counts = append(files, f), append(counts, words[n-1])
		paces = append(paces, float64(words[n-1])*60/float64(*f.DurationS))
	}
	b.addSpread(pace, "words per minute", paces)
	usual, most, own := median(paces), farFaster*median(paces), true
	if len(paces) < leastPaces {
		usual, most, own = usualPace, fastestPace, false
	}
	for i, f := range files {
		if paces[i] > most {
			wantedS := float64(counts[i]) * 60 / usual
			b.addOutlier(f.Name, pace, paces[i], usual, saysTooShort(f, counts[i], wantedS, own))
		}
	}
}
