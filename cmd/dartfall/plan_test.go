package main

import (
	"regexp"
	"strings"
	"testing"
)

// A ratio of 1.5 needs 26 shots for 80% power at two-sided 5% by the F test (computed
// outside this project); the verdict of compare wants a tenth more.
func TestPlanCommand(t *testing.T) {
	out, errs, status := runWith(t, "", "plan", "--accessories", "North,Reed", "--ratio", "1.5")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "Shoot 29 shots with each accessory") || !regexp.MustCompile(`1\.5 +29 +26 `).MatchString(out) || !strings.Contains(out, "marshals") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	// Three shots have no power by the verdict's reckoning: null in JSON.
	if out, errs, status := runWith(t, "", "plan", "--accessories", "A,B", "--shots", "3", "--json"); status != statusDone || errs != "" || !strings.Contains(out, `"power": null`) {
		t.Errorf("three shots: status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	for _, args := range [][]string{{"plan"}, {"plan", "--accessories", "North"}, {"plan", "--accessories", "North,North"}, {"plan", "--accessories", "A,B", "--ratio", "0.5"}, {"plan", "--accessories", "A,B", "--shots", "2"}, {"plan", "--accessories", "A,B", "x"}, {"plan", "--accessories", "A,B", "--shots", "5", "--blocks", "9"}, {"plan", "--accessories", "A,B", "--shots", "0"}, {"plan", "--accessories", "A,B", "--shots", "5000"}} {
		if out, errs, status := runWith(t, "", args...); status != statusUsage || out != "" || errs == "" {
			t.Errorf("%v: status %d, stdout %q, stderr %q", args, status, out, errs)
		}
	}
}
