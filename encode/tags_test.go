package encode

import (
	"bytes"
	"encoding/json"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/dhowden/tag"
)

// noisePicture is a picture that no format makes small.
func noisePicture(width, height int) image.Image {
	rng := rand.New(rand.NewPCG(3, 7))
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	for i := range m.Pix {
		m.Pix[i] = byte(rng.Uint32())
		if i%4 == 3 {
			m.Pix[i] = 255
		}
	}
	return m
}

func asJPEG(t testing.TB, m image.Image, quality int) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asPNG(t testing.TB, m image.Image) []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// scripts are tags in many scripts. Each is as it must be read back.
func scripts(t testing.TB) map[string]Tags {
	small := noisePicture(40, 60)
	return map[string]Tags{
		"plain": {
			Title: "03 The Ferry", Album: "A Ledger of Small Tides", Artist: "Odile Marsh", Narrator: "Tam Verrall", Track: "4/42",
			Genre: "Audiobook", Year: "2026", Language: "eng", Publisher: "The name of a publisher", Encoder: "Lectern 1.0", Cover: asJPEG(t, small, 90),
		},
		"Latin":    {Title: "Die Fähre – Øresund, dž", Album: "Ebbe & Flut", Artist: "Ødile Márš", Narrator: "Tam Ÿerrall", Track: "4", Language: "deu", Publisher: "Gezeiten", Cover: asPNG(t, small)},
		"Japanese": {Title: "第三章　渡し船", Album: "小さな潮の帳簿", Artist: "オディール・マーシュ", Narrator: "𠮷田タム", Track: "4/42", Language: "jpn", Publisher: "潮"},
		"Arabic":   {Title: "٣ العبّارة", Album: "دفتر المدّ الصغير", Artist: "أوديل مارش", Narrator: "تام", Language: "ara", Publisher: "مدّ"},
		"emoji":    {Title: "🌊 The Ferry 👩‍🚀🏴󠁧󠁢󠁳󠁣󠁴󠁿", Album: "😀", Artist: "👨‍👩‍👧‍👦", Narrator: "🎙️", Publisher: "𝄞"},
		"signs":    {Title: `"The Ferry" \ 'again'; <b>&amp;</b> 100% = #1`, Album: "a/b", Artist: `{"x":1}`, Narrator: "$(x) `y`", Publisher: "[]"},
	}
}

// What two readers that are not ours find in a file is what was told, whatever the
// script, and the cover byte for byte.
func TestTagsOfAnyScript(t *testing.T) {
	for name, tags := range scripts(t) {
		t.Run(name, func(t *testing.T) {
			path, _ := written(t, limitedSpeech(4000, 0.5), Options{BitrateKbps: 192, Tags: tags})
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			m, err := tag.ReadFrom(f)
			if err != nil {
				t.Fatal(err)
			}
			want := map[string]string{
				"TIT2": tags.Title, "TALB": tags.Album, "TPE1": tags.Artist, "TCOM": tags.Narrator, "TRCK": tags.Track,
				"TCON": tags.Genre, "TYER": tags.Year, "TLAN": tags.Language, "TPUB": tags.Publisher, "TSSE": tags.Encoder,
			}
			for id, text := range want {
				if got, _ := m.Raw()[id].(string); got != strings.ReplaceAll(text, "\u3000", " ") {
					t.Errorf("%s is read as %q, want %q", id, got, text)
				}
			}
			if m.Format() != tag.ID3v2_3 {
				t.Errorf("it is %s", m.Format())
			}
			switch p := m.Picture(); {
			case (p != nil) != (tags.Cover != nil):
				t.Errorf("a cover: %v, want %v", p != nil, tags.Cover != nil)
			case p != nil && (!bytes.Equal(p.Data, tags.Cover) || p.Type != "Cover (front)" || p.Description != "" || p.MIMEType != "image/"+map[bool]string{true: "png", false: "jpeg"}[tags.Cover[0] == 0x89]):
				t.Errorf("the cover is read as %s of type %s, %q, %d bytes of %d", p.MIMEType, p.Type, p.Description, len(p.Data), len(tags.Cover))
			}

			var probe struct {
				Format struct {
					Tags map[string]string `json:"tags"`
				} `json:"format"`
			}
			if err := json.Unmarshal(outside(t, "ffprobe", "-v", "error", "-show_entries", "format_tags", "-of", "json", path), &probe); err != nil {
				t.Fatal(err)
			}
			for key, id := range map[string]string{
				"title": "TIT2", "album": "TALB", "artist": "TPE1", "composer": "TCOM", "track": "TRCK",
				"genre": "TCON", "date": "TYER", "language": "TLAN", "publisher": "TPUB", "encoder": "TSSE",
			} {
				if got := probe.Format.Tags[key]; got != strings.ReplaceAll(want[id], "\u3000", " ") {
					t.Errorf("ffprobe reads %s as %q, want %q", key, got, want[id])
				}
			}
			if tags.Cover != nil {
				if got := outside(t, "ffmpeg", "-v", "error", "-i", path, "-map", "0:v", "-c", "copy", "-f", "image2pipe", "-"); !bytes.Equal(got, tags.Cover) {
					t.Errorf("ffmpeg takes out a cover of %d bytes, not the one of %d that was put in", len(got), len(tags.Cover))
				}
			}
		})
	}
}

