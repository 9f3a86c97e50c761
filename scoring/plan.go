package scoring

import (
	"fmt"
	"math/rand/v2"
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
