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
		least := ""
		if g.All.ExtremeSpreadMM.AtLeast {
			least = "at least "
		}
		fmt.Fprintf(&b, "%s %s: mean radius %s mm, extreme spread %s%s mm, %s", g.Letter, g.Accessory,
			num(fmt.Sprintf("groups.%d.all.mean_radius_mm.value", i), 0), least,
			num(fmt.Sprintf("groups.%d.all.extreme_spread_mm.value", i), 0), impacts(g.All.N))
		if g.Misses > 0 {
			fmt.Fprintf(&b, ", missed the board: %d", g.Misses)
		}
		if g.Without != nil {
			fmt.Fprintf(&b, "; by the outlier rule (%d left): extreme spread %s mm", g.Without.N,
				num(fmt.Sprintf("groups.%d.without.extreme_spread_mm.value", i), 0))
		}
		fmt.Fprintln(&b, ".")
	}
	fmt.Fprintln(&b)
	for _, c := range s.Comparisons {
		fmt.Fprintln(&b, c.Words)
	}
	if s.Rule.Words != "" {
		fmt.Fprintln(&b, s.Rule.Words)
	}
	if s.Session.DistanceText != "" {
		how := ""
		if s.Session.DistanceHow != "" {
			how = " (" + s.Session.DistanceHow + ")"
		}
		fmt.Fprintf(&b, "Distance %s%s. ", s.Session.DistanceText, how)
	}
	fmt.Fprintln(&b, "Sizes are centre to centre, measured from photos of the board.")
	for _, c := range s.Cautions {
		fmt.Fprintln(&b, c)
	}
	return b.String(), nil
}

func impacts(n int) string {
	if n == 1 {
		return "1 impact"
	}
	return fmt.Sprintf("%d impacts", n)
}

// BoardAlt is the alternative text of a picture of the whole board: what a person
// who does not see it needs to know.
func BoardAlt(s sheet.Summary) string {
	parts := []string{"Impacts on the ringed board, to scale."}
	for _, g := range s.Groups {
		parts = append(parts, fmt.Sprintf("%s %s: %s, extreme spread %s mm.", g.Letter, g.Accessory, impacts(g.All.N), whole(g.All.ExtremeSpreadMM)))
	}
	if len(s.Groups) == 0 {
		parts = append(parts, impacts(len(s.Impacts))+".")
	}
	return strings.Join(parts, " ")
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
