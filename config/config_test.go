package config

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func write(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// Each layer sets what the one below it set, and something of its own.
func TestLayers(t *testing.T) {
	dir := t.TempDir()
	workspace := write(t, filepath.Join(dir, "lectern.toml"),
		"[delivery]\nhead_s = 0.6\ntail_s = 3\nbitrate_kbps = 256\n[watch]\njobs = 2\n")
	about := "title = 'A Ledger of Small Tides'\nauthor = 'Odile Marsh'\n[delivery]\nhead_s = 0.7\ntail_s = 4\n[credits]\nopening = 'x'\n"

	s, err := Load(workspace)
	if err != nil {
		t.Fatal(err)
	}
	s.Chapter, err = ReadBook("A Ledger of Small Tides", []byte(about), s.Chapter)
	if err != nil {
		t.Fatal(err)
	}
	if err := Set(&s, "delivery.head_s=0.8"); err != nil {
		t.Fatal(err)
	}

	want := Default()
	want.Watch.Jobs = 2             // lectern.toml over the default
	want.Delivery.BitrateKbps = 256 // lectern.toml, untouched above
	want.Delivery.TailS = 4         // about.toml over lectern.toml
	want.Delivery.HeadS = 0.8       // --set over about.toml
	if d := cmp.Diff(want, s); d != "" {
		t.Errorf("settings differ (-want +got):\n%s", d)
	}
}

func TestLoadMissing(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "lectern.toml")
	if _, err := Load(missing); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Load of a missing file: %v, want fs.ErrNotExist", err)
	}
}

// What is written in other ways than the default file, but is right.
func TestAccepted(t *testing.T) {
	half := Default()
	half.Delivery.HeadS = 0.75
	otherNames := Default()
	otherNames.Names = Names{Take: "Aufnahme N NAME", Part: "St\u00fcck N NAME", Pickup: "Aufnahme zu N NAME"}
	drive := Default()
	drive.Folders.Finished = `D:\Books\finished`
	tabbed := Default()
	tabbed.Book.CSVSeparator = "tab"
	tests := map[string]struct {
		text string
		want Settings
	}{
		"empty":            {"", Default()},
		"separator":        {"[book]\ncsv_separator = 'tab'\n", tabbed},
		"byte-order mark":  {"\xef\xbb\xbf[delivery]\nhead_s = 0.75\n", half},
		"Windows lines":    {"[delivery]\r\nhead_s = 0.75\r\n", half},
		"dotted key":       {"delivery.head_s = 0.75", half},
		"inline table":     {"delivery = {head_s = 0.75}", half},
		"whole for number": {"[delivery]\ntail_s = 2\n", Default()},
		"plus sign":        {"[level]\nrumble_hz = 70\n[delivery]\nhead_s = +0.75", half},
		"other names":      {"[names]\ntake = 'Aufnahme N NAME'\npart = 'St\u00fcck N NAME'\npickup = 'Aufnahme zu N NAME'\n", otherNames},
		"backslashes":      {`folders.finished = 'D:\Books\finished'`, drive},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			got, err := Load(write(t, filepath.Join(t.TempDir(), "lectern.toml"), tt.text))
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("settings differ (-want +got):\n%s", d)
			}
		})
	}
}

