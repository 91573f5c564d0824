package config

import "strings"

// key describes one setting: where it stands, what it may be, and what it
// means to a narrator. The table below is the only place that knows this; the
// loader, the flag and the commented default file all read it.
type key struct {
	section, name string
	at            func(*Settings) any // *float64, *int or *string
	unit          string
	least, most   float64
	orZero        bool     // 0, which lies outside, is allowed too and means none
	oneOf         []int    // if set, the only values allowed
	words         []string // the same of a text
	says          string
}

// Bounds are our choice: wide enough for any delivery we can think of, narrow
// enough that a slip of the keyboard is caught. The bit rates are those of
// MPEG-1 Layer III (ISO/IEC 11172-3, table of bit_rate_index) from 128 up.
var keys = []key{
	{section: "folders", name: "finished", at: func(s *Settings) any { return &s.Folders.Finished }, unit: folder,
		says: "Finished chapters go here: a folder in this workspace, or a full path elsewhere (on Windows write D:/Books/finished)."},
	{section: "folders", name: "archive", at: func(s *Settings) any { return &s.Folders.Archive }, unit: folder,
		says: "Your raw recordings are kept here once their chapter is done."},

	{section: "watch", name: "quiet_s", at: func(s *Settings) any { return &s.Watch.QuietS }, unit: "seconds", least: 0.5, most: 3600,
		says: "A recording must stay unchanged this long before it is taken."},
	{section: "watch", name: "network_quiet_s", at: func(s *Settings) any { return &s.Watch.NetworkQuietS }, unit: "seconds", least: 0.5, most: 3600,
		says: "The same for a folder on a network share, where changes are noticed late."},
	{section: "watch", name: "unfinished_wait_s", at: func(s *Settings) any { return &s.Watch.UnfinishedWaitS }, unit: "seconds", least: 1, most: 86400,
		says: "A recording whose recorder never wrote down its final length is taken as it is after this long without a change."},
	{section: "watch", name: "rescan_s", at: func(s *Settings) any { return &s.Watch.RescanS }, unit: "seconds", least: 0.5, most: 3600,
		says: "The whole inbox is looked through this often, in case a change went unnoticed."},
	{section: "watch", name: "jobs", at: func(s *Settings) any { return &s.Watch.Jobs }, unit: "chapters", least: 0, most: 64,
		says: "This many chapters are made at the same time; 0 lets the computer decide."},
	{section: "watch", name: "raw_max_gib", at: func(s *Settings) any { return &s.Watch.RawMaxGiB }, unit: "gibibytes", least: 0.1, most: 1024,
		says: "A larger recording than this is not taken."},

	{section: "names", name: "take", at: func(s *Settings) any { return &s.Names.Take }, unit: pattern,
		says: "The name of a take: what is recorded of a chapter in a second sitting, which begins by reading the last sentence again."},
	{section: "names", name: "part", at: func(s *Settings) any { return &s.Names.Part }, unit: pattern,
		says: "The name of a part, which goes straight on where the part before it ends."},
	{section: "names", name: "pickup", at: func(s *Settings) any { return &s.Names.Pickup }, unit: pattern,
		says: "The name of a pickup: a passage read again, to take the place of one in the chapter. Behind it a place may stand, as in at 12m34."},

	{section: "book", name: "csv_separator", at: func(s *Settings) any { return &s.Book.CSVSeparator }, unit: oneWord, words: []string{comma, semicolon, tab},
		says: "What parts the cells of book.csv. With a semicolon its numbers have a decimal comma, else a decimal point; take what your spreadsheet opens rightly."},

	{section: "delivery", name: "peak_max_dbfs", at: func(s *Settings) any { return &s.Delivery.PeakMaxDBFS }, unit: dbfs, least: -20, most: 0,
		says: "The loudest instant of a finished file is brought to this, and never lies above it."},
	{section: "delivery", name: "rms_aim_dbfs", at: func(s *Settings) any { return &s.Delivery.RMSAimDBFS }, unit: dbfs, least: -40, most: -6,
		says: "Every reading is brought to this average loudness (RMS)."},
	{section: "delivery", name: "rms_min_dbfs", at: func(s *Settings) any { return &s.Delivery.RMSMinDBFS }, unit: dbfs, least: -60, most: -3,
		says: "A finished file with an average loudness below this fails its check."},
	{section: "delivery", name: "rms_max_dbfs", at: func(s *Settings) any { return &s.Delivery.RMSMaxDBFS }, unit: dbfs, least: -40, most: 0,
		says: "A finished file with an average loudness above this fails its check."},
	{section: "delivery", name: "loudness_aim_lufs", at: func(s *Settings) any { return &s.Delivery.LoudnessAimLUFS }, unit: lufs, least: -40, most: -6, orZero: true,
		says: "If your client gives a loudness in LUFS, write it here: every reading is then brought to it, and the four settings of peak and RMS above do not count; 0 leaves them in force."},
	{section: "delivery", name: "loudness_min_lufs", at: func(s *Settings) any { return &s.Delivery.LoudnessMinLUFS }, unit: lufs, least: -60, most: -3,
		says: "With a loudness to aim at: a finished file softer than this fails its check."},
	{section: "delivery", name: "loudness_max_lufs", at: func(s *Settings) any { return &s.Delivery.LoudnessMaxLUFS }, unit: lufs, least: -40, most: 0,
		says: "With a loudness to aim at: a finished file louder than this fails its check."},
	{section: "delivery", name: "true_peak_max_dbtp", at: func(s *Settings) any { return &s.Delivery.TruePeakMaxDBTP }, unit: dbtp, least: -20, most: 0,
		says: "With a loudness to aim at: the loudest instant that a player makes of a finished file never lies above this."},
	{section: "delivery", name: "noise_max_dbfs", at: func(s *Settings) any { return &s.Delivery.NoiseMaxDBFS }, unit: dbfs, least: -96, most: -20,
		says: "The sound of the room in the pauses of a finished file may be this loud and no louder."},
	{section: "delivery", name: "head_s", at: func(s *Settings) any { return &s.Delivery.HeadS }, unit: "seconds", least: 0.1, most: 10,
		says: "This much quiet room is left before the first word."},
	{section: "delivery", name: "head_min_s", at: func(s *Settings) any { return &s.Delivery.HeadMinS }, unit: "seconds", least: 0, most: 10,
		says: "Less quiet room than this before the first word fails the check."},
	{section: "delivery", name: "head_max_s", at: func(s *Settings) any { return &s.Delivery.HeadMaxS }, unit: "seconds", least: 0.1, most: 30,
		says: "More quiet room than this before the first word fails the check."},
	{section: "delivery", name: "tail_s", at: func(s *Settings) any { return &s.Delivery.TailS }, unit: "seconds", least: 0.1, most: 30,
		says: "This much quiet room is left after the last word."},
	{section: "delivery", name: "tail_min_s", at: func(s *Settings) any { return &s.Delivery.TailMinS }, unit: "seconds", least: 0, most: 30,
		says: "Less quiet room than this after the last word fails the check."},
	{section: "delivery", name: "tail_max_s", at: func(s *Settings) any { return &s.Delivery.TailMaxS }, unit: "seconds", least: 0.1, most: 60,
		says: "More quiet room than this after the last word fails the check."},
	{section: "delivery", name: "bitrate_kbps", at: func(s *Settings) any { return &s.Delivery.BitrateKbps }, unit: "kilobits per second", oneOf: []int{128, 160, 192, 224, 256, 320},
		says: "The finished MP3 has this bit rate from start to end."},
	{section: "delivery", name: "length_max_min", at: func(s *Settings) any { return &s.Delivery.LengthMaxMin }, unit: "minutes", least: 1, most: 600,
		says: "A finished file longer than this fails its check."},

	{section: "level", name: "rumble_hz", at: func(s *Settings) any { return &s.Level.RumbleHz }, unit: "hertz", least: 0, most: 150,
		says: "Sound deeper than this is rumble, not voice, and is taken out; 0 leaves it in."},
	{section: "level", name: "range_db", at: func(s *Settings) any { return &s.Level.RangeDB }, unit: "dB", least: 0, most: 24,
		says: "A phrase is evened as far as this from the reading's usual loudness (a soft one by 4.5 dB more); what lies further away is taken to be meant, so that a whisper stays a whisper."},
	{section: "level", name: "strength_pct", at: func(s *Settings) any { return &s.Level.StrengthPct }, unit: "percent", least: 0, most: 100,
		says: "This much of the difference between soft and loud phrases is evened out; 0 leaves them as they were read."},
	{section: "level", name: "lift_max_db", at: func(s *Settings) any { return &s.Level.LiftMaxDB }, unit: "dB", least: 0, most: 24,
		says: "A soft phrase is raised by no more than this."},
	{section: "level", name: "cut_max_db", at: func(s *Settings) any { return &s.Level.CutMaxDB }, unit: "dB", least: 0, most: 24,
		says: "A loud phrase is lowered by no more than this."},
	{section: "level", name: "ease_max_db", at: func(s *Settings) any { return &s.Level.EaseMaxDB }, unit: "dB", least: 0, most: 24,
		says: "The room in the pauses is turned down by no more than this, and only if it is too loud otherwise."},
	{section: "level", name: "limit_max_db", at: func(s *Settings) any { return &s.Level.LimitMaxDB }, unit: "dB", least: 0, most: 20,
		says: "A brief loud instant is held down by no more than this, so that the rest can be loud enough."},

	{section: "takes", name: "join_pause_max_s", at: func(s *Settings) any { return &s.Takes.JoinPauseMaxS }, unit: "seconds", least: 0.1, most: 10,
		says: "Where two takes are joined, the pause between them is no longer than this."},
}

