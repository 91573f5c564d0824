package config

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Error says in one sentence what is wrong in a settings file or a --set
// flag, and what is allowed instead.
type Error struct {
	// Where is the file and line, as in "lectern.toml, line 14", or "--set".
	Where string
	// Says is the sentence, without a final period.
	Says string
}

func (e *Error) Error() string { return e.Where + ": " + e.Says + "." }

// put stores v in the setting k of s if it is of the right type and within
// bounds. v is an int64, a float64, a string, or anything else a settings file
// can hold, which is refused. The returned text is empty if all is well.
func (k *key) put(s *Settings, v any) (refusal string) {
	switch at := k.at(s).(type) {
	case *string:
		text, ok := v.(string)
		if !ok {
			return k.refuse(v, "is not text in quotes")
		}
		if strings.TrimSpace(text) == "" || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' }) {
			return k.refuse(v, "is not possible")
		}
		if k.words != nil && !slices.Contains(k.words, text) {
			return k.refuse(v, "is not possible")
		}
		if k.unit == pattern {
			if _, why := ReadPattern(text); why != "" {
				return k.refuse(v, why)
			}
		}
		*at = text
	case *int:
		n, ok := v.(int64)
		if !ok {
			return k.refuse(v, "is not a whole number")
		}
		if !k.allows(float64(n)) {
			return k.refuse(v, "is not possible")
		}
		*at = int(n)
	case *float64:
		var x float64
		switch n := v.(type) {
		case float64:
			x = n
		case int64:
			x = float64(n)
		default:
			return k.refuse(v, "is not a number")
		}
		if !k.allows(x) {
			return k.refuse(v, "is not possible")
		}
		*at = x + 0 // -0 becomes 0, or equal settings would have two sums
	}
	return ""
}

func (k *key) allows(x float64) bool {
	if k.orZero && x == 0 {
		return true
	}
	if k.oneOf == nil {
		return x >= k.least && x <= k.most // false for NaN
	}
	for _, n := range k.oneOf {
		if x == float64(n) {
			return true
		}
	}
	return false
}

func (k *key) refuse(v any, why string) string {
	return fmt.Sprintf("%s = %s %s; allowed is %s", k.name, show(v), why, k.allowed())
}

// allowed is the range of k in words, with its unit.
func (k *key) allowed() string {
	switch k.unit {
	case folder:
		return "the name or path of a folder"
	case pattern:
		return "words with NAME among them once and N once, and at least one word of your own"
	}
	if k.unit == oneWord {
		var all []string
		for _, w := range k.words {
			all = append(all, show(w))
		}
		return strings.Join(all[:len(all)-1], ", ") + " or " + all[len(all)-1]
	}
	span := show(k.least) + " to " + show(k.most)
	if k.oneOf != nil {
		var all []string
		for _, n := range k.oneOf {
			all = append(all, strconv.Itoa(n))
		}
		span = strings.Join(all[:len(all)-1], ", ") + " or " + all[len(all)-1]
	}
	if k.orZero {
		span = "0 or " + span
	}
	return span + " (" + k.unit + ")"
}

// show writes a value as it would stand in a settings file, shortened if long.
func show(v any) string {
	var text string
	switch v := v.(type) {
	case float64:
		text = strconv.FormatFloat(v, 'f', -1, 64)
		if math.Abs(v) >= 1e15 {
			text = strconv.FormatFloat(v, 'g', -1, 64)
		}
	case string:
		text = strconv.Quote(v)
	case map[string]any:
		text = "{...}"
	case []any:
		text = "[...]"
	default:
		text = fmt.Sprint(v)
	}
	if r := []rune(text); len(r) > 60 {
		text = string(r[:57]) + "..."
	}
	return text
}

// rule is a condition that several settings must meet together.
type rule struct {
	section string
	names   []string
	holds   func(*Settings) bool
	wants   string
}

