package encode

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// A file with other tags has every frame it had, and a reader that is not Retag's
// finds the same sum.
func TestRetag(t *testing.T) {
	for _, tags := range []Tags{{Title: "04 The Ferry", Album: "A Ledger of Small Tides"}, {}, {Title: "潮の帳簿"}} {
		x := make([]float32, 3*samplesPerFrame)
		x[1000] = 0.5
		path, w := written(t, x, Options{BitrateKbps: 192, Tags: Tags{Title: "The Fery"}})
		to := filepath.Join(t.TempDir(), "renamed.mp3")
		got, err := Retag(path, to, tags)
		if err != nil {
			t.Fatal(err)
		}
		if got.AudioSHA256 != w.AudioSHA256 {
			t.Errorf("%v: the frames have changed", tags)
		}
		whole, err := os.ReadFile(to)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(whole)
		if got.SHA256 != hex.EncodeToString(sum[:]) || got.Bytes != int64(len(whole)) {
			t.Errorf("%v: %d bytes with sum %s reported, the file has %d with %x", tags, got.Bytes, got.SHA256, len(whole), sum)
		}
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		frames := before[int64(len(before))-(w.Bytes-int64(len(Tags{Title: "The Fery"}.id3v2()))):]
		if !bytes.Equal(whole, append(tags.id3v2(), frames...)) {
			t.Errorf("%v: the file is not its tag and the old frames", tags)
		}
		if _, err := Retag(path, to, tags); !errors.Is(err, fs.ErrExist) {
			t.Errorf("%v: a second time: %v, want fs.ErrExist", tags, err)
		}
	}
}