const (
	// folder, pattern and oneWord are what a text may be.
	folder  = "folder"
	pattern = "pattern"
	oneWord = "word"

	dbfs = "dB below full scale"
	lufs = "LUFS, loudness as the ear weighs it"
	dbtp = "dB below full scale, between the samples too"
)

// sections in the order of the default file, each with its heading comment.
var sections = []struct{ name, says string }{
	{"folders", "Where things are kept."},
	{"watch", "How the inbox is watched."},
	{"names", "How the files of one chapter are named. NAME stands for the chapter and N for the number; between the words of a file's name there may be any spaces, - and _, and capitals do not count."},
	{"book", "How the table of a whole book is written."},
	{"delivery", "What your client asks of a finished file. The highest peak, the bit rate and the half second before the first word are a client's own figures; the others are common practice. Match them all to what your client asks."},
	{"level", "How the sound is cleaned and evened."},
	{"takes", "How several takes become one chapter."},
}

// bookSections are the sections a book's about.toml may change.
var bookSections = []string{"delivery", "level", "takes"}

func sectionNames() []string {
	var names []string
	for _, s := range sections {
		names = append(names, s.name)
	}
	return names
}

func findKey(section, name string) *key {
	for i := range keys {
		if keys[i].section == section && keys[i].name == name {
			return &keys[i]
		}
	}
	return nil
}

// namesIn lists the settings of one section, for the person who misspelled one.
func namesIn(section string) string {
	var names []string
	for _, k := range keys {
		if k.section == section {
			names = append(names, k.name)
		}
	}
	return strings.Join(names, ", ")
}
