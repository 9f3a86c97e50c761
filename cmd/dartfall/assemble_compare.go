package main

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r2"

	"dartfall/cmd/dartfall/internal/sheet"
	"dartfall/scoring"
)

// comparisonSeed makes the random re-labellings of a comparison the same in every
// run.
const comparisonSeed = 1

// sigmaWithout is said wherever sigmas without the widest are shown.
const sigmaWithout = "Sigma without them is an estimate for all shots, allowing for the drop, so it may be the larger."

// rule describes the outlier rule in force.
func (j job) rule() sheet.OutlierRule {
	r := sheet.OutlierRule{Kind: "none", Chance: sheet.Unknown(), Words: "No shot is set aside."}
	switch {
	case j.chance > 0:
		r.Kind, r.Chance, r.InForce = "test", sheet.Number(j.chance), true
		r.Words = "Shots that lie far outside the rest of their group by a robust test are set aside, the same test for all."
		r.ByLuck = fmt.Sprintf("In a clean group it sets anything aside with a chance of %.3g%%.", 100*j.chance)
	case j.drop > 0:
		r.Kind, r.Drop, r.InForce = "drop", j.drop, true
		r.Words = fmt.Sprintf("The %s of each group whose removal shrinks its extreme spread most are set aside, the same number for all; those that left no mark count as the widest.", plural(j.drop, "shot"))
		if j.drop == 1 {
			r.Words = "The shot of each group whose removal shrinks its extreme spread most is set aside, in every group; one that left no mark counts as the widest."
		}
		r.ByLuck = "Dropping the widest shots shrinks a clean group too; the table says by how much. " + sigmaWithout
	}
	return r
}

// board is where a shot leaves a mark, from the session's backer; nil when that is
// not known.
func (j job) board() scoring.Area {
	if j.session == nil {
		return nil
	}
	switch b := j.session.Board.Backer; {
	case b.DiameterMM > 0:
		return scoring.Disc{RadiusMM: b.DiameterMM / 2}
	case b.WidthMM > 0 && b.HeightMM > 0:
		half := r2.Vec{X: b.WidthMM / 2, Y: b.HeightMM / 2}
		return scoring.Rect{Min: r2.Scale(-1, half), Max: half}
	}
	return nil
}

// compare compares the accessories of a session, or the colours of one photo. The
// colours of several photos without strings may be the same shots twice.
func (j job) compare(s *sheet.Summary, groups []measuredGroup) error {
	if !j.hasStrings() && len(s.Photos) > 1 {
		return nil
	}
	var list []scoring.Group
	for _, g := range groups {
		list = append(list, g.group)
	}
	if len(list) < 2 {
		return nil
	}
	if len(list) > 8 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("%d groups are too many for one comparison: eight at most", len(list)))
		return nil
	}
	opts := scoring.CompareOptions{Seed: comparisonSeed, Board: j.board()}
	c, stated, err := compareAsStated(list, opts)
	if err != nil {
		return err
	}
	byName := map[string]scoring.Group{}
	for _, g := range list {
		byName[g.Accessory] = g
	}
	for i, p := range c.Pairs {
		out := sheet.Comparison{
			A: p.A, B: p.B, Tighter: p.Tighter, Verdict: string(p.Verdict), Words: pairWords(p),
			SigmaRatio: estimate(p.SigmaRatio, false), MeanRadRatio: estimate(p.MeanRadiusRatio, false),
			P: sheet.Number(p.P), PAdjusted: sheet.Number(p.PAdjusted), Luck: sheet.Number(p.P),
			CentreShiftMM: estimate(p.CentreDistance, false), CentreP: sheet.Number(p.CentreP), Method: p.Method,
		}
		if p.Verdict == scoring.TooFew {
			out.P, out.PAdjusted, out.Luck, out.CentreP = sheet.Unknown(), sheet.Unknown(), sheet.Unknown(), sheet.Unknown()
		}
		if p.Verdict != scoring.ClearlyTighter {
			out.ShotsToSettle = p.ShotsToSettle
		}
		if words := shotsToCheck(p, stated.Pairs[i], byName[p.A], byName[p.B]); words != "" {
			out = sheet.Comparison{
				A: p.A, B: p.B, Verdict: sheet.CheckShots, Words: words, SigmaRatio: sheet.NoEstimate(), MeanRadRatio: sheet.NoEstimate(),
				P: sheet.Unknown(), PAdjusted: sheet.Unknown(), Luck: sheet.Unknown(), CentreShiftMM: out.CentreShiftMM, CentreP: out.CentreP,
			}
		}
		for _, w := range p.Warnings {
			if text := j.warningText(w); text != "" {
				out.Warnings = append(out.Warnings, text)
			}
		}
		s.Comparisons = append(s.Comparisons, out)
	}
	return nil
}

// compareAsStated compares the groups, and once more without the shots that are neither
// found nor stated as misses.
func compareAsStated(groups []scoring.Group, opts scoring.CompareOptions) (all, stated scoring.Comparison, err error) {
	all, err = scoring.Compare(groups, opts)
	if err != nil || !slices.ContainsFunc(groups, func(g scoring.Group) bool { return g.Unaccounted() > 0 }) {
		return all, all, err
	}
	groups = slices.Clone(groups)
	for i := range groups {
		groups[i].Declared = 0
	}
	stated, err = scoring.Compare(groups, opts)
	return all, stated, err
}

