package wav

import (
	"bytes"
	"encoding/binary"
)

// Format tags as Microsoft's mmreg.h registers them.
const (
	tagPCM        = 0x0001
	tagMSADPCM    = 0x0002
	tagFloat      = 0x0003
	tagALaw       = 0x0006
	tagMuLaw      = 0x0007
	tagIMAADPCM   = 0x0011
	tagGSM        = 0x0031
	tagMPEG       = 0x0050
	tagMP3        = 0x0055
	tagExtensible = 0xFFFE
)

// guidTail is what follows the format tag in the sub-format GUID of an
// extensible file: xxxxxxxx-0000-0010-8000-00AA00389B71 as it lies on disk,
// less the first two bytes, which are the tag.
var guidTail = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

const (
	minFmtBytes = 16   // WAVEFORMAT with its bit count
	extFmtBytes = 40   // WAVEFORMATEXTENSIBLE
	maxFmtBytes = 4096 // our choice; no format that is read needs more than 40
)

// The sample rates that are read: our choice, from telephone to the highest
// rate recorders for speech offer.
const (
	minRateHz = 8000
	maxRateHz = 192000
)

// parseFormat fills in what the fmt chunk says about a sample. Layout:
// WAVEFORMATEX and WAVEFORMATEXTENSIBLE of Microsoft's mmreg.h.
func parseFormat(info *Info, b []byte) error {
	le := binary.LittleEndian
	tag := le.Uint16(b)
	channels := int(le.Uint16(b[2:]))
	rateHz := int64(le.Uint32(b[4:]))
	blockBytes := int(le.Uint16(b[12:]))
	bits := int(le.Uint16(b[14:]))
	validBits := bits

	if tag == tagExtensible {
		if len(b) < extFmtBytes {
			return bad("The description of the sound inside this WAV is cut short.")
		}
		if !bytes.Equal(b[26:40], guidTail) {
			return unsupported("unknown", "This WAV holds sound in a form this program does not know.")
		}
		tag = le.Uint16(b[24:])
		if v := int(le.Uint16(b[18:])); v != 0 {
			validBits = v
		}
	}

	if err := checkTag(tag); err != nil {
		return err
	}
	if channels == 0 || rateHz == 0 || bits == 0 {
		return bad("The description of the sound inside this WAV is damaged: it says %d channels, %d samples a second, %d bits.", channels, rateHz, bits)
	}
	if channels > 2 {
		return unsupported("channels", "This file has %d channels; a reading has one (mono) or two (stereo).", channels)
	}
	if rateHz < minRateHz || rateHz > maxRateHz {
		return unsupported("sample rate", "This file has %d samples a second (its sample rate); 8,000 to 192,000 can be read.", rateHz)
	}

	info.Float = tag == tagFloat
	info.Channels = channels
	info.SampleRateHz = int(rateHz)
	if err := setBits(info, bits, validBits, blockBytes); err != nil {
		return err
	}
	info.BlockBytes = channels * info.ContainerBits / 8
	if info.BlockBytes != blockBytes {
		info.note("The header gives %d bytes for one sample of all channels where %d fit the rest of it; %d was taken.", blockBytes, info.BlockBytes, info.BlockBytes)
	}
	return nil
}

// checkTag refuses, by name, every way of storing sound other than plain
// whole numbers and floating point.
func checkTag(tag uint16) error {
	switch tag {
	case tagPCM, tagFloat:
		return nil
	case tagALaw:
		return unsupported("A-law", "This is an A-law file, a telephone format.")
	case tagMuLaw:
		return unsupported("mu-law", "This is a mu-law file, a telephone format.")
	case tagMSADPCM:
		return unsupported("MS ADPCM", "This WAV is compressed with MS ADPCM, which loses sound.")
	case tagIMAADPCM:
		return unsupported("IMA ADPCM", "This WAV is compressed with IMA ADPCM, which loses sound.")
	case tagGSM:
		return unsupported("GSM", "This WAV is compressed with GSM, a mobile telephone format.")
	case tagMP3:
		return unsupported("MP3 in WAV", "This file is named WAV but holds an MP3, which has already lost sound.")
	case tagMPEG:
		return unsupported("MPEG in WAV", "This file is named WAV but holds MPEG audio, which has already lost sound.")
	}
	return unsupported("compressed", "This WAV is compressed in a way this program does not know (format number 0x%04X).", tag)
}

// setBits settles how wide a sample is in the file and how many of its bits
// carry sound. The bit count decides, rounded up to whole bytes, but 20 or 24
// bits may also lie in 4 bytes, which only the block size tells.
func setBits(info *Info, bits, validBits, blockBytes int) error {
	container := (bits + 7) / 8 * 8
	if container == 24 && blockBytes == 4*info.Channels {
		container = 32
	}
	if validBits > container {
		info.note("The header claims %d bits of sound in %d; %d was taken.", validBits, container, container)
		validBits = container
	}
	switch {
	case info.Float && bits != 32 && bits != 64:
		return unsupported("bit depth", "This WAV holds %d-bit floating point samples; 32 and 64 bit can be read.", bits)
	case info.Float:
		container, validBits = bits, bits
	case validBits < 8 || container > 32:
		return unsupported("bit depth", "This WAV holds %d-bit samples; 8 to 32 bit whole numbers can be read.", validBits)
	}
	info.ContainerBits = container
	info.ValidBits = validBits
	return nil
}
