package encode

import (
	"errors"
	"fmt"
	"io"
	"os"
)

// Retag copies the MP3 at from, one of Write's, to a new file at to with other
// tags, and flushes it to disk. Every frame stays as it is, so AudioSHA256 does
// too. Of what it returns only Bytes and the two sums are set. It refuses to
// overwrite (fs.ErrExist); on an error nothing is left behind.
func Retag(from, to string, tags Tags) (w Written, err error) {
	in, err := os.Open(from)
	if err != nil {
		return Written{}, fmt.Errorf("open MP3: %w", err)
	}
	defer in.Close()
	st, err := in.Stat()
	if err != nil {
		return Written{}, fmt.Errorf("open MP3: %w", err)
	}
	_, begin, end, err := findTags(in, st.Size())
	if err != nil {
		return Written{}, fmt.Errorf("find the tags: %w", err)
	}
	out, err := os.OpenFile(to, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return Written{}, fmt.Errorf("create MP3: %w", err)
	}
	defer func() {
		if err = errors.Join(err, out.Close()); err != nil {
			w, err = Written{}, errors.Join(err, os.Remove(to))
		}
	}()
	tag := tags.id3v2()
	if _, err := out.Write(tag); err != nil {
		return Written{}, fmt.Errorf("write tags: %w", err)
	}
	n, err := io.Copy(out, io.NewSectionReader(in, begin, end-begin))
	if err != nil {
		return Written{}, fmt.Errorf("copy frames: %w", err)
	}
	if err := flush(out); err != nil {
		return Written{}, fmt.Errorf("flush MP3 to disk: %w", err)
	}
	w.Bytes = int64(len(tag)) + n
	w.SHA256, w.AudioSHA256, err = sums(out, int64(len(tag)), w.Bytes)
	if err != nil {
		return Written{}, fmt.Errorf("read MP3 back: %w", err)
	}
	return w, nil
}