var rules = []rule{
	{"delivery", []string{"rms_min_dbfs", "rms_aim_dbfs", "rms_max_dbfs"},
		func(s *Settings) bool {
			d := s.Delivery
			return d.RMSMinDBFS < d.RMSAimDBFS && d.RMSAimDBFS < d.RMSMaxDBFS
		},
		"rms_min_dbfs below rms_aim_dbfs, and rms_aim_dbfs below rms_max_dbfs"},
	{"delivery", []string{"rms_aim_dbfs", "peak_max_dbfs"},
		func(s *Settings) bool { return s.Delivery.RMSAimDBFS < s.Delivery.PeakMaxDBFS },
		"rms_aim_dbfs below peak_max_dbfs, because no sound is louder on average than at its peak"},
	{"delivery", []string{"loudness_min_lufs", "loudness_aim_lufs", "loudness_max_lufs"},
		func(s *Settings) bool {
			d := s.Delivery
			return !d.ByLoudness() || d.LoudnessMinLUFS < d.LoudnessAimLUFS && d.LoudnessAimLUFS < d.LoudnessMaxLUFS
		},
		"loudness_min_lufs below loudness_aim_lufs, and loudness_aim_lufs below loudness_max_lufs"},
	{"delivery", []string{"loudness_aim_lufs", "true_peak_max_dbtp"},
		func(s *Settings) bool {
			return !s.Delivery.ByLoudness() || s.Delivery.LoudnessAimLUFS+leastCrestDB <= s.Delivery.TruePeakMaxDBTP
		},
		"loudness_aim_lufs at least 6 below true_peak_max_dbtp, because a voice is never as loud on the whole as at its peaks"},
	{"delivery", []string{"noise_max_dbfs", "loudness_min_lufs"},
		func(s *Settings) bool {
			return !s.Delivery.ByLoudness() || s.Delivery.NoiseMaxDBFS < s.Delivery.LoudnessMinLUFS
		},
		"noise_max_dbfs below loudness_min_lufs, because the room must be softer than the voice"},
	{"delivery", []string{"noise_max_dbfs", "rms_min_dbfs"},
		func(s *Settings) bool { return s.Delivery.NoiseMaxDBFS < s.Delivery.RMSMinDBFS },
		"noise_max_dbfs below rms_min_dbfs, because the room must be softer than the voice"},
	{"delivery", []string{"head_min_s", "head_s", "head_max_s"},
		func(s *Settings) bool {
			d := s.Delivery
			return d.HeadMinS <= d.HeadS && d.HeadS <= d.HeadMaxS
		},
		"head_s between head_min_s and head_max_s"},
	{"delivery", []string{"tail_min_s", "tail_s", "tail_max_s"},
		func(s *Settings) bool {
			d := s.Delivery
			return d.TailMinS <= d.TailS && d.TailS <= d.TailMaxS
		},
		"tail_s between tail_min_s and tail_max_s"},
	{"names", []string{"take", "part"},
		func(s *Settings) bool { return apart(s.Names.Take, s.Names.Part) }, apartWords},
	{"names", []string{"take", "pickup"},
		func(s *Settings) bool { return apart(s.Names.Take, s.Names.Pickup) }, apartWords},
	{"names", []string{"part", "pickup"},
		func(s *Settings) bool { return apart(s.Names.Part, s.Names.Pickup) }, apartWords},
	{"folders", []string{"finished"},
		func(s *Settings) bool { return ownFolder(s.Folders.Finished) }, notOurs},
	{"folders", []string{"archive"},
		func(s *Settings) bool { return ownFolder(s.Folders.Archive) }, notOurs},
	{"folders", []string{"finished", "archive"},
		func(s *Settings) bool {
			return !within(s.Folders.Finished, s.Folders.Archive) && !within(s.Folders.Archive, s.Folders.Finished)
		},
		"two folders of which neither lies inside the other"},
}

// leastCrestDB is the least that the true peak may be asked to lie over the loudness:
// a voice squeezed further is no longer one (our choice).
const leastCrestDB = 6

const apartWords = "patterns of which no file can fit two: other words in each, and NAME at the same end of all three"

const notOurs = "a folder that is not the workspace itself and does not lie in inbox, working or setaside"

// ownFolder tells whether path is a place of its own, not one of the
// workspace's other folders.
func ownFolder(path string) bool {
	if filepath.Clean(path) == "." {
		return false
	}
	for _, taken := range []string{"inbox", "working", "setaside"} {
		if within(path, taken) {
			return false
		}
	}
	return true
}

// within tells whether path is folder or lies inside it. Case is ignored,
// because two of our three systems ignore it.
func within(path, folder string) bool {
	path = strings.ToLower(filepath.ToSlash(filepath.Clean(path)))
	folder = strings.ToLower(filepath.ToSlash(filepath.Clean(folder)))
	return path == folder || strings.HasPrefix(path, strings.TrimSuffix(folder, "/")+"/")
}

// brokenRule returns the first rule that s breaks, in words that blame the
// last of given ("section.name") the rule speaks of. Both are empty if s breaks
// none.
func brokenRule(s *Settings, given []string) (says, blamed string) {
	for _, r := range rules {
		if r.holds(s) {
			continue
		}
		at := 0
		for _, id := range given {
			section, name, _ := strings.Cut(id, ".")
			if i := slices.Index(r.names, name); section == r.section && i >= 0 {
				at, blamed = i, id
			}
		}
		return r.says(s, at), blamed
	}
	return "", ""
}

// says puts a broken rule in words, blaming the setting names[at].
func (r *rule) says(s *Settings, at int) string {
	var now []string
	for i, n := range r.names {
		if i != at {
			now = append(now, n+" is "+findKey(r.section, n).value(s))
		}
	}
	name := r.names[at]
	text := fmt.Sprintf("%s = %s is not possible", name, findKey(r.section, name).value(s))
	if len(now) > 0 {
		text += " while " + strings.Join(now, " and ")
	}
	return text + "; allowed is " + r.wants
}

// value is what the setting k holds in s, as it would stand in a file.
func (k *key) value(s *Settings) string {
	switch at := k.at(s).(type) {
	case *float64:
		return show(*at)
	case *int:
		return show(*at)
	default:
		return show(*at.(*string))
	}
}
