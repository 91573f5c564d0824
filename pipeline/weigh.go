package pipeline

import (
	"io"

	"lectern/config"
	"lectern/pipeline/meter"
)

// weigh returns the power of each frame of the timeline as loudness weighs it
// (ITU-R BS.1770), before any gain; nil where delivery is not by loudness, since
// nothing asks for it then.
func weigh(t *timeline, recs []*recording, d config.Delivery) ([]float64, error) {
	if !d.ByLoudness() {
		return nil, nil
	}
	plain := newRenderer(Plan{Segments: t.segments, GainDB: make([]float32, t.frames()+1), CeilingDBFS: noCeilingDBFS}, recs)
	power := meter.NewKPower(sampleRateHz)
	out := make([]float64, 0, t.frames())
	frame := make([]float32, frameSamples)
	for n := 0; ; n = 0 {
		for n < frameSamples {
			k, err := plain.read(frame[n:])
			if err == io.EOF { // a whole number of frames is rendered
				return out, nil
			}
			if err != nil {
				return nil, err
			}
			n += k
		}
		out = append(out, power.Hop(frame))
	}
}

// noCeilingDBFS lies over every sample that a recording can hold.
const noCeilingDBFS = 200
