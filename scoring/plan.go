package scoring

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"
)

// Round is one string of a shooting order: shots with one accessory in one block.
type Round struct {
	Block     int    `json:"block"` // counted from 1
	Accessory string `json:"accessory"`
	Shots     int    `json:"shots"`
}

// Order interleaves accessories in blocks: in every block each accessory is shot once,
// in a random order drawn from the seed, so that wind, light and wear load on all
// alike. shots per accessory are spread over the blocks as evenly as they go. An error
// for fewer than two or more than eight accessories, a name that comes twice, or more
// blocks than shots.
func Order(accessories []string, shots, blocks int, seed uint64) ([]Round, error) {
	if len(accessories) < 2 || len(accessories) > 8 {
		return nil, fmt.Errorf("a plan needs from two to eight accessories, not %d", len(accessories))
	}
	seen := map[string]bool{}
	for _, a := range accessories {
		if a == "" || seen[a] {
			return nil, fmt.Errorf("every accessory needs a name of its own, and %q is not", a)
		}
		seen[a] = true
	}
	if blocks < 1 || shots < blocks || shots > 2000 {
		return nil, fmt.Errorf("cannot spread %d shots over %d blocks", shots, blocks)
	}
	rng := rand.New(rand.NewPCG(seed, 20261125))
	var order []Round
	for b := range blocks {
		n := shots / blocks
		if b < shots%blocks {
			n++
		}
		for _, i := range rng.Perm(len(accessories)) {
			order = append(order, Round{b + 1, accessories[i], n})
		}
	}
	return order, nil
}

// Power is how often n shots per accessory would show a true ratio of sigmas as
// significant at two-sided alpha, by the F test; NaN unless ratio >= 1, n >= 2 and
// 0 < alpha < 1.
func Power(ratio float64, n int, alpha float64) float64 {
	return powerOf(ratio, float64(n), alpha)
}

// VerdictPower is how often n shots per accessory make Compare call a true ratio clear,
// which it does without trusting the model: Power at the fewer shots that the F test
// would want for that. In large groups it wants fewer by the ratio of the variances of
// ln(mean radius) and ln(sigma), (4/π − 1)/(1/4); one shot more is what simulation adds
// (internal/calibrate, 15 shots: within 0.02).
func VerdictPower(ratio float64, n int, alpha float64) float64 {
	return powerOf(ratio, float64(n-1)/(4*(4/math.Pi-1)), alpha)
}

func powerOf(ratio, n, alpha float64) float64 {
	if !(ratio >= 1) || !(n >= 2) || !(alpha > 0 && alpha < 1) {
		return math.NaN()
	}
	nu := 2*n - 2
	f := distuv.F{D1: nu, D2: nu}
	limit := f.Quantile(1 - alpha/2)
	r := ratio * ratio
	return f.Survival(limit/r) + f.CDF(1/limit/r)
}

// ShotsFor is the smallest n per accessory with Power at least power; false (and 0)
// when 2000 are not enough or the wish is nonsense.
func ShotsFor(ratio, power, alpha float64) (int, bool) { return fewest(Power, ratio, power, alpha) }

// VerdictShots is ShotsFor with VerdictPower.
func VerdictShots(ratio, power, alpha float64) (int, bool) {
	return fewest(VerdictPower, ratio, power, alpha)
}

func fewest(powerAt func(ratio float64, n int, alpha float64) float64, ratio, power, alpha float64) (int, bool) {
	const most = 2000
	if !(ratio > 1 && power > 0 && power < 1 && alpha > 0 && alpha < 1) || powerAt(ratio, most, alpha) < power {
		return 0, false
	}
	lo, hi := 1, most
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; powerAt(ratio, mid, alpha) >= power {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, true
}
