package main

import (
	"strings"
	"testing"
)

// A ratio of 1.5 needs 26 shots for 80% power at two-sided 5% (computed outside this
// project).
func TestPlanCommand(t *testing.T) {
	out, errs, status := runWith(t, "", "plan", "--accessories", "North,Reed", "--ratio", "1.5")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "Shoot 26 shots with each accessory") || !strings.Contains(out, "marshals") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	for _, args := range [][]string{{"plan"}, {"plan", "--accessories", "North"}, {"plan", "--accessories", "North,North"}, {"plan", "--accessories", "A,B", "--ratio", "0.5"}, {"plan", "--accessories", "A,B", "--shots", "2"}, {"plan", "--accessories", "A,B", "x"}, {"plan", "--accessories", "A,B", "--shots", "5", "--blocks", "9"}} {
		if out, errs, status := runWith(t, "", args...); status != statusUsage || out != "" || errs == "" {
			t.Errorf("%v: status %d, stdout %q, stderr %q", args, status, out, errs)
		}
	}
}
