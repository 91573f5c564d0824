package takes

import "lectern/pipeline/speech"

const (
	// probes passages of probeFrames are looked for. Our choice: of a chapter that is read
	// again nearly all are found, so one is enough.
	probes, probeFrames = 12, 4 * speech.FramesPerSecond
	// probeShare is how much of one must be said in one go.
	probeShare = 0.6
)

// HaveWordsInCommon tells whether a reading says anything that an earlier one says, too.
// earlier may be its beginning alone: the passages looked for lie in the same part of the
// later one.
func HaveWordsInCommon(later, earlier *Voice) bool {
	l, e := lineOf(0, later), lineOf(0, earlier)
	if len(e) == 0 {
		return true // nothing to compare with
	}
	upTo := len(l)
	for upTo > 1 && l[upTo-1].From > e[len(e)-1].To {
		upTo--
	}
	step := max(1, upTo/probes)
	for i := 0; i < upTo; i += step {
		probe := l[i:min(len(l), i+1)]
		for len(probe) < len(l)-i && probe.length(0) < probeFrames {
			probe = l[i : i+len(probe)+1]
		}
		n := min(probe.length(0), probeFrames)
		found, unrelated := places(e, probe)
		for _, p := range found {
			a := align(e.frames(p.run, reachOf(n)), probe.frames(0, n), unrelated)
			if a.evidence >= min(sureAnywhere, evenShort*float64(n)) && a.opens(min(openingFrames, n), 0) && float64(a.reach()) >= probeShare*float64(n) {
				return true
			}
		}
	}
	return false
}

// evenShort is the evidence a frame that a whole passage needs, if it is a short one:
// three quarters of what live readers reach.
const evenShort = 0.19
