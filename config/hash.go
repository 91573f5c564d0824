package config

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
)

// SHA256 is the sum, in lower-case hex, of the settings as JSON with sorted
// keys and no spaces: the settings_sha256 of reports and recipes. It does not
// change if fields are moved about in the source.
func (c Chapter) SHA256() string {
	var sorted map[string]any
	text, err := json.Marshal(c)
	if err == nil {
		err = json.Unmarshal(text, &sorted)
	}
	if err == nil {
		text, err = json.Marshal(sorted)
	}
	if err != nil { // only NaN or Inf, which no bound lets in
		panic("settings that cannot be written as JSON: " + err.Error())
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}
