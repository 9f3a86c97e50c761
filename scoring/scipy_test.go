package scoring

import "testing"

// Values computed outside this project with scipy 1.10.1 and numpy: scipy.stats.nct (its
// noncentrality solved by brentq), binomtest.proportion_ci(method="exact"), ttest_ind
// (equal_var=False), levene(center="median"), t.interval, f.ppf; Mardia's and Mauchly's
// statistics from their definitions with numpy's covariance.
func TestAgainstSciPy(t *testing.T) {
	var mps []float64
	for _, fps := range []float64{284, 287, 281, 290, 286, 279, 288, 292, 283, 285} {
		mps = append(mps, fps*FeetPerSecond.MPS())
	}
	over := *SummariseString(mps, 290*FeetPerSecond.MPS(), 0.95).ShareOver
	hits := Share(13, 15, 0.95, "hits")
	a, b := []float64{284, 287, 290, 281}, []float64{270, 275, 268, 280}
	_, welch, _, welchP, errWelch := Welch(a, b, 0.95)
	w, levene, errLevene := BrownForsythe(append(a, 286), append(b, 271))
	g, errGroup := Summarise(groupOf(g1...), nil, 0, Options{})
	if errWelch != nil || errLevene != nil || errGroup != nil {
		t.Fatal(errWelch, errLevene, errGroup)
	}
	b1, b2, _ := mardia(g1)
	for _, tt := range []struct {
		name      string
		got, want float64
	}{
		{"share above a cap", over.Value, 0.12904742304199301}, {"its low end", over.Lo, 0.027535157100989287}, {"its high end", over.Hi, 0.3792705926165869},
		{"13 of 15, low", hits.Lo, 0.5953973033966279}, {"13 of 15, high", hits.Hi, 0.9834240865599164},
		{"Welch's t", welch, 3.697016592984748}, {"its p", welchP, 0.012021482863500388},
		{"Brown-Forsythe W", w, 0.30120481927710846}, {"its p", levene, 0.5981073385686546},
		{"centre x, high", g.CentreX.Hi, 19.20984531657979}, {"centre y, high", g.CentreY.Hi, 20.9892212454737}, {"region of the centre", g.CentreRegion.Value, 23.713518095038},
		{"Mardia's skewness", b1, 0.28703072972815546}, {"Mardia's kurtosis", b2, 5.072884031444521}, {"Mauchly's p", g.Ellipse.RoundP, 0.8678372885655528},
	} {
		if !near(tt.got, tt.want, 1e-7*tt.want) {
			t.Errorf("%s = %.12g, want %.12g", tt.name, tt.got, tt.want)
		}
	}
}
