// Package layer3 decodes MPEG audio Layer III, frame by frame: MPEG-1 (ISO/IEC
// 11172-3), MPEG-2 (ISO/IEC 13818-3) and the customary quarter sample rates,
// "MPEG-2.5". Its output is float32 of full scale 1.0, neither rounded nor limited,
// and it says of each frame whether its inside was whole.
//
// A frame goes through these steps, a file each:
//
//	sideinfo.go      header, checksum, side information
//	reservoir.go     main data, which may begin in frames before
//	scalefactors.go  one step size for each band of the spectrum
//	huffman.go       code words to 576 lines a granule, already scaled
//	stereo.go        mid/side and intensity back to left and right
//	hybrid.go        alias reduction, inverse MDCT, overlap: 18 slots of 32 bands
//	synthesis.go     polyphase filter bank: 32 bands to 32 samples
//
// Clause and table numbers in the comments are those of ISO/IEC 11172-3 unless
// they say otherwise.
package layer3
