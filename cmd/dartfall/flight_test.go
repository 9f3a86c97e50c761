package main

import (
	"strings"
	"testing"
)

func TestFlightCommand(t *testing.T) {
	out, errs, status := runWith(t, "", "flight", "--speed", "300fps", "--sd", "6fps", "--shots", "15", "--height-sigma", "80mm")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "Over 30 m the dart drops 1.74 m in 0.72 s") || !strings.Contains(out, "from Cd 0.40 to 0.90 the drop is 1.01 to 2.95 m.\n") || !strings.Contains(out, "marshals") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	for _, args := range [][]string{{"flight"}, {"flight", "--speed", "300"}, {"flight", "--speed", "300fps", "--far-speed", "310fps", "--apart", "5m"}, {"flight", "--speed", "300fps", "--cd", "9"},
		{"flight", "--speed", "300fps", "--sd", "6fps", "--shots", "-4"}, {"flight", "--speed", "300fps", "--height-sigma", "80mm"}, {"flight", "--speed", "300fps", "--apart", "5m"},
		{"flight", "--speed", "300fps", "--far-speed", "250fps", "--apart", "5m", "--cd", "0.6"}} {
		if out, errs, status := runWith(t, "", args...); status != statusUsage || out != "" || errs == "" {
			t.Errorf("%v: status %d, stdout %q, stderr %q", args, status, out, errs)
		}
	}
}
