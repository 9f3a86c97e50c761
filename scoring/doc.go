// Package scoring turns impacts in millimetres into group sizes, comparisons and
// plans, each figure with its interval, its n and its definition. It refuses to
// know where the impacts came from: a photo, a typed list and a simulation are
// all the same to it. It never deletes a shot: rules return masks.
//
// # Frame and units
//
// Positions are millimetres on the board: origin at the ring centre, x to the
// right and y up as the shooter sees them. Sizes are millimetres from impact
// centre to impact centre; no dart diameter is added. Speeds are metres per
// second, masses grams, angles radians unless a name says otherwise.
//
// # Model
//
// Unless said otherwise a clean group is a circular bivariate normal: the two
// coordinates are independent, each with standard deviation sigma. Then the
// radius of one shot about the true centre is Rayleigh, n shots carry 2n-2
// degrees of freedom about sigma, and every size of a group is sigma times a
// number whose distribution depends on n alone. Intervals rest on that: for sigma
// the chi-square interval, for the other sizes the simulated distribution of
// size/sigma (sizes.go). An elliptical model is fitted beside it, with a test between
// the two, and another of whether either fits (model.go). Comparisons deal the shots
// anew and trust neither (permute.go).
//
// # Two kinds of doubt
//
// Estimate.Lo and Hi say how much another group of the same part could differ:
// sampling. Estimate.MeasureSigma says how well this group was measured. They are
// never mixed.
package scoring
