package wav

import "bytes"

// notWAV names what a file is whose first 12 bytes are not those of a WAV, so
// that a renamed file is answered by its real kind.
func notWAV(b [containerBytes]byte) error {
	starts := func(s string) bool { return bytes.HasPrefix(b[:], []byte(s)) }
	renamed := func(kind string) error {
		return unsupported(kind, "This file is named WAV but is really %s.", kind)
	}
	switch {
	case starts("RIFX"):
		return unsupported("RIFX", "This is a RIFX file, a WAV with its bytes in reverse (big-endian) order.")
	case starts("riff"):
		return renamed("Wave64")
	case starts("FORM"):
		return renamed("AIFF")
	case starts("fLaC"):
		return renamed("FLAC")
	case starts("OggS"):
		return renamed("Ogg")
	case starts("caff"):
		return renamed("CAF")
	case string(b[4:8]) == "ftyp":
		return renamed("M4A")
	case starts("ID3"), b[0] == 0xFF && b[1]&0xE0 == 0xE0 && b[1]&0x06 != 0:
		return renamed("MP3")
	case b == [containerBytes]byte{}:
		// A copy that reserved its full size before the first byte arrived.
		return incomplete("This file begins with nothing but zeros, not with a WAV header.")
	}
	return bad("This file is named WAV but is none: it does not begin with a WAV header.")
}