// A long text is cut between two characters, also where a character is two units of
// UTF-16.
func TestLongTag(t *testing.T) {
	for _, text := range []string{strings.Repeat("🌊", 300), "a" + strings.Repeat("🌊", 300), strings.Repeat("a", 249) + "🌊🌊", strings.Repeat("潮", 251)} {
		m, err := tag.ReadFrom(bytes.NewReader(Tags{Title: text}.id3v2()))
		if err != nil {
			t.Fatal(err)
		}
		if got, want := m.Title(), string([]rune(text)[:250]); got != want {
			t.Errorf("read %d characters, the last %+q; want 250, the last %+q", utf8.RuneCountInString(got), []rune(got)[len([]rune(got))-1], []rune(want)[249])
		}
	}
}

// Behind a tag as large as one can be lie the same frames, found by every reader.
func TestLargeCover(t *testing.T) {
	cover := asJPEG(t, noisePicture(1000, 1000), 96)
	if len(cover) > CoverMaxBytes || len(cover) < 1<<20 {
		t.Fatalf("the picture has %d bytes", len(cover))
	}
	cover = append(cover, make([]byte, CoverMaxBytes-len(cover))...) // what follows its end says nothing
	if says := CoverProblem(cover); says != "" {
		t.Fatal(says)
	}
	x := limitedSpeech(100_003, 0.7)
	opt := Options{BitrateKbps: 192, Tags: Tags{Title: "03 The Ferry", Cover: cover}}
	path, w := written(t, x, opt)
	s, _ := walked(t, path)
	if int(s.ID3v2Bytes) != len(opt.Tags.id3v2()) || s.ID3v2Bytes < CoverMaxBytes || s.DamageCount != 0 || s.StrayBytes != 0 || s.Samples != int64(len(x)) || !s.Constant {
		t.Errorf("a tag of %d bytes, %v, %d stray bytes, %d samples", s.ID3v2Bytes, s.Damage, s.StrayBytes, s.Samples)
	}
	if _, err := Prove(t.Context(), path, w, opt, sourceOf(x), nil); err != nil {
		t.Errorf("it is not proved: %v", err)
	}
	bare, without := written(t, x, Options{BitrateKbps: 192})
	if w.AudioSHA256 != without.AudioSHA256 {
		t.Error("the frames are not those of a file without a tag")
	}
	dir := t.TempDir()
	again, err := Retag(path, filepath.Join(dir, "bare.mp3"), Tags{})
	if err != nil || again.SHA256 != without.SHA256 {
		t.Errorf("without its tag it is another file than %s: %v", filepath.Base(bare), err)
	}
	if again, err = Retag(bare, filepath.Join(dir, "again.mp3"), opt.Tags); err != nil || again.SHA256 != w.SHA256 {
		t.Errorf("with its tag again it is another file: %v", err)
	}
	if theirs := floats(outside(t, "mpg123", "-q", "-e", "f32", "-s", path)); len(theirs) != len(x) {
		t.Errorf("mpg123 plays %d samples, want %d", len(theirs), len(x))
	}
	if out := string(outside(t, "mp3val", path)); strings.Contains(out, "WARNING") || strings.Contains(out, "ERROR") {
		t.Errorf("mp3val says %s", out)
	}
}

