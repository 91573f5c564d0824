// Package findings hears what is wrong with a recording besides its levels, and
// where: faults of the recorder, of the room, and of the reading.
//
//	samples at the file's own rate -> Samples  -> SampleFaults
//	mono at 44.1 kHz               -> Listener -> Faults
//
// Samples needs nothing but samples. Listener keeps a few coarse spectra for each
// second and looks at them once it is known where the words are; it needs 2.5 MB
// an hour. What a fault is called and what to do about it is said in package
// report.
//
// Levels that decide whether a listener would object are those of the finished
// file: the reading is thought to be raised or lowered to the RMS it is aimed at.
package findings