func TestRefused(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"too high", "[delivery]\n\npeak_max_dbfs = 3\n",
			"lectern.toml, line 3: peak_max_dbfs = 3 is not possible; allowed is -20 to 0 (dB below full scale)."},
		{"too low", "[watch]\nquiet_s = 0\n",
			"lectern.toml, line 2: quiet_s = 0 is not possible; allowed is 0.5 to 3600 (seconds)."},
		{"not a number", "[delivery]\nhead_s = nan\n",
			"lectern.toml, line 2: head_s = NaN is not possible; allowed is 0.1 to 10 (seconds)."},
		{"infinite", "[delivery]\nhead_s = inf\n",
			"lectern.toml, line 2: head_s = +Inf is not possible; allowed is 0.1 to 10 (seconds)."},
		{"text for a number", "[delivery]\nhead_s = 'half'\n",
			`lectern.toml, line 2: head_s = "half" is not a number; allowed is 0.1 to 10 (seconds).`},
		{"duration for a number", "[watch]\nquiet_s = '5s'\n",
			`lectern.toml, line 2: quiet_s = "5s" is not a number; allowed is 0.5 to 3600 (seconds).`},
		{"fraction for a whole number", "[watch]\njobs = 1.5\n",
			"lectern.toml, line 2: jobs = 1.5 is not a whole number; allowed is 0 to 64 (chapters)."},
		{"number for text", "[folders]\narchive = 7\n",
			"lectern.toml, line 2: archive = 7 is not text in quotes; allowed is the name or path of a folder."},
		{"empty folder", "[folders]\narchive = ' '\n",
			`lectern.toml, line 2: archive = " " is not possible; allowed is the name or path of a folder.`},
		{"bit rate between", "[delivery]\nbitrate_kbps = 200\n",
			"lectern.toml, line 2: bitrate_kbps = 200 is not possible; allowed is 128, 160, 192, 224, 256 or 320 (kilobits per second)."},
		{"separator of another kind", "[book]\ncsv_separator = ';'\n",
			`lectern.toml, line 2: csv_separator = ";" is not possible; allowed is "comma", "semicolon" or "tab".`},
		{"misspelled", "[takes]\njoin_pause_max = 1\n",
			"lectern.toml, line 2: join_pause_max = 1 is not a setting; allowed in [takes] are join_pause_max_s."},
		{"other case", "[takes]\nJoin_Pause_Max_S = 1\n",
			"lectern.toml, line 2: Join_Pause_Max_S = 1 is not a setting; allowed in [takes] are join_pause_max_s."},
		{"unknown section", "\n[level]\n[levels]\nlift_max_db = 2\n",
			"lectern.toml, line 3: [levels] is not a section of this file; allowed are [folders], [watch], [names], [book], [delivery], [level], [takes]."},
		{"unknown name", "color = 'red'\n",
			`lectern.toml, line 1: color = "red" is not a setting; allowed are the sections [folders], [watch], [names], [book], [delivery], [level], [takes].`},
		{"no heading", "head_s = 0.5\n",
			"lectern.toml, line 1: head_s = 0.5 stands outside its section; allowed is below the heading [delivery]."},
		{"section as a value", "delivery = 3\n",
			"lectern.toml, line 1: delivery = 3 is not possible; allowed is the heading [delivery] once, with its settings below it."},
		{"section as a list", "[[delivery]]\nhead_s = 0.5\n",
			"lectern.toml, line 1: delivery = [...] is not possible; allowed is the heading [delivery] once, with its settings below it."},
		{"table for a number", "[delivery.head_s]\nx = 1\n",
			"lectern.toml, line 1: head_s = {...} is not a number; allowed is 0.1 to 10 (seconds)."},
		{"a section below another heading", "[takes]\n[watch]\n[level]\n\n[delivery]\n[folders]\n#\ndelivery = {head_s = 1}\n",
			"lectern.toml, line 8: delivery = {...} is not a setting; allowed in [folders] are finished, archive."},
		{"not UTF-8", "# caf\xe9\n",
			"lectern.toml, line 1: a letter here is not UTF-8; open the file in your editor and save it as UTF-8."},
		{"UTF-16", "\xff\xfe[\x00",
			"lectern.toml: this file is saved as UTF-16; open it in your editor and save it as UTF-8."},
		{"average above its limit", "[delivery]\nrms_max_dbfs = -21\n",
			"lectern.toml, line 2: rms_max_dbfs = -21 is not possible while rms_min_dbfs is -23 and rms_aim_dbfs is -20; allowed is rms_min_dbfs below rms_aim_dbfs, and rms_aim_dbfs below rms_max_dbfs."},
		{"average above the peak", "[delivery]\nrms_aim_dbfs = -10\nrms_max_dbfs = -9\npeak_max_dbfs = -10\n",
			"lectern.toml, line 4: peak_max_dbfs = -10 is not possible while rms_aim_dbfs is -10; allowed is rms_aim_dbfs below peak_max_dbfs, because no sound is louder on average than at its peak."},
		{"loudness above its limit", "[delivery]\nloudness_aim_lufs = -14\n",
			"lectern.toml, line 2: loudness_aim_lufs = -14 is not possible while loudness_min_lufs is -21 and loudness_max_lufs is -15; allowed is loudness_min_lufs below loudness_aim_lufs, and loudness_aim_lufs below loudness_max_lufs."},
		{"loudness near the peak", "[delivery]\nloudness_aim_lufs = -18\ntrue_peak_max_dbtp = -12.5\n",
			"lectern.toml, line 3: true_peak_max_dbtp = -12.5 is not possible while loudness_aim_lufs is -18; allowed is loudness_aim_lufs at least 6 below true_peak_max_dbtp, because a voice is never as loud on the whole as at its peaks."},
		{"room above the loudness", "[delivery]\nloudness_aim_lufs = -40\nloudness_min_lufs = -60\nrms_min_dbfs = -22\n",
			"lectern.toml, line 3: loudness_min_lufs = -60 is not possible while noise_max_dbfs is -60; allowed is noise_max_dbfs below loudness_min_lufs, because the room must be softer than the voice."},
		{"loudness beyond its bounds", "[delivery]\nloudness_aim_lufs = -3\n",
			"lectern.toml, line 2: loudness_aim_lufs = -3 is not possible; allowed is 0 or -40 to -6 (LUFS, loudness as the ear weighs it)."},
		{"room above the voice", "[delivery]\nnoise_max_dbfs = -22\n",
			"lectern.toml, line 2: noise_max_dbfs = -22 is not possible while rms_min_dbfs is -23; allowed is noise_max_dbfs below rms_min_dbfs, because the room must be softer than the voice."},
		{"head below its limit", "[delivery]\nhead_s = 0.2\n",
			"lectern.toml, line 2: head_s = 0.2 is not possible while head_min_s is 0.45 and head_max_s is 1.05; allowed is head_s between head_min_s and head_max_s."},
		{"tail above its limit", "[delivery]\ntail_s = 6\n",
			"lectern.toml, line 2: tail_s = 6 is not possible while tail_min_s is 0.95 and tail_max_s is 5.05; allowed is tail_s between tail_min_s and tail_max_s."},
		{"one folder for two", "[folders]\nfinished = 'Archive/done'\n",
			`lectern.toml, line 2: finished = "Archive/done" is not possible while archive is "archive"; allowed is two folders of which neither lies inside the other.`},
		{"finished in the inbox", "[folders]\nfinished = './inbox/done'\n",
			`lectern.toml, line 2: finished = "./inbox/done" is not possible; allowed is ` + notOurs + "."},
		{"archive is the workspace", "[folders]\narchive = './'\n",
			`lectern.toml, line 2: archive = "./" is not possible; allowed is ` + notOurs + "."},
		{"pattern without the chapter", "[names]\n\ntake = 'take N'\n",
			`lectern.toml, line 3: take = "take N" has no NAME, which stands for the chapter; allowed is ` + aPattern},
		{"pattern without the number", "[names]\ntake = 'NAME take'\n",
			`lectern.toml, line 2: take = "NAME take" has no N, which stands for the number; allowed is ` + aPattern},
		{"pattern in small letters", "[names]\ntake = 'name take n'\n",
			`lectern.toml, line 2: take = "name take n" has no NAME, which stands for the chapter; allowed is ` + aPattern},
		{"pattern with the number twice", "[names]\npart = 'N NAME part N'\n",
			`lectern.toml, line 2: part = "N NAME part N" has NAME or N twice; allowed is ` + aPattern},
		{"pattern of every numbered chapter", "[names]\ntake = 'NAME N'\n",
			`lectern.toml, line 2: take = "NAME N" has no word of its own beside NAME and N; allowed is ` + aPattern},
		{"pattern with signs", "[names]\npickup = 'NAME (pickup N)'\n",
			`lectern.toml, line 2: pickup = "NAME (pickup N)" has a word that is not of letters alone; allowed is ` + aPattern},
		{"empty pattern", "[names]\npickup = ''\n",
			`lectern.toml, line 2: pickup = "" is not possible; allowed is ` + aPattern},
		{"one pattern for two", "[names]\npart = 'NAME_Take-N'\n",
			`lectern.toml, line 2: part = "NAME_Take-N" is not possible while take is "NAME take N"; allowed is ` + apartWords + "."},
		{"a pattern that ends in another", "[names]\n\npickup = 'NAME second take N'\n",
			`lectern.toml, line 3: pickup = "NAME second take N" is not possible while take is "NAME take N"; allowed is ` + apartWords + "."},
		{"patterns with their words at both ends", "[names]\ntake = 'Aufnahme N NAME'\n",
			`lectern.toml, line 2: take = "Aufnahme N NAME" is not possible while part is "NAME part N"; allowed is ` + apartWords + "."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Load(write(t, filepath.Join(t.TempDir(), "lectern.toml"), tt.text))
			wantSentence(t, err, tt.want)
		})
	}
}

