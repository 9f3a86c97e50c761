package report

import (
	"encoding/json"
	"fmt"
	"strings"

	"dartfall/cmd/dartfall/internal/sheet"
)

// Description is a text to paste below a video: the answer, the figures, how it
// was done and the cautions. Its numbers are rounded like the report's.
func Description(s sheet.Summary) (string, error) {
	doc, err := tree(s)
	if err != nil {
		return "", err
	}
	num := func(path string, decimals int) string {
		at, err := lookup(doc, path)
		if n, ok := at.(json.Number); err == nil && ok {
			f, _ := n.Float64() // a JSON number of our own
			return round(f, decimals)
		}
		return "–"
	}
	var b strings.Builder
	if s.Session.Title != "" {
		fmt.Fprintln(&b, s.Session.Title)
	}
	fmt.Fprintln(&b, s.Answer)
	fmt.Fprintln(&b)
	for i, g := range s.Groups {
		size := func(figures, key string) string {
			path := fmt.Sprintf("groups.%d.%s.%s", i, figures, key)
			if at, err := lookup(doc, path+".at_least"); err == nil && at == true {
				return "at least " + num(path+".value", 0)
			}
			return num(path+".value", 0)
		}
		fmt.Fprintf(&b, "%s %s: ", g.Letter, g.Accessory)
		if g.All.MeanRadiusMM.Value.Known() {
			fmt.Fprintf(&b, "mean radius %s mm, extreme spread %s mm, ", size("all", "mean_radius_mm"), size("all", "extreme_spread_mm"))
		}
		fmt.Fprint(&b, impacts(g.All.N))
		fmt.Fprint(&b, missed(g))
		if g.Without != nil {
			fmt.Fprintf(&b, "; by the outlier rule (%d left): mean radius %s mm, extreme spread %s mm", g.Without.N,
				size("without", "mean_radius_mm"), size("without", "extreme_spread_mm"))
		}
		fmt.Fprintln(&b, ".")
	}
	fmt.Fprintln(&b)
	for _, c := range s.Comparisons {
		fmt.Fprintln(&b, c.Words)
	}
	if s.Rule.Words != "" && (s.SetsAside() || !s.Rule.InForce) {
		fmt.Fprint(&b, s.Rule.Words)
		if s.Rule.Decided != "" {
			fmt.Fprintf(&b, " Decided %s.", s.Rule.Decided)
		}
		fmt.Fprintln(&b)
	}
	for _, a := range s.Accessories {
		if a.Obtained == "gift" || a.Obtained == "loan" {
			fmt.Fprintf(&b, "%s %s was %s.\n", a.Letter, a.Name, obtained(a.Obtained))
		}
	}
	if s.Session.DistanceText != "" {
		how := ""
		if s.Session.DistanceHow != "" {
			how = " (" + s.Session.DistanceHow + ")"
		}
		fmt.Fprintf(&b, "Distance %s%s. ", s.Session.DistanceText, how)
	}
	fmt.Fprintln(&b, "Sizes are centre to centre, measured from photos of the board. Another unit or another day may differ.")
	for _, c := range s.Cautions {
		fmt.Fprintln(&b, c)
	}
	return b.String(), nil
}

// missed says how many shots of a group missed the board, and of how many of them
// that is only what is left when the marks are counted.
func missed(g sheet.Group) string {
	switch {
	case g.Missed() == 0:
		return ""
	case g.Misses == 0:
		return fmt.Sprintf(", without a mark and counted as missing the board: %d", g.Missed())
	case g.Unaccounted > 0:
		return fmt.Sprintf(", missed the board: %d (%d stated, the rest without a mark)", g.Missed(), g.Misses)
	}
	return fmt.Sprintf(", missed the board: %d", g.Missed())
}

func impacts(n int) string {
	if n == 1 {
		return "1 impact"
	}
	return fmt.Sprintf("%d impacts", n)
}

// obtained says how an accessory came to the reviewer, for readers to weigh.
func obtained(how string) string {
	switch how {
	case "gift":
		return "a gift"
	case "loan":
		return "on loan"
	}
	return how
}

// PictureAlt is the alternative text of the publication pictures, as shot or moved to
// a common centre: what a person who does not see them needs to know.
func PictureAlt(s sheet.Summary, moved bool) string {
	parts := []string{"Impacts on the ringed board, to scale."}
	if moved {
		parts[0] = "The groups moved to a common centre, to scale, to compare sizes and shapes."
	}
	for _, g := range s.Groups {
		text := fmt.Sprintf("%s %s: %s%s", g.Letter, g.Accessory, impacts(g.All.N), missed(g))
		if g.All.MeanRadiusMM.Value.Known() {
			text += fmt.Sprintf(", mean radius %s mm, extreme spread %s mm", whole(g.All.MeanRadiusMM), whole(g.All.ExtremeSpreadMM))
		}
		parts = append(parts, text+".")
	}
	if len(s.Groups) == 0 {
		parts = append(parts, impacts(len(s.Impacts))+".")
	}
	return strings.Join(append(parts, s.Answer), " ")
}

func whole(e sheet.Estimate) string {
	if !e.Value.Known() {
		return "not known"
	}
	if e.AtLeast {
		return "at least " + round(float64(e.Value), 0)
	}
	return round(float64(e.Value), 0)
}
