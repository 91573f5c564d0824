// Package narrated makes long readings for tests: invented sentences read by
// speech synthesizers, with pauses, breaths and drifting levels, and the noise of a
// room to lay under them.
//
//	Teller -> sentences -> Voice -> Reading    words on silence
//	seed, or recorded noise      -> Room       noise alone
//	Studio -> Session -> Judge                 a reader at work: slips, takes, pickups,
//	                                           and what a joining of them is worth
//
// Words and room are kept apart, so that a test can change one without the other.
// The same seed gives the same samples. Where a synthesizer is not installed an
// *AbsentError says which.
package narrated
