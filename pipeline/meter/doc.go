// Package meter measures sound. One quantity a file; every meter takes its
// samples in blocks of any size and gives the same answer however they are cut,
// without allocating per block.
//
//	RMS           plain RMS; a full-scale sine is -3.01 dBFS
//	Peak          largest sample
//	TruePeak      largest value between the samples, ITU-R BS.1770 annex 2
//	Loudness      ITU-R BS.1770, EBU Tech 3341 and 3342; mono is one channel
//	ActiveSpeech  level of the speech without its pauses, ITU-T P.56 method B
//
// Full scale is a sample of 1. Silence is -Inf, and null in JSON.
package meter