const aPattern = "words with NAME among them once and N once, and at least one word of your own."

// The words after "cannot be read" are the TOML library's; the line is ours.
func TestRefusedSyntax(t *testing.T) {
	for name, text := range map[string]string{
		"no value":  "[delivery]\nhead_s =\n",
		"no quotes": "[folders]\nfinished = done\n",
		"twice":     "delivery.head_s = 0.5\ndelivery.head_s = 0.6\n",
		"backslash": "[folders]\nfinished = \"D:\\Books\"\n",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Load(write(t, filepath.Join(t.TempDir(), "lectern.toml"), text))
			var e *Error
			if !errors.As(err, &e) || e.Where != "lectern.toml, line 2" || !strings.HasPrefix(e.Says, "this cannot be read (") {
				t.Errorf("got %v, want line 2 that cannot be read", err)
			}
		})
	}
}

func TestRefusedBook(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"a workspace section", "title = 'x'\n[watch]\njobs = 1\n",
			"A Ledger of Small Tides/about.toml, line 2: [watch] is not a section of this file; allowed are [delivery], [level], [takes]."},
		{"misspelled", "[level]\nlift_db = 3\n",
			"A Ledger of Small Tides/about.toml, line 2: lift_db = 3 is not a setting; allowed in [level] are rumble_hz, range_db, strength_pct, lift_max_db, cut_max_db, ease_max_db, limit_max_db."},
		{"a word under a heading", "[delivery]\nhead_s = 0.6\nauthor = 'Odile Marsh'\n",
			`A Ledger of Small Tides/about.toml, line 3: author = "Odile Marsh" stands below the heading [delivery]; allowed is above the first heading of the file.`},
		{"misspelled word", "titel = 'x'\n",
			`A Ledger of Small Tides/about.toml, line 1: titel = "x" is not a setting; allowed are title, author, narrator, publisher, year, language, chapters, words, credits, sample and the sections [delivery], [level], [takes].`},
		{"against the workspace", "[delivery]\nhead_s = 2\n",
			"A Ledger of Small Tides/about.toml, line 2: head_s = 2 is not possible while head_min_s is 0.45 and head_max_s is 1.8; allowed is head_s between head_min_s and head_max_s."},
	}
	base := Default().Chapter
	base.Delivery.HeadMaxS = 1.8
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ReadBook("A Ledger of Small Tides", []byte(tt.text), base)
			wantSentence(t, err, tt.want)
		})
	}
}

