package config

import (
	"strings"

	"golang.org/x/text/language"
	"golang.org/x/text/unicode/norm"
)

// LanguageCode returns the three letters of ISO 639-2 (the terminological ones, where there
// are two) for a language as an about.toml tells it, such as "English", "en" or "en-GB";
// "" if it is none we know. A code is a tag of BCP 47 (RFC 5646).
func LanguageCode(written string) string {
	written = norm.NFC.String(strings.TrimSpace(written))
	code, named := languageNames[strings.ToLower(written)]
	if !named {
		code = written
	}
	tag, err := language.Parse(code)
	if err != nil {
		return ""
	}
	base, sure := tag.Base()
	if sure != language.Exact { // und, or a tag of one's own
		return ""
	}
	return base.ISO3()
}

// languageNames are the names that books are told in most often, English and their own
// (our choice); any other language is told by its code.
var languageNames = map[string]string{
	"afrikaans": "af", "albanian": "sq", "amharic": "am", "ancient greek": "grc", "arabic": "ar", "العربية": "ar",
	"armenian": "hy", "basque": "eu", "euskara": "eu", "belarusian": "be", "bengali": "bn", "bangla": "bn", "বাংলা": "bn",
	"bosnian": "bs", "bulgarian": "bg", "български": "bg", "burmese": "my", "cantonese": "yue", "catalan": "ca", "català": "ca",
	"chinese": "zh", "mandarin": "zh", "mandarin chinese": "zh", "中文": "zh", "croatian": "hr", "hrvatski": "hr", "czech": "cs", "čeština": "cs",
	"danish": "da", "dansk": "da", "dutch": "nl", "flemish": "nl", "nederlands": "nl",
	"english": "en", "american english": "en-US", "british english": "en-GB", "australian english": "en-AU", "canadian english": "en-CA",
	"esperanto": "eo", "estonian": "et", "eesti": "et", "finnish": "fi", "suomi": "fi",
	"french": "fr", "canadian french": "fr-CA", "français": "fr", "galician": "gl", "georgian": "ka",
	"german": "de", "deutsch": "de", "swiss german": "gsw", "greek": "el", "ελληνικά": "el", "gujarati": "gu", "hausa": "ha",
	"hebrew": "he", "עברית": "he", "hindi": "hi", "हिन्दी": "hi", "hungarian": "hu", "magyar": "hu", "icelandic": "is", "íslenska": "is",
	"igbo": "ig", "indonesian": "id", "irish": "ga", "gaeilge": "ga", "italian": "it", "italiano": "it", "japanese": "ja", "日本語": "ja",
	"javanese": "jv", "kannada": "kn", "kazakh": "kk", "khmer": "km", "korean": "ko", "한국어": "ko", "kurdish": "ku", "lao": "lo",
	"latin": "la", "latvian": "lv", "latviešu": "lv", "lithuanian": "lt", "lietuvių": "lt", "luxembourgish": "lb", "macedonian": "mk",
	"malay": "ms", "malayalam": "ml", "maltese": "mt", "maori": "mi", "māori": "mi", "marathi": "mr", "mongolian": "mn", "nepali": "ne",
	"norwegian": "no", "norsk": "no", "norwegian bokmål": "nb", "bokmål": "nb", "norwegian nynorsk": "nn", "nynorsk": "nn",
	"persian": "fa", "farsi": "fa", "فارسی": "fa", "polish": "pl", "polski": "pl",
	"portuguese": "pt", "brazilian portuguese": "pt-BR", "português": "pt", "punjabi": "pa", "romanian": "ro", "română": "ro",
	"russian": "ru", "русский": "ru", "sanskrit": "sa", "scots": "sco", "scottish gaelic": "gd", "serbian": "sr", "српски": "sr",
	"sinhala": "si", "slovak": "sk", "slovenčina": "sk", "slovenian": "sl", "slovenščina": "sl", "somali": "so",
	"spanish": "es", "mexican spanish": "es-MX", "español": "es", "swahili": "sw", "kiswahili": "sw", "swedish": "sv", "svenska": "sv",
	"tagalog": "tl", "filipino": "fil", "tamil": "ta", "தமிழ்": "ta", "telugu": "te", "thai": "th", "ไทย": "th", "turkish": "tr", "türkçe": "tr",
	"ukrainian": "uk", "українська": "uk", "urdu": "ur", "اردو": "ur", "uzbek": "uz", "vietnamese": "vi", "tiếng việt": "vi",
	"welsh": "cy", "cymraeg": "cy", "xhosa": "xh", "yiddish": "yi", "yoruba": "yo", "zulu": "zu",
}
