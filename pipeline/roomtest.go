package pipeline

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"lectern/config"
	"lectern/pipeline/findings"
	"lectern/pipeline/meter"
	"lectern/pipeline/report"
	"lectern/pipeline/speech"
)

// RoomJob is one room test to answer.
type RoomJob struct {
	Book, Name string // Name is that of the test
	Raw        Raw
	Settings   config.Chapter
	Version    string
	// Chapters are the reports of the book's finished chapters, in any order.
	Chapters []report.Report
	// Progress is called with the share done, 0 to 1. It may be nil.
	Progress func(share float64)
}

// The numbers of the room test are our choice.
const (
	// leastRoomS is how much of nothing but the room it takes to judge it.
	leastRoomS = 3.0
	// stillDBFS is the room tone in the finished file under which the microphone is
	// thought to have been off: 15 dB under a very quiet room.
	stillDBFS = -90.0
	// newestChapters is how many chapters tell at which level she speaks now.
	newestChapters = 5
)

// TestRoom measures a room test: what the room would be in a finished file, what is
// heard in it, and how it differs from the book. A *RawError is the raw's fault.
func TestRoom(ctx context.Context, job RoomJob) (*RoomAnswer, error) {
	a := &RoomAnswer{job: job, started: time.Now()}
	book := heardBook(job.Chapters)
	if err := a.read(ctx, book); err != nil {
		return nil, fmt.Errorf("%s: %w", job.Raw.Name, err)
	}
	a.reckon(book)
	a.compare(book)
	a.tell(book)
	return a, nil
}

// RoomAnswer is a room test that has been measured.
type RoomAnswer struct {
	job     RoomJob
	started time.Time
	survey  *survey
	m       *speech.Map
	// plain and clean are the power of each frame before and after the rumble filter,
	// 0 where the recorder wrote nothing.
	plain, clean []float32
	faults       findings.Faults
	// measured are the figures of the recording as it is.
	measured report.Measured
	room     report.RoomTest
	restless bool   // sounds that come and go are most of it
	advice   string // what there is to do if the room fails
	report   report.RoomTestReport
}

// read surveys the raw and listens to it as the chain does.
func (a *RoomAnswer) read(ctx context.Context, book chapters) error {
	progress := shares(a.job.Progress)
	s, err := surveyRaw(ctx, a.job.Raw.Path, 0, progress.step(0, 0.5))
	if err != nil {
		return err
	}
	a.survey = s
	analyzer, listener := speech.NewAnalyzer(), findings.NewListener()
	plain, recorded := framePower{}, silences{addedBack: float32(s.offset)}
	use := func(block, clean []float32) error {
		plain.add(block)
		recorded.add(block)
		listener.Add(block)
		analyzer.Add(clean)
		return nil
	}
	if err := hearSurveyed(ctx, a.job.Raw.Path, s, a.job.Settings.Level.RumbleHz, progress.step(0.5, 0.5), use); err != nil {
		return err
	}
	a.m = speech.Draw(analyzer.Features())
	n := a.m.Features.Len()
	a.plain, a.clean = plain.frames(n), slices.Clone(a.m.Features.Power)
	for i, silent := range recorded.frames(n) {
		if silent { // though the offset that was taken away left a constant
			a.plain[i], a.clean[i] = 0, 0
		}
	}
	a.room.VoiceDBFS, a.room.VoiceFrom = a.voice(book)
	a.faults = listener.Conclude(a.m, aimOf(a.job.Settings.Delivery), float64(a.room.VoiceDBFS))
	a.measured = s.measured
	fillFromMap(&a.measured, a.m, a.plain, nil)
	fillColors(&a.measured, a.faults)
	return nil
}

// voice is the level of speech, pauses left out, at which the room is judged: that
// of the test's own words, that of the book, or one that is usual.
func (a *RoomAnswer) voice(book chapters) (report.Figure, string) {
	if len(a.m.Phrases) > 0 {
		return report.Figure(speakingDBFS(a.m)), report.VoiceOfTest
	}
	if len(book) > 0 {
		return report.Figure(book.speakingDBFS()), report.VoiceOfBook
	}
	return silentVoiceDBFS, report.VoiceAssumed
}

// speakingDBFS is the level of the words: the mean power of the phrases. It stands
// for ITU-T P.56 method B, from which it differs by less than 0.5 dB; that meter is
// not used here, for in a loud room with few words it takes the room for words.
func speakingDBFS(m *speech.Map) float64 {
	var sum, n float64
	for _, p := range m.Phrases {
		sum += meanPower(m.Features.Power, p) * float64(p.Len())
		n += float64(p.Len())
	}
	return float64(meter.FromPower(sum / n))
}

// readingUnderVoiceDB is by how much more a reading is raised than its words alone
// would need: its RMS is that from the first word to the last with the pauses in it,
// and the limiter takes a little. 0.0 to 1.7 in 29 real recordings, this in the middle.
const readingUnderVoiceDB = 0.4