func TestCoverProblem(t *testing.T) {
	small := noisePicture(40, 60)
	photo, drawing := asJPEG(t, small, 90), asPNG(t, small)
	gray := image.NewGray(image.Rect(0, 0, 16, 16))
	gray.Set(3, 3, color.White)
	for name, c := range map[string]struct {
		data []byte
		says string // how it begins
	}{
		"JPEG":            {photo, ""},
		"PNG":             {drawing, ""},
		"gray":            {asJPEG(t, gray, 50), ""},
		"as large as any": {append(bytes.Clone(drawing), make([]byte, CoverMaxBytes-len(drawing))...), ""},
		"one byte larger": {append(bytes.Clone(drawing), make([]byte, CoverMaxBytes-len(drawing)+1)...), "The picture for the cover is 2.1 MB large. It may have 2.1 MB at most"},
		"nothing":         {nil, "The picture for the cover is empty."},
		"a text":          {[]byte("cover"), "The picture for the cover is neither a JPEG nor a PNG"},
		"GIF":             {[]byte("GIF89a\x10\x00\x10\x00\x00\x00\x00;"), "The picture for the cover is neither a JPEG nor a PNG"},
		"half a JPEG":     {photo[:len(photo)/2], "The picture for the cover is damaged"},
		"JPEG, no end":    {photo[:len(photo)-2], "The picture for the cover is damaged"},
		"JPEG, start":     {photo[:20], "The picture for the cover is damaged"},
		"half a PNG":      {drawing[:len(drawing)/2], "The picture for the cover is damaged"},
		"PNG, no end":     {drawing[:len(drawing)-1], "The picture for the cover is damaged"},
		"PNG, start":      {drawing[:8], "The picture for the cover is damaged"},
		"a dot":           {asPNG(t, image.NewGray(image.Rect(0, 0, 15, 400))), "The picture for the cover is 15 by 400 pixels large. Each side may have 16 to 6000"},
		"a wall":          {asPNG(t, image.NewGray(image.Rect(0, 0, 6001, 16))), "The picture for the cover is 6001 by 16 pixels large."},
	} {
		got := CoverProblem(c.data)
		if c.says == "" && got != "" || !strings.HasPrefix(got, c.says) {
			t.Errorf("%s: %q, want %q", name, got, c.says)
		}
		tag := Tags{Cover: c.data}.id3v2()
		if carries := len(c.data) > 0 && bytes.Contains(tag, c.data); carries != (c.says == "") {
			t.Errorf("%s: the tag of %d bytes carries it: %v", name, len(tag), carries)
		}
	}
}

// Whatever the texts and the picture, the tag is one that a reader which is not ours
// reads, and it finds the text as it was cleaned.
func FuzzTags(f *testing.F) {
	for _, tags := range scripts(f) {
		f.Add(tags.Title, tags.Publisher, tags.Cover)
	}
	f.Add("", "", asPNG(f, noisePicture(120, 120))) // its size takes three of the four bytes
	f.Add("\x00\ufffe\ufeff\xff\xed\xa0\x80", strings.Repeat("\u0301🌊", 200), []byte("\xFF\xD8\xFF\xDA\xFF\xD9"))
	f.Fuzz(func(t *testing.T, title, publisher string, cover []byte) {
		b := Tags{Title: title, Publisher: publisher, Cover: cover}.id3v2()
		carries := len(cover) > 0 && CoverProblem(cover) == ""
		if b == nil {
			if cleanTag(title) != "" || cleanTag(publisher) != "" || carries {
				t.Fatal("there is no tag")
			}
			return
		}
		if got := id3v2Size(b); got != int64(len(b)) {
			t.Fatalf("a tag of %d bytes says that it has %d", len(b), got)
		}
		m, err := tag.ReadFrom(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		for id, text := range map[string]string{"TIT2": title, "TPUB": publisher} {
			if got, _ := m.Raw()[id].(string); got != cleanTag(text) || !utf8.ValidString(got) {
				t.Fatalf("%s is read as %q, want %q", id, got, cleanTag(text))
			}
		}
		if p := m.Picture(); (p != nil) != carries || p != nil && !bytes.Equal(p.Data, cover) {
			t.Fatalf("the cover is there: %v, want %v", p != nil, carries)
		}
	})
}
