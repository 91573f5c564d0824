package pipeline

import (
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
)

// Answers returns what a report's recipe keeps as what a Job takes.
func Answers(kept []report.Answer) []takes.Answer {
	var out []takes.Answer
	for _, a := range kept {
		out = append(out, takes.Answer{RawSHA256: a.RawSHA256, FromS: float64(a.FromS), AgainS: float64(a.AgainS), Cut: a.Cut})
	}
	return out
}

// tellAnswers is Answers the other way round.
func tellAnswers(answers []takes.Answer) []report.Answer {
	var out []report.Answer
	for _, a := range answers {
		out = append(out, report.Answer{RawSHA256: a.RawSHA256, FromS: report.Seconds(a.FromS), AgainS: report.Seconds(a.AgainS), Cut: a.Cut})
	}
	return out
}