func TestRefusedFolder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lectern.toml")
	if err := os.Mkdir(path, 0o755); err != nil {
		t.Fatal(err)
	}
	_, err := Load(path)
	wantSentence(t, err, "lectern.toml: this is not a plain file, so no settings can be read from it.")

	big := write(t, filepath.Join(t.TempDir(), "lectern.toml"), strings.Repeat("#\n", maxBytes/2+1))
	_, err = Load(big)
	wantSentence(t, err, "lectern.toml: this file is larger than 256 KiB and cannot be a settings file.")
}

func TestSet(t *testing.T) {
	s := Default()
	// Each of these alone would break a rule; together they break none.
	err := Set(&s, "delivery.rms_min_dbfs=-19", "delivery.rms_aim_dbfs = -18", "delivery.rms_max_dbfs=-16", "folders.archive=D:/Books", "watch.jobs=3")
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Delivery.RMSMinDBFS, want.Delivery.RMSAimDBFS, want.Delivery.RMSMaxDBFS = -19, -18, -16
	want.Folders.Archive = "D:/Books"
	want.Watch.Jobs = 3
	if d := cmp.Diff(want, s); d != "" {
		t.Errorf("settings differ (-want +got):\n%s", d)
	}

	for _, tt := range []struct{ flag, want string }{
		{"delivery.head_s=soon", `--set: head_s = "soon" is not a number; allowed is 0.1 to 10 (seconds).`},
		{"delivery.head_s=NaN", `--set: head_s = NaN is not possible; allowed is 0.1 to 10 (seconds).`},
		{"delivery.head_s=20", "--set: head_s = 20 is not possible; allowed is 0.1 to 10 (seconds)."},
		{"delivery.head_s=5", "--set: head_s = 5 is not possible while head_min_s is 0.45 and head_max_s is 1.05; allowed is head_s between head_min_s and head_max_s."},
		{"watch.jobs=2.5", "--set: jobs = 2.5 is not a whole number; allowed is 0 to 64 (chapters)."},
		{"takes.pause=1", "--set: pause = 1 is not a setting; allowed in takes are join_pause_max_s."},
		{"take.join_pause_max_s=1", "--set: take is not a section; allowed are folders, watch, names, book, delivery, level, takes."},
		{"head_s=1", `--set: "head_s=1" cannot be read; allowed is section.name=value, for example delivery.head_s=0.7.`},
		{"delivery.head_s", `--set: "delivery.head_s" cannot be read; allowed is section.name=value, for example delivery.head_s=0.7.`},
	} {
		s := Default()
		wantSentence(t, Set(&s, "watch.jobs=9", tt.flag), tt.want)
		if s != Default() {
			t.Errorf("%s: settings changed although it was refused", tt.flag)
		}
	}
}

