package narrated

import (
	"math/rand/v2"
	"strings"
)

// Teller makes up sentences about a harbor: a few patterns and word lists give
// several million different ones.
type Teller struct{ rng *rand.Rand }

// NewTeller starts a story. Seeds differ in everything that is told.
func NewTeller(seed uint64) *Teller { return &Teller{rand.New(rand.NewPCG(seed, 23))} }

// In a pattern each capital letter in angle brackets stands for one of its words.
var patterns = []string{
	"The <P> <V> the <T> <W>.",
	"<W> the <P> <V> the <T>, and the <Q> said nothing.",
	"Nobody <V> the <T> <W>.",
	"There was <N> <W>, and <N> beside it.",
	"\"<S>,\" said the <P>, and <V> the <T>.",
	"\"<S>,\" the <Q> answered <W>, \"and <S>.\"",
	"When the tide <M>, the <P> <V> the <T> <W>.",
	"The ferry <M> <W>.",
	"It was the <A> tide of the year, and the <P> knew it.",
	"By then the <P> had written <N> into the ledger, under <N>.",
	"The <A> water <M> past <N> <W>.",
	"What the <P> wanted was <N>, nothing else.",
	"If the <Q> had <V> the <T>, the ferry would have <M> <W>.",
	"She counted <N>, then <N>, and shut the <A> book.",
	"He had <V> the <T> so often that it no longer troubled him.",
	"<W>, where the <A> boats lie, the <P> <V> the <T>.",
	"Three times the <P> called across the <A> water, and three times only <N> answered.",
	"Why the <T> was <A> that morning, the <P> could not say.",
	"The ledger said <N>.",
	"Then it <M>.",
}

var words = map[byte][]string{
	'P': {"harbor clerk", "ferryman", "old pilot", "keeper of the ledger", "woman from the salt house", "boy with the lantern", "toll collector", "night watch", "baker's daughter", "schoolmaster", "youngest of the sisters", "man at the winch", "widow from the upper street", "surveyor", "organist"},
	'Q': {"dog", "gulls", "other passengers", "stranger", "whole crew", "doctor", "fish seller", "girl at the window", "customs man", "choir"},
	'V': {"counted", "forgot", "carried", "weighed", "measured", "hid", "mended", "found", "lost", "watched", "sold", "painted", "copied", "drew up", "untied", "feared", "blessed", "followed"},
	'T': {"ropes", "small tides", "morning's letters", "brass key", "last entry", "empty barrels", "chart", "cracked bell", "oars", "unpaid bills", "stone stairs", "moorings", "shadow of the pier", "names of the drowned fields", "lamp", "second ledger", "salt", "wet pages"},
	'A': {"grey", "highest", "slow", "crooked", "patient", "narrow", "silver", "shallow", "stubborn", "quiet", "thin", "unfinished", "cold", "faded", "smallest"},
	'M': {"turned", "came back early", "stood still", "ran out faster than before", "rose by a hand's width", "slipped away", "lay waiting", "drifted toward the bar", "fell silent", "left without a sound", "shivered", "grew wide and bright"},
	'W': {"before breakfast", "in the third week of October", "behind the customs shed", "without a word", "as always", "on the far bank", "under a low sky", "after the bell had rung", "at the end of the jetty", "for the first time in years", "in the blue hour", "with both hands", "near the old weir", "between two showers", "long before the winter", "at half past four"},
	'N': {"seven baskets of eels", "one sentence in red ink", "a sum that did not add up", "the price of a crossing", "forty yards of rope", "a letter for nobody", "the sound of chains", "a door that was never locked", "two silver coins", "the smell of tar", "a promise", "half a loaf of bread", "the weather of a whole year", "fifteen little flags", "a broken compass", "the wind"},
	'S': {"the water keeps its own accounts", "you cannot cross today", "somebody has moved the stakes", "I have heard that before", "we shall need a longer rope", "it is only the tide", "ask me again on Thursday", "the ferry does not wait", "put it down in writing", "nothing is lost that is counted", "there are no small tides", "take the lantern with you"},
}

// Sentence tells the next sentence.
func (t *Teller) Sentence() string {
	var b strings.Builder
	rest := patterns[t.rng.IntN(len(patterns))]
	for {
		before, after, slot := strings.Cut(rest, "<")
		b.WriteString(before)
		if !slot {
			break
		}
		list := words[after[0]]
		b.WriteString(list[t.rng.IntN(len(list))])
		rest = after[2:]
	}
	return capital(b.String())
}

// capital begins a sentence with a capital letter, also behind a quotation mark.
func capital(s string) string {
	at := 0
	if s[0] == '"' {
		at = 1
	}
	return s[:at] + strings.ToUpper(s[at:at+1]) + s[at+1:]
}
