package report

import "fmt"

// SaysTooShortForSample is said where a sample is asked of a chapter that is too short.
func SaysTooShortForSample(chapterS float64) string {
	return fmt.Sprintf("No sample was made: the chapter it is to be taken from lasts %s, and a sample lasts at least a minute. Name a longer chapter in the line sample of the book's about.toml.", Clock(chapterS))
}

// NoPausesForSample is said where a chapter cannot be cut.
const NoPausesForSample = "No sample was made: no two pauses of the chapter it is to be taken from lie one to five minutes apart, and a cut is only made in a pause. Name another chapter in the line sample of the book's about.toml."
