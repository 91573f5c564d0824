package takes

import (
	"cmp"
	"math"
	"slices"

	"lectern/pipeline/speech"
)

// The search for the place at which a later reading begins to say again what an earlier
// one says. Our choice.
const (
	// lookFrames of the later reading are compared with every place, because most fail
	// there; of the placesLook nearest the whole is.
	lookFrames, placesLook = 200, 6
	// leastRest is the shortest end of a reading that can be known again.
	leastRest = 50
	// unrelatedUsual is how far apart unrelated words are where there are too few places
	// to learn it from (fewPlaces).
	unrelatedUsual = 0.95
)

// place is where a later reading may begin to say again what an earlier one says.
type place struct {
	run     int // of the earlier reading
	opening float64
	alignment
}

// places returns where the beginning of the later reading may be said in the earlier
// one, that with the most evidence first, and how far apart unrelated words are.
func places(earlier, later line) (out []place, unrelated float64) {
	words := later.frames(0, math.MaxInt)
	look := words[:min(len(words), lookFrames)]
	var all []float64
	rest := earlier.length(0)
	for i := range earlier {
		if rest < leastRest {
			break
		}
		first, second := look, earlier.frames(i, reachOf(len(look)))
		if rest < len(look) {
			first, second = second, words[:min(len(words), reachOf(rest))]
		}
		if m := sameWords(first, second, math.Inf(1)); !math.IsInf(m.distance, 1) {
			out = append(out, place{run: i, opening: m.distance})
			all = append(all, m.distance)
		}
		rest -= earlier[i].Len()
	}
	unrelated = unrelatedIn(earlier)
	if len(all) >= fewPlaces {
		slices.Sort(all)
		unrelated = all[len(all)/2]
	}
	out = slices.DeleteFunc(out, func(p place) bool { return p.opening > sameShare*unrelated })
	slices.SortStableFunc(out, func(a, b place) int { return cmp.Compare(a.opening, b.opening) })
	out = out[:min(len(out), placesLook)]
	for i := range out {
		// A stumble or two may make the earlier reading longer than the later one.
		most := 2*len(words) + 10*speech.FramesPerSecond
		out[i].alignment = align(earlier.frames(out[i].run, most), words, unrelated)
	}
	slices.SortStableFunc(out, func(a, b place) int { return cmp.Compare(b.evidence, a.evidence) })
	return out, unrelated
}

// unrelatedIn is how far apart unrelated words are in the raws of a line.
func unrelatedIn(l line) float64 {
	sum, n := 0.0, 0
	for i, r := range l {
		if i == 0 || r.voice != l[i-1].voice {
			sum, n = sum+r.voice.unrelated(1), n+1
		}
	}
	return sum / float64(max(n, 1))
}

// sameWay tells whether two places lay the later reading over the same words: one of them
// begins a word or two before the other. at and bt are where the places' runs begin, in
// frames of words.
func sameWay(a *alignment, at int, b *alignment, bt int) bool {
	const near = 10 // frames
	where := map[int32]int{}
	for i, to := range a.to {
		if to >= 0 {
			where[to] = at + i
		}
	}
	same, all := 0, 0
	for i, to := range b.to {
		if to < 0 {
			continue
		}
		all++
		if w, there := where[to]; there && max(w-bt-i, bt+i-w) <= near {
			same++
		}
	}
	return 2*same >= all
}

// reachOf is how much of one reading n frames of the other may cover.
func reachOf(n int) int { return int(paceSlack*float64(n)) + startSlack }