// The table and the structs must name the same settings, each once, and each
// row must reach the field that carries its name.
func TestTableMatchesStructs(t *testing.T) {
	var fromStructs []string
	s := Default()
	eachField(reflect.ValueOf(&s).Elem(), "", func(id string, field reflect.Value) {
		fromStructs = append(fromStructs, id)
		section, name, _ := strings.Cut(id, ".")
		k := findKey(section, name)
		if k == nil {
			t.Errorf("%s is missing in the table", id)
			return
		}
		if k.at(&s) != field.Addr().Interface() {
			t.Errorf("the row %s reaches another field", id)
		}
		if k.says == "" || k.unit == "" {
			t.Errorf("%s has no sentence or no unit", id)
		}
		var v any = field.Interface()
		if n, isInt := v.(int); isInt {
			v = int64(n)
		}
		if refusal := k.put(&s, v); refusal != "" {
			t.Errorf("the default is refused: %s", refusal)
		}
	})
	var fromTable []string
	for _, k := range keys {
		fromTable = append(fromTable, k.section+"."+k.name)
	}
	if d := cmp.Diff(fromStructs, fromTable); d != "" {
		t.Errorf("table differs from structs (-structs +table):\n%s", d)
	}
	if says, _ := brokenRule(&s, nil); says != "" {
		t.Errorf("the defaults break a rule: %s", says)
	}
}

// eachField visits the fields of v in order, with "section.name" from the tags.
func eachField(v reflect.Value, section string, visit func(id string, field reflect.Value)) {
	for i := range v.NumField() {
		f, tag := v.Field(i), v.Type().Field(i).Tag.Get("toml")
		switch {
		case f.Kind() == reflect.Struct && tag == "":
			eachField(f, section, visit)
		case f.Kind() == reflect.Struct:
			eachField(f, tag+".", visit)
		default:
			visit(section+tag, f)
		}
	}
}

func TestTemplate(t *testing.T) {
	text := Template()
	got, err := Load(write(t, filepath.Join(t.TempDir(), "lectern.toml"), string(text)))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Default(), got); d != "" {
		t.Errorf("the default file is not the defaults (-want +got):\n%s", d)
	}
	lines := strings.Split(string(text), "\n")
	for _, k := range keys {
		if n := countPrefix(lines, k.name+" = "); n != 1 {
			t.Errorf("%s stands %d times in the default file, want once", k.name, n)
		}
		// A value changed in the default file must reach the settings, or the
		// comparison above would prove nothing.
		if i := slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, k.name+" = ") }); i >= 0 {
			broken := slices.Clone(lines)
			broken[i] = k.name + " = true"
			_, err := Load(write(t, filepath.Join(t.TempDir(), "lectern.toml"), strings.Join(broken, "\n")))
			if err == nil || !strings.Contains(err.Error(), k.name+" = true is not") {
				t.Errorf("%s = true in the default file: %v, want a refusal", k.name, err)
			}
		}
	}
	for i, l := range lines {
		if len(l) > 78 {
			t.Errorf("line %d is longer than 78 letters: %s", i+1, l)
		}
	}
}

