package encode

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // read the two formats of a cover
	_ "image/png"
)

// CoverMaxBytes is the size a cover may have, our choice: every chapter carries it, and
// with it one of 115 minutes at 192 kbit/s, 165.6 MB, still keeps a limit of 170 MB.
const CoverMaxBytes = 2 << 20

// coverSides bound the width and height of a cover, in pixels (our choice): a smaller one
// shows nothing, and a player may refuse to unpack a larger one.
const (
	coverLeastSide = 16
	coverMostSide  = 6000
)

// The first bytes of the two formats, and how they end: ISO/IEC 10918-1 §B.1.1.3 (SOI, SOS,
// EOI); PNG (ISO/IEC 15948) §5.2 signature, §11.2.5 IEND.
var (
	jpegStart = []byte{0xFF, 0xD8, 0xFF}
	jpegScan  = []byte{0xFF, 0xDA}
	jpegEnd   = []byte{0xFF, 0xD9}
	pngStart  = []byte("\x89PNG\r\n\x1a\n")
	pngEnd    = []byte("IEND\xAE\x42\x60\x82")
)

// CoverProblem tells the narrator why a picture cannot be a cover, and what to do; "" if it
// can. What it is goes by its first bytes, not by its name. Its pixels are not unpacked.
func CoverProblem(data []byte) string {
	const instead = "Save it as a JPEG or PNG, and put that into the book's folder as cover.jpg or cover.png."
	isJPEG, isPNG := bytes.HasPrefix(data, jpegStart), bytes.HasPrefix(data, pngStart)
	switch {
	case len(data) == 0:
		return "The picture for the cover is empty. " + instead
	case !isJPEG && !isPNG:
		return "The picture for the cover is neither a JPEG nor a PNG, whatever its name says. " + instead
	case len(data) > CoverMaxBytes:
		return fmt.Sprintf("The picture for the cover is %.1f MB large. It may have %.1f MB at most, because every chapter carries it: save it as a smaller JPEG, for example 1600 pixels wide.", float64(len(data))/1e6, float64(CoverMaxBytes)/1e6)
	}
	// In a scan no end is written by chance: there FF is followed by 00 or a restart.
	whole := bytes.LastIndex(data, jpegEnd) > bytes.LastIndex(data, jpegScan)
	if isPNG {
		whole = bytes.Contains(data, pngEnd)
	}
	size, _, err := image.DecodeConfig(bytes.NewReader(data))
	switch {
	case err != nil || !whole:
		return "The picture for the cover is damaged, or only a part of it was copied. Copy it again, or open it and save it anew."
	case min(size.Width, size.Height) < coverLeastSide || max(size.Width, size.Height) > coverMostSide:
		return fmt.Sprintf("The picture for the cover is %d by %d pixels large. Each side may have %d to %d: save it in another size, for example 1600 pixels wide.", size.Width, size.Height, coverLeastSide, coverMostSide)
	}
	return ""
}

// pictureBody is the body of a frame with the front cover (id3.org, ID3v2.3.0 §4.15): the
// text's encoding, the type, a 0, what the picture shows (3 is the front cover), its
// description, here an empty one, a 0, and the picture.
func pictureBody(cover []byte) []byte {
	mime := "image/jpeg"
	if bytes.HasPrefix(cover, pngStart) {
		mime = "image/png"
	}
	body := append([]byte{0}, mime...)
	body = append(body, 0, 3, 0)
	return append(body, cover...)
}
