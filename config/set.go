package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Set lays assignments such as "delivery.head_s=0.7", one for each --set flag,
// over s with the same checks as a settings file. The settings are checked
// against each other only after the last one, so their order does not matter.
// If anything is refused the error is an *Error and s is as it was.
func Set(s *Settings, assignments ...string) error {
	next := *s
	var given []string
	for _, a := range assignments {
		id, text, ok := strings.Cut(a, "=")
		id, text = strings.TrimSpace(id), strings.TrimSpace(text)
		section, name, dotted := strings.Cut(id, ".")
		if !ok || !dotted {
			return flagFault(fmt.Sprintf("%q cannot be read; allowed is section.name=value, for example delivery.head_s=0.7", a))
		}
		if !slices.Contains(sectionNames(), section) {
			return flagFault(fmt.Sprintf("%s is not a section; allowed are %s", section, strings.Join(sectionNames(), ", ")))
		}
		k := findKey(section, name)
		if k == nil {
			return flagFault(fmt.Sprintf("%s = %s is not a setting; allowed in %s are %s", name, text, section, namesIn(section)))
		}
		if refusal := k.put(&next, k.parse(text)); refusal != "" {
			return flagFault(refusal)
		}
		given = append(given, id)
	}
	if says, _ := brokenRule(&next, given); says != "" {
		return flagFault(says)
	}
	*s = next
	return nil
}

// parse reads the text of a flag as what k holds. What is no number stays
// text, and is refused as such.
func (k *key) parse(text string) any {
	if _, isText := k.at(&Settings{}).(*string); isText {
		return text
	}
	if n, err := strconv.ParseInt(text, 10, 64); err == nil {
		return n
	}
	if x, err := strconv.ParseFloat(text, 64); err == nil {
		return x
	}
	return text
}

func flagFault(says string) error { return &Error{Where: "--set", Says: says} }