func countPrefix(lines []string, prefix string) (n int) {
	for _, l := range lines {
		if strings.HasPrefix(l, prefix) {
			n++
		}
	}
	return n
}

func TestSHA256(t *testing.T) {
	base := Default().Chapter
	// Taken with sha256sum over this text in one line; what the sum is over is
	// part of the report's contract.
	//
	//	{"delivery":{"bitrate_kbps":192,"head_max_s":1.05,"head_min_s":0.45,"head_s":0.5,"length_max_min":115,"loudness_aim_lufs":0,"loudness_max_lufs":-15,"loudness_min_lufs":-21,"noise_max_dbfs":-60,"peak_max_dbfs":-3,"rms_aim_dbfs":-20,"rms_max_dbfs":-18,"rms_min_dbfs":-23,"tail_max_s":5.05,"tail_min_s":0.95,"tail_s":2,"true_peak_max_dbtp":-1},
	//	"level":{"cut_max_db":12,"ease_max_db":12,"lift_max_db":12,"limit_max_db":8,"rumble_hz":70,"strength_pct":90},
	//	"takes":{"join_pause_max_s":1.5}}
	const want = "3c41d0fa1d8a341589a6c555905180b3d5d36c72869eebb2690a4181e00854f9"
	if got := base.SHA256(); got != want {
		t.Errorf("sum of the defaults is %s, want %s", got, want)
	}
	s := Default()
	eachField(reflect.ValueOf(&s.Chapter).Elem(), "", func(id string, field reflect.Value) {
		before := s.SHA256()
		if field.CanInt() {
			field.SetInt(field.Int() + 1)
		} else {
			field.SetFloat(field.Float() + 0.125)
		}
		if s.SHA256() == before {
			t.Errorf("%s does not change the sum", id)
		}
	})
	zero, minus := Default(), Default()
	if err := errors.Join(Set(&zero, "level.rumble_hz=0"), Set(&minus, "level.rumble_hz=-0.0")); err != nil {
		t.Fatal(err)
	}
	if zero.SHA256() != minus.SHA256() {
		t.Error("0 and -0 have different sums")
	}
}

func wantSentence(t *testing.T, err error, want string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("got %v, want an *Error", err)
	}
	if err.Error() != want {
		t.Errorf("got  %s\nwant %s", err, want)
	}
}

// Whatever the bytes, loading ends in settings that keep every bound and rule,
// or in a sentence that names the file.
func FuzzDecode(f *testing.F) {
	f.Add(Template())
	f.Add([]byte("delivery = {head_s = 0.5, x = [1, {y = 2}]}\n[[takes]]\n\"a.b\".c = 1979-05-27\n"))
	f.Add([]byte("\xef\xbb\xbf[delivery]\npeak_max_dbfs = 3\n"))
	kind := file{name: "lectern.toml", sections: sectionNames()}
	f.Fuzz(func(t *testing.T, data []byte) {
		s := Default()
		if err := kind.decode(data, &s); err != nil {
			var e *Error
			if !errors.As(err, &e) || !strings.HasPrefix(e.Where, "lectern.toml") || e.Says == "" {
				t.Fatalf("not a sentence about the file: %v", err)
			}
			return
		}
		if says, _ := brokenRule(&s, nil); says != "" {
			t.Fatal(says)
		}
		for _, k := range keys {
			switch at := k.at(&s).(type) {
			case *float64:
				if !k.allows(*at) {
					t.Fatalf("%s = %v was let in", k.name, *at)
				}
			case *int:
				if !k.allows(float64(*at)) {
					t.Fatalf("%s = %v was let in", k.name, *at)
				}
			}
		}
	})
}

func TestSeparator(t *testing.T) {
	for word, want := range map[string]rune{"comma": ',', "semicolon": ';', "tab": '\t'} {
		s := Default()
		if err := Set(&s, "book.csv_separator="+word); err != nil {
			t.Fatal(err)
		}
		if got := s.Book.Separator(); got != want {
			t.Errorf("%s is %q, want %q", word, got, want)
		}
	}
}
