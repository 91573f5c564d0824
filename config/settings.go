package config

// Settings is everything a workspace's lectern.toml can hold, one field a
// section. Chapter is the part a book's about.toml may change.
type Settings struct {
	Folders Folders `toml:"folders"`
	Watch   Watch   `toml:"watch"`
	Names   Names   `toml:"names"`
	Book    Book    `toml:"book"`
	Chapter
}

// Chapter is what decides how one chapter is made. It is written into the
// recipe, so that the chapter can be made again exactly.
type Chapter struct {
	Delivery Delivery `toml:"delivery" json:"delivery"`
	Level    Level    `toml:"level" json:"level"`
	Takes    Takes    `toml:"takes" json:"takes"`
}

// Book says how the files about a whole book are written.
type Book struct {
	CSVSeparator string `toml:"csv_separator"`
}

// What may part the cells of a table.
const (
	comma     = "comma"
	semicolon = "semicolon"
	tab       = "tab"
)

// Separator is what parts the cells.
func (b Book) Separator() rune {
	switch b.CSVSeparator {
	case semicolon:
		return ';'
	case tab:
		return '\t'
	}
	return ','
}

// Folders places the two folders that may lie outside the workspace. A
// relative path starts at the workspace.
type Folders struct {
	Finished string `toml:"finished"`
	Archive  string `toml:"archive"`
}

// Watch says how the daemon waits for a take and how much it does at once.
type Watch struct {
	QuietS          float64 `toml:"quiet_s"`
	NetworkQuietS   float64 `toml:"network_quiet_s"`
	UnfinishedWaitS float64 `toml:"unfinished_wait_s"`
	RescanS         float64 `toml:"rescan_s"`
	Jobs            int     `toml:"jobs"`
	RawMaxGiB       float64 `toml:"raw_max_gib"`
}

// Delivery is what the client asks of a finished file: the aims, and the
// limits it is judged against.
type Delivery struct {
	PeakMaxDBFS float64 `toml:"peak_max_dbfs" json:"peak_max_dbfs"`
	RMSAimDBFS  float64 `toml:"rms_aim_dbfs" json:"rms_aim_dbfs"`
	RMSMinDBFS  float64 `toml:"rms_min_dbfs" json:"rms_min_dbfs"`
	RMSMaxDBFS  float64 `toml:"rms_max_dbfs" json:"rms_max_dbfs"`
	// LoudnessAimLUFS is 0 for a delivery by RMS and sample peak; else loudness and
	// true peak are aimed at and judged in their place.
	LoudnessAimLUFS float64 `toml:"loudness_aim_lufs" json:"loudness_aim_lufs"`
	LoudnessMinLUFS float64 `toml:"loudness_min_lufs" json:"loudness_min_lufs"`
	LoudnessMaxLUFS float64 `toml:"loudness_max_lufs" json:"loudness_max_lufs"`
	TruePeakMaxDBTP float64 `toml:"true_peak_max_dbtp" json:"true_peak_max_dbtp"`
	NoiseMaxDBFS    float64 `toml:"noise_max_dbfs" json:"noise_max_dbfs"`
	HeadS           float64 `toml:"head_s" json:"head_s"`
	HeadMinS        float64 `toml:"head_min_s" json:"head_min_s"`
	HeadMaxS        float64 `toml:"head_max_s" json:"head_max_s"`
	TailS           float64 `toml:"tail_s" json:"tail_s"`
	TailMinS        float64 `toml:"tail_min_s" json:"tail_min_s"`
	TailMaxS        float64 `toml:"tail_max_s" json:"tail_max_s"`
	BitrateKbps     int     `toml:"bitrate_kbps" json:"bitrate_kbps"`
	LengthMaxMin    float64 `toml:"length_max_min" json:"length_max_min"`
}

// ByLoudness tells whether the client asks for loudness and true peak, not for RMS
// and sample peak.
func (d *Delivery) ByLoudness() bool { return d.LoudnessAimLUFS != 0 }

// VoiceAimDB is the level a reading is brought to: RMS in dBFS, or loudness in LUFS,
// which lies near it for a voice.
func (d *Delivery) VoiceAimDB() float64 {
	if d.ByLoudness() {
		return d.LoudnessAimLUFS
	}
	return d.RMSAimDBFS
}

// Level says how the sound is cleaned and evened.
type Level struct {
	RumbleHz    float64 `toml:"rumble_hz" json:"rumble_hz"`
	RangeDB     float64 `toml:"range_db" json:"range_db"`
	StrengthPct float64 `toml:"strength_pct" json:"strength_pct"`
	LiftMaxDB   float64 `toml:"lift_max_db" json:"lift_max_db"`
	CutMaxDB    float64 `toml:"cut_max_db" json:"cut_max_db"`
	EaseMaxDB   float64 `toml:"ease_max_db" json:"ease_max_db"`
	LimitMaxDB  float64 `toml:"limit_max_db" json:"limit_max_db"`
}

// Takes says how several takes become one chapter.
type Takes struct {
	JoinPauseMaxS float64 `toml:"join_pause_max_s" json:"join_pause_max_s"`
}

// Default returns the settings of a workspace that changes nothing. Peak, bit
// rate, mono and the half-second head are the client's own figures; the other
// limits are common practice, no source.
func Default() Settings {
	return Settings{
		Folders: Folders{Finished: "finished", Archive: "archive"},
		Watch: Watch{
			QuietS: 5, NetworkQuietS: 30, UnfinishedWaitS: 120, RescanS: 15,
			Jobs: 0, RawMaxGiB: 16,
		},
		Names: Names{Take: "NAME take N", Part: "NAME part N", Pickup: "NAME pickup N"},
		Book:  Book{CSVSeparator: comma},
		Chapter: Chapter{
			Delivery: Delivery{
				PeakMaxDBFS: -3, RMSAimDBFS: -20, RMSMinDBFS: -23, RMSMaxDBFS: -18,
				// The true peak of -1 dBTP is that of EBU R 128; the range is our choice.
				LoudnessAimLUFS: 0, LoudnessMinLUFS: -21, LoudnessMaxLUFS: -15, TruePeakMaxDBTP: -1,
				NoiseMaxDBFS: -60,
				HeadS:        0.5, HeadMinS: 0.45, HeadMaxS: 1.05,
				TailS: 2, TailMinS: 0.95, TailMaxS: 5.05,
				BitrateKbps: 192, LengthMaxMin: 115,
			},
			Level: Level{
				RumbleHz: 70, RangeDB: 7.9, StrengthPct: 98, LiftMaxDB: 12, CutMaxDB: 12,
				EaseMaxDB: 12, LimitMaxDB: 8,
			},
			Takes: Takes{JoinPauseMaxS: 1.5},
		},
	}
}
