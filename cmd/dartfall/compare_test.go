package main

import "testing"

// A chance reads neither as none nor as all, in tables and in sentences alike.
func TestChanceText(t *testing.T) {
	for p, want := range map[float64]string{0: "under 0.1%", 0.0009: "under 0.1%", 0.032: "3.2%", 0.4: "40%", 0.994: "99%", 0.996: "over 99%", 1: "over 99%"} {
		if got := chanceText(p); got != want {
			t.Errorf("chanceText(%v) = %q, want %q", p, got, want)
		}
	}
}