// shotsToCheck says why a pair gets no verdict for its numbers of shots, "" when it may:
// a side has more marks and misses than shots, or shots that are neither found nor
// stated as misses decide, since the verdict without them is another. A number typed wrong
// must neither name a winner nor hide one.
func shotsToCheck(all, stated scoring.Pair, a, b scoring.Group) string {
	var extra, open []string
	for _, g := range []scoring.Group{a, b} {
		if words := moreThanShots(g.Accessory, len(g.Impacts), g.Misses, g.Declared); words != "" {
			extra = append(extra, words)
		} else if u := g.Unaccounted(); u > 0 {
			open = append(open, fmt.Sprintf("%d of %s of %s", u, plural(g.Declared, "shot"), g.Accessory))
		}
	}
	turns := len(open) > 0 && (all.Verdict != stated.Verdict || all.Verdict != scoring.NoDifference && all.Tighter != stated.Tighter)
	switch {
	case len(extra) > 0:
		return fmt.Sprintf("%s and %s cannot be compared yet: %s.", a.Accessory, b.Accessory, strings.Join(extra, " and "))
	case turns:
		return fmt.Sprintf("%s and %s cannot be compared yet: %s are neither found nor stated as misses, and they decide.", a.Accessory, b.Accessory, strings.Join(open, " and "))
	}
	return ""
}

// checkedShots says which groups have more marks and misses than shots.
func checkedShots(groups []scoring.Group) (words []string) {
	for _, g := range groups {
		if extra := moreThanShots(g.Accessory, len(g.Impacts), g.Misses, g.Declared); extra != "" {
			words = append(words, extra)
		}
	}
	return words
}

// moreThanShots says of a group that its marks and misses are more than the shots
// stated, "" when they are not.
func moreThanShots(name string, marks, misses, shots int) string {
	switch {
	case shots == 0 || marks+misses <= shots:
		return ""
	case misses > 0:
		return fmt.Sprintf("%s has more marks and misses (%d and %d) than shots stated (%d)", name, marks, misses, shots)
	}
	return fmt.Sprintf("%s has more marks (%d) than shots stated (%d)", name, marks, shots)
}

// pairWords says what a pair shows in one or two plain sentences.
func pairWords(p scoring.Pair) string {
	luck := " Two identical parts would differ at least this much in " + chanceText(p.P) + " of tests."
	more := ""
	if p.ShotsToSettle > 0 {
		more = fmt.Sprintf(" If the difference is real, about %d shots each would show it.", p.ShotsToSettle)
	}
	switch p.Verdict {
	case scoring.TooFew:
		return sentence(p)
	case scoring.ClearlyTighter:
		return fmt.Sprintf("%s is clearly tighter than %s.%s", p.Tighter, p.Wider(), luck)
	case scoring.Leaning:
		return fmt.Sprintf("%s leans tighter than %s, but it is not settled.%s%s", p.Tighter, p.Wider(), luck, more)
	}
	return fmt.Sprintf("No difference visible between %s and %s.%s%s", p.A, p.B, luck, more)
}

// comparisonAnswer is the session's answer in one sentence: what is settled, then
// what leans; "" without a comparison.
func comparisonAnswer(pairs []sheet.Comparison) string {
	if len(pairs) == 0 {
		return ""
	}
	list := func(verdict string) (wider map[string][]string, order []string) {
		wider = map[string][]string{}
		for _, c := range pairs {
			if c.Verdict != verdict {
				continue
			}
			if !slices.Contains(order, c.Tighter) {
				order = append(order, c.Tighter)
			}
			wider[c.Tighter] = append(wider[c.Tighter], c.Wider())
		}
		return wider, order
	}
	var parts []string
	wider, order := list(sheet.ClearlyTighter)
	for _, name := range order {
		parts = append(parts, fmt.Sprintf("%s is clearly tighter than %s", name, strings.Join(wider[name], " and ")))
	}
	wider, order = list(sheet.Leaning)
	for _, name := range order {
		parts = append(parts, fmt.Sprintf("%s leans tighter than %s, not settled", name, strings.Join(wider[name], " and ")))
	}
	for _, c := range pairs {
		if c.Verdict == sheet.NoDifference {
			parts = append(parts, fmt.Sprintf("no difference visible between %s and %s", c.A, c.B))
		}
	}
	for _, c := range pairs {
		if c.Verdict == sheet.TooFew || c.Verdict == sheet.CheckShots {
			parts = append(parts, strings.TrimSuffix(c.Words, "."))
		}
	}
	if len(parts) > 6 { // many accessories: the table has the rest
		parts = append(parts[:6], "the comparison table has the rest")
	}
	text := []rune(strings.Join(parts, "; ") + ".")
	if strings.HasPrefix(string(text), "no ") {
		text[0] = 'N'
	}
	return string(text)
}
