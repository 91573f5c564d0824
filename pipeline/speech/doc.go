// Package speech draws the one map of a reading that every other step looks
// at: where words are, where pauses are, what sounds in the pauses.
//
// Samples go into an Analyzer and come out as Features, a few numbers for each
// frame of 10 ms; Features are turned into a Map of phrases and pauses:
//
//	samples -> Analyzer -> Features -> Draw -> Map
//
// Nothing here keeps samples: an hour of audio is 360,000 frames of about 20
// bytes. All positions are frame numbers on the 10 ms grid of the 44.1 kHz
// stream, so that cuts, gains and figures made from one map agree to the sample.
package speech
