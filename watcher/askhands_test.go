package watcher

import (
	"encoding/json"
	"os"
	"strings"
)

// testAnswer is the audio side of an Ask, without audio. made is what a Remake makes.
func testAnswer(job Job, made Made) (Made, error) {
	withdrawn := func() ([]byte, error) {
		var r testReport
		if err := readJSON(job.Kept.Report, &r); err != nil {
			return nil, err
		}
		r.State = stateWithdrawn
		return json.Marshal(r)
	}
	switch job.Ask.Kind {
	case Retag:
		return testRetag(job, made.File)
	case Withdraw:
		return Made{Papers: func(int, []string) (Papers, error) {
			w, err := withdrawn()
			return Papers{Withdrawn: w}, err
		}}, os.Remove(made.File)
	case Rename:
		job.Chapter = job.Ask.NewName
		made.Papers = func(revision int, archivedAs []string) (Papers, error) {
			p, err := testPapers(job, made, revision, archivedAs)
			if err == nil {
				p.Withdrawn, err = withdrawn()
			}
			return p, err
		}
	case Remake, Settle:
		if len(job.Ask.Set) > 0 { // other settings: other bytes
			data, err := os.ReadFile(made.File)
			if err != nil {
				return Made{}, err
			}
			for _, set := range job.Ask.Set {
				if !strings.HasPrefix(set, "=") { // a limit, which changes no byte
					data = append(data, set...)
				}
			}
			made.Bytes, made.SHA256 = int64(len(data)), sumOf(data)
			inner := made
			made.Papers = func(revision int, archivedAs []string) (Papers, error) {
				return testPapers(job, inner, revision, archivedAs)
			}
			return made, os.WriteFile(made.File, data, 0o640)
		}
	}
	return made, nil
}
