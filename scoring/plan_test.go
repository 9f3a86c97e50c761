package scoring

import (
	"reflect"
	"testing"
)

func TestOrder(t *testing.T) {
	names := []string{"North", "Reed", "Slate"}
	order, err := Order(names, 17, 3, 5)
	if err != nil || len(order) != 9 {
		t.Fatalf("%v, %v", order, err)
	}
	total, inBlock := map[string]int{}, map[int]map[string]bool{1: {}, 2: {}, 3: {}}
	for _, r := range order {
		total[r.Accessory] += r.Shots
		inBlock[r.Block][r.Accessory] = true
	}
	for _, n := range names {
		if total[n] != 17 || !inBlock[1][n] || !inBlock[2][n] || !inBlock[3][n] {
			t.Errorf("%s: %d shots, blocks %v", n, total[n], inBlock)
		}
	}
	again, _ := Order(names, 17, 3, 5)
	if !reflect.DeepEqual(order, again) {
		t.Error("same seed, other order")
	}
	differs := false
	for seed := uint64(6); seed < 12; seed++ {
		other, _ := Order(names, 17, 3, seed)
		differs = differs || !reflect.DeepEqual(order, other)
	}
	if !differs {
		t.Error("the seed does not matter")
	}
	for _, bad := range []struct {
		names         []string
		shots, blocks int
	}{{names[:1], 15, 3}, {[]string{"A", "A"}, 15, 3}, {names, 2, 3}, {names, 15, 0}} {
		if _, err := Order(bad.names, bad.shots, bad.blocks, 1); err == nil {
			t.Errorf("Order(%v): no error", bad)
		}
	}
}
