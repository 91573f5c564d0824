package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Letter is the text of "NAME - please read.txt": the report's own sentences
// about what needs doing. It is empty if there is nothing to do.
func (r *Report) Letter() string {
	todo := r.ToDo()
	if r.Verdict == Pass || len(todo) == 0 {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", r.Chapter)
	if r.Verdict == Fail {
		b.WriteString("This chapter was mastered as well as it can be, but it does not meet all limits:\n\n")
	} else {
		b.WriteString("This chapter meets all limits, but please listen to it first:\n\n")
	}
	for _, line := range todo {
		fmt.Fprintf(&b, "- %s\n", line)
	}
	if also := r.AlsoHeard(); len(also) > 0 {
		b.WriteString("\nAlso heard:\n\n")
		for _, line := range also {
			fmt.Fprintf(&b, "- %s\n", line)
		}
	}
	fmt.Fprintf(&b, "\n%s\n", JudgedBy)
	if r.Verdict == Listen {
		b.WriteString("If it sounds right to you, delete this note and hand the chapter over.\n")
	}
	b.WriteString("When you drop a better take under the same name, it is made again and this note goes away.\n")
	return b.String()
}

// ToDo lists what needs doing, most important first: the checks that failed, then
// the places to hear.
func (r *Report) ToDo() []string { return toDo(r.Checks, r.Findings()) }

func toDo(checks []Check, findings []Finding) []string {
	var out []string
	for _, c := range checks {
		if !c.Pass {
			out = append(out, c.Advice)
		}
	}
	return append(out, places(findings)...)
}

// fewPlaces is how many places of one kind are told one by one; more are summed up.
const fewPlaces = 3

// places lists what a person must hear, each place once: what was found in a raw
// is found again in the finished file.
func places(findings []Finding) []string {
	var kinds []string
	byKind := map[string][]Finding{}
	for _, f := range findings {
		if !f.NeedsEar() || slices.ContainsFunc(byKind[f.Kind], f.sameAs) {
			continue
		}
		if len(byKind[f.Kind]) == 0 {
			kinds = append(kinds, f.Kind)
		}
		byKind[f.Kind] = append(byKind[f.Kind], f)
	}
	var out []string
	for _, kind := range kinds {
		found := byKind[kind]
		var clocks []string
		for _, f := range found {
			if f.FinishedAtS != nil {
				clocks = append(clocks, Clock(float64(*f.FinishedAtS)))
			}
		}
		if says, ok := SaysSeveral(kind, clocks); ok && len(found) > fewPlaces {
			out = append(out, says)
			continue
		}
		for _, f := range found {
			out = append(out, f.Says)
		}
	}
	return out
}

// sameAs tells whether two findings of one kind are of one place in the finished file.
func (f Finding) sameAs(other Finding) bool {
	const apartS = 1
	if f.FinishedAtS == nil || other.FinishedAtS == nil {
		return f.Says == other.Says
	}
	return math.Abs(float64(*f.FinishedAtS-*other.FinishedAtS)) < apartS
}

// AlsoHeard lists what is good to know and needs no ear: the cause of a noise, or
// what to do better next time. Each kind is told once.
func (r *Report) AlsoHeard() []string { return alsoHeard(r.Findings()) }

func alsoHeard(findings []Finding) []string {
	var out, told []string
	for _, f := range findings {
		// Tone that was laid in is Lectern's own doing; takes that have no words in common
		// are told by the check nothing_lost.
		if f.NeedsEar() || f.Kind == "tone_laid_in" || f.Kind == "joined" || f.isPlace() || slices.Contains(told, f.Kind) {
			continue
		}
		told = append(told, f.Kind)
		out = append(out, f.Says)
	}
	return out
}

// isPlace tells whether the finding is of a place, and would need an ear if that
// place were still there.
func (f Finding) isPlace() bool {
	_, ok := several[f.Kind]
	return ok
}

// Findings returns all findings, those of the raws first. What is wrong with a raw that
// is not heard is none of them.
func (r *Report) Findings() []Finding {
	var out []Finding
	for _, raw := range r.Raws {
		if !raw.Unused {
			out = append(out, raw.Findings...)
		}
	}
	return append(out, r.Finished.Findings...)
}

// NeedsEar tells whether a person must listen before the file is handed over: to a
// place that was cut away nobody must.
func (f Finding) NeedsEar() bool {
	switch f.Kind {
	case "truncated", "unfinished", "not_a_number", "unlike_channels", "damaged":
		return true
	case "clipped", "clipped_lowered", "soft_clipped", "drop_out", "repeated", "silence_inside",
		"click", "thump", "long_pause", "room_change", "tone_change", "join_stands_out", "mark_alone":
		return f.FinishedAtS != nil
	}
	return false
}

// Summary is the tail of the log line: "within all limits", "listen first: 2
// places", "misses noise_floor and room_tone".
func (r *Report) Summary() string {
	var missed []string
	for _, c := range r.Checks {
		if !c.Pass && !c.asksPerson() {
			missed = append(missed, strings.ReplaceAll(c.Name, "_", " "))
		}
	}
	switch r.Verdict {
	case Pass:
		return "within all limits"
	case Listen:
		return "within all limits, but please listen to it first"
	}
	return "misses the limit for " + list(missed)
}

func list(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// ToDo lists what needs doing about a checked file, as Report.ToDo does.
func (c *Checked) ToDo() []string { return toDo(c.Checks, c.Findings) }

// AlsoHeard lists what is good to know about a checked file, as Report.AlsoHeard does.
func (c *Checked) AlsoHeard() []string { return alsoHeard(c.Findings) }