// reckon tells what the room would be in a finished file.
func (a *RoomAnswer) reckon(book chapters) {
	d, r := a.job.Settings.Delivery, &a.room
	r.WithSpeech = len(a.m.Phrases) > 0
	sounds := notRoom(a.m.Features.Len(), a.m.Sounds, nil)
	r.RoomS = inSeconds(a.roomFrames(sounds))
	if !r.WithSpeech && r.RoomS < leastRoomS {
		// Without words it is all room, however it stirs.
		sounds = make([]bool, len(sounds))
		a.restless = inSeconds(a.roomFrames(sounds)) >= leastRoomS
		r.RoomS = inSeconds(a.roomFrames(sounds))
	}
	r.GainDB = report.Figure(d.VoiceAimDB()) - r.VoiceDBFS + readingUnderVoiceDB
	floor := meter.FromPower(noiseFloorPower(a.clean, a.m.Pauses))
	tone := meter.FromPower(roomTonePower(a.clean, a.m.Pauses, sounds))
	r.NoiseFloorDBFS, r.RoomToneDBFS = meter.Silent, meter.Silent
	if r.RoomS < leastRoomS || floor.IsSilent() || tone.IsSilent() {
		return
	}
	r.NoiseFloorDBFS, r.RoomToneDBFS = floor+meter.DB(r.GainDB), tone+meter.DB(r.GainDB)
	if before := a.measured.RoomToneDBFS; !before.IsSilent() {
		took := report.Figure(before - tone)
		r.RumbleTookDB = &took
	}
	over := report.Figure(max(r.NoiseFloorDBFS, r.RoomToneDBFS) - meter.DB(d.NoiseMaxDBFS))
	r.OverLimitDB = &over
	if over > 0 {
		r.EasedDB = min(report.Figure(a.job.Settings.Level.EaseMaxDB), over+spareDB)
	}
	r.Passes = over <= r.EasedDB
}

// roomFrames counts the frames that are nothing but the room.
func (a *RoomAnswer) roomFrames(sounds []bool) (n int) {
	for _, p := range a.m.Pauses {
		for i := p.From + edgeFrames; i < p.To-edgeFrames; i++ {
			if a.plain[i] > 0 && !sounds[i] {
				n++
			}
		}
	}
	return n
}

// muted tells that the pauses are long enough, but hold nothing at all.
func (a *RoomAnswer) muted() bool {
	var silent int
	for _, p := range a.m.Pauses {
		for _, power := range a.plain[p.From:p.To] {
			if power == 0 {
				silent++
			}
		}
	}
	return float64(silent) >= leastRoomS*framesPerSecond
}

// Report returns the report for a revision. archivedAs names the raw in the
// archive, "" where nothing is archived; text is the text it lies beside.
func (a *RoomAnswer) Report(revision int, madeAt time.Time, archivedAs string, text report.TextFile) *report.RoomTestReport {
	r := a.report
	r.Revision, r.MadeAt = revision, madeAt.UTC().Truncate(time.Second)
	r.Raws = slices.Clone(r.Raws)
	r.Raws[0].ArchivedAs = archivedAs
	r.RoomTest.Text = text
	return &r
}

// Text is what the narrator reads.
func (a *RoomAnswer) Text() string { return a.report.WriteText() }

// RawSHA256 returns the sum of the raw.
func (a *RoomAnswer) RawSHA256() string { return a.survey.sha256 }

// Recipe returns what is kept with the raw: its name and the settings it was judged
// by. There are no edits.
func (a *RoomAnswer) Recipe(revision int, archivedAs string) *report.RecipeFile {
	raw := a.report.Raws[0]
	return &report.RecipeFile{
		Schema: report.RecipeSchema, Book: a.job.Book, Chapter: a.job.Name, Revision: revision,
		MadeBy: a.report.MadeBy,
		Raws: []report.RecipeRaw{{
			Role: raw.Role, Number: raw.Number, Name: raw.Name, NameHex: raw.NameHex,
			ArchivedAs: archivedAs, SHA256: raw.SHA256,
		}},
		Recipe: report.Recipe{Settings: a.job.Settings, Edits: []report.Edit{}},
	}
}

// tell fills in everything that does not hang on the revision.
func (a *RoomAnswer) tell(book chapters) {
	d, raw := a.job.Settings.Delivery, a.job.Raw
	a.room.Heard, a.room.Says = []string{}, a.says(book)
	if h := a.heard(); h != nil {
		a.room.Heard = h
	}
	s := a.survey
	// A long pause and a room that is loud beside the voice are what a test is for.
	faults := a.faults
	faults.LongPauses, faults.SoftSpeech = nil, nil
	found := append(s.findings(asIs), tellFaults(faults, s.info.DurationS(), asIs)...)
	for i := range found {
		found[i].FinishedAtS = nil // there is no finished file
	}
	took := time.Since(a.started).Seconds()
	a.report = report.RoomTestReport{
		Schema: report.Schema, State: report.StateRoomTest, Book: a.job.Book, Chapter: a.job.Name,
		JudgedBy: report.JudgedBy,
		MadeBy:   report.MadeBy{Version: a.job.Version, Chain: Chain, SettingsSHA256: a.job.Settings.SHA256()},
		Checks: report.JudgeRoom(a.room.NoiseFloorDBFS-meter.DB(a.room.EasedDB), a.room.RoomToneDBFS-meter.DB(a.room.EasedDB),
			d, a.advice),
		Raws: []report.Raw{{
			Role: raw.Role, Number: raw.Number, Name: raw.Name, NameHex: hex.EncodeToString([]byte(raw.Name)),
			SHA256: s.sha256, Format: s.info.Format(), DurationS: report.Seconds(s.info.DurationS()),
			Measured: a.measured, Findings: found,
		}},
		RoomTest: a.room,
		Took: report.Took{
			WallS: report.Figure(took), TimesRealTime: report.Figure(s.info.DurationS() / took),
		},
	}
	a.report.Judge()
}
