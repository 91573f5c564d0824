package findings

// SoftSpeech is a voice that does not stand far enough over its room.
type SoftSpeech struct {
	OverRoomDB float64 // the reading over the room
	NeedDB     float64 // what it takes
}

// easedDB is how much is left to mastering, which makes the pauses softer: a room
// that is too loud by less is no fault to tell of beside the noise checks (our choice).
const easedDB = 8.0

// softSpeech compares the reading with the room from 44 Hz up.
func (c *conclusion) softSpeech() *SoftSpeech {
	if len(c.m.Phrases) == 0 || len(c.roomHops) < leastRoomHops {
		return nil
	}
	var room float64
	for _, o := range c.roomColorDBFS() {
		room += powerOf(o)
	}
	s := &SoftSpeech{
		OverRoomDB: c.voiceDBFS - decibels(room),
		NeedDB:     c.aim.RMSDBFS - c.aim.NoiseMaxDBFS,
	}
	if s.OverRoomDB > s.NeedDB-easedDB {
		return nil
	}
	return s
}
