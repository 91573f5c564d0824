package findings

// Rumble is sound too low to be heard as a tone: traffic, steps, wind at the
// microphone, a table that shakes.
type Rumble struct {
	LevelDBFS  float64 // below 70 Hz, in the stream
	RaisedDBFS float64 // the same in the finished file, were nothing done about it
	OverRoomDB float64 // over the rest of the room
}

const (
	// rumbleFrom to rumbleTo, in steps of lowBinHz, is what counts as rumble: 8 to 70
	// Hz. No voice reaches down there.
	rumbleFrom, rumbleTo = 4, 34
	// rumbleOverDB is how far it stands over the rest of the room to be its fault.
	rumbleOverDB = 3.0
)

// rumble tells of low sound that alone would break the noise limit.
func (c *conclusion) rumble(hum *Hum) *Rumble {
	spectrum := c.lowRoom()
	if spectrum == nil {
		return nil
	}
	own := make(map[int]bool) // bins of the mains' own line
	if hum != nil {
		for _, at := range hum.linesAt {
			for b := at - 3; b <= at+3; b++ {
				own[b] = true
			}
		}
	}
	var sum, bins float64
	for b := rumbleFrom; b < rumbleTo; b++ {
		if own[b] {
			continue
		}
		sum += powerOf(spectrum[b] + middleOfNoiseDB)
		bins++
	}
	// What lies under the mains' line is as loud as what lies beside it.
	sum *= float64(rumbleTo-rumbleFrom) / bins
	var rest float64
	for _, o := range c.roomColorDBFS()[1:] { // 88 Hz and up
		rest += powerOf(o)
	}
	r := &Rumble{LevelDBFS: decibels(sum), RaisedDBFS: decibels(sum) + c.raise, OverRoomDB: decibels(sum) - decibels(rest)}
	if r.RaisedDBFS < c.aim.NoiseMaxDBFS || r.OverRoomDB < rumbleOverDB {
		return nil
	}
	return r
}

// middleOfNoiseDB is by how much the mean power of a bin of noise lies over its
// middle: an exponential distribution's mean over its median, 1/ln 2.
const middleOfNoiseDB = 1.59
