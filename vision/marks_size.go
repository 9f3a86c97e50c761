package vision

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dartfall/calib"
	"dartfall/calib/photo"
)

// wrongSize checks the size given for the stickers against what the photo shows, where
// what was found with it is in doubt or crowded; false where nothing speaks against it, or
// nothing was found, as on a board before the first shot.
func wrongSize(p *photo.Photo, rect *calib.Rectification, face []Circle, opts MarkOptions, found []Mark, checks []Check) (Check, bool) {
	doubtful, touching := 0, 0 // a larger sticker may pass for several smaller ones
	for _, m := range found {
		if slices.Contains(m.Flags, Doubtful) {
			doubtful++
		}
		if slices.Contains(m.Flags, Touching) {
			touching++
		}
	}
	given := opts.SizeMM
	short := slices.ContainsFunc(checks, func(c Check) bool { return c.Level != Good })
	if given == 0 || opts.Bare || len(found) == 0 || !short && 10*doubtful < len(found) && 2*touching <= len(found) {
		return Check{}, false
	}
	opts.SizeMM = 0
	s, _, _ := newSearch(p, rect, face, opts)
	if s == nil {
		return Check{}, false
	}
	var seen []string
	fits := false
	for _, z := range s.sizes {
		wide := 2 * z.nominalMM
		like := math.Max(wide/given, given/wide) < sameSize
		fits = fits || like
		if !like && z.sure >= 3 { // a disc or two may be print
			seen = append(seen, fmt.Sprintf("%.0f", wide))
		}
	}
	if len(seen) == 0 {
		return Check{}, false
	}
	others := strings.Join(seen, " and ")
	c := Check{
		Name: "size", Value: given, Unit: "mm", Level: Refused,
		Words:  fmt.Sprintf("the stickers seem to be %s mm wide, not %g mm as given", others, given),
		Advice: "measure a sticker and the ring, or leave --sticker-size away",
	}
	if fits {
		c.Level, c.Words = Rough, fmt.Sprintf("stickers of %s mm seem to be there, not only of %g mm as given", others, given)
	}
	return c, true
}
