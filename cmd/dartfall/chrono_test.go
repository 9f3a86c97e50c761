package main

import (
	"strings"
	"testing"
)

func TestChronoCommand(t *testing.T) {
	const text = "North: two eighty four, 287, sorry, 286, same again, 2 .84, 281\nReed: 290 301 24 299 284287 295 298\n"
	out, errs, status := runWith(t, text, "chrono", "--cap", "300fps", "--mass", "1.1g", "-")
	if status != statusDone || errs != "" || !strings.HasPrefix(out, "North: 5 readings, on average 284.2 fps (with likely slips put right or set aside); none above the cap of 300 fps.") {
		t.Errorf("status %d, stderr %q, stdout:\n%s", status, errs, out)
	}
	for _, want := range []string{"taken back", "decimal point; likely 284", "dropped digit", "run together; likely 284 and 287", "1 of 7 above the cap", `line 2: "301" is above the cap`, "marshals"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	for _, args := range [][]string{{"chrono"}, {"chrono", "-", "--unit", "knots"}, {"chrono", "-", "--cap", "150"}, {"chrono", "-", "--mass", "heavy"}} {
		if out, errs, status := runWith(t, text, args...); status != statusUsage || out != "" || errs == "" {
			t.Errorf("%v: status %d, stdout %q, stderr %q", args, status, out, errs)
		}
	}
	out, _, _ = runWith(t, "284 285 skip 283 431", "chrono", "--shots", "5", "-")
	for _, want := range []string{"4 readings of 5 shots, on average 320.8 fps (1 suspect reading among them).", `1 shot without a reading: "skip" in line 1`, "far from the others"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	out, _, _ = runWith(t, "284 285 283\nand the Reed: 290 291 2 9 3", "chrono", "-")
	for _, want := range []string{"The string without a name against Reed: ", "put right", `"2" is suspect: digits split apart; likely 293 fps.`} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	if _, errs, status := runWith(t, "nothing", "chrono", "-"); status != statusFailed || !strings.Contains(errs, "no readings") {
		t.Errorf("status %d, stderr %q", status, errs)
	}
}

// Two readings lie equally far from their median, which is no sign of two spreads. Nor do
// readings that cannot be take anything from the other strings.
func TestChronoOfFewReadings(t *testing.T) {
	out, _, _ := runWith(t, "North: 283.5 285.1\nReed: 280 285\nSlate: 281 290 288 279 283\nTarn: 284 289 283 287 280", "chrono", "-")
	if strings.Count(out, "too few readings to compare the spreads") != 5 || strings.Contains(out, "spreads clearly") || strings.Count(out, "no difference visible in the spread (luck") != 1 {
		t.Errorf("two readings:\n%s", out)
	}
	out, _, status := runWith(t, "1st 284\n2nd 286\n3rd 281\n4th 285\nbattery changed 7.4V", "chrono", "-")
	if status != statusDone || !strings.HasPrefix(out, "4 readings, on average 284.0 fps.") {
		t.Errorf("ordinals: status %d\n%s", status, out)
	}
	out, _, status = runWith(t, "North: 284 286 281 285\nReed: 620 622 621", "chrono", "--mass", "1.1g", "-")
	if status != statusPartial || !strings.Contains(out, "mean J") || !strings.Contains(out, "4.12") {
		t.Errorf("one string that cannot be: status %d\n%s", status, out)
	}
}

// A list in m/s is read and shown so, with or without a mark of an editor in front.
func TestChronoTakesTheUnitOfTheList(t *testing.T) {
	for _, args := range [][]string{{"chrono", "-"}, {"chrono", "--unit", "fps", "-"}} {
		out, _, status := runWith(t, "\ufeffNorth: 86.4 86.9 87.2 86.1 m/s\n", args...)
		want := []string{"North: 4 readings, on average 86.7 m/s.", "all is read in m/s, the one unit that the list gives."}
		if len(args) > 2 {
			want = []string{"North: 4 readings, on average 284.3 fps.", "m/s stands with 1 of 4 readings and is taken for all", "4 readings written in m/s and shown in fps."}
		}
		for _, w := range want {
			if status != statusDone || !strings.Contains(out, w) {
				t.Errorf("%v: status %d, no %q in:\n%s", args, status, w, out)
			}
		}
	}
}

// Numbers that no foam dart has are said to be so, and nothing is made of them.
func TestChronoSaysWhatCannotBe(t *testing.T) {
	out, _, status := runWith(t, "284 285 286 283", "chrono", "--unit", "m/s", "--mass", "1.1g", "-")
	if status != statusPartial || !strings.Contains(out, "not plausible, see below") || !strings.Contains(out, "is its unit fps, not m/s?") || strings.Contains(out, "mean J") {
		t.Errorf("status %d:\n%s", status, out)
	}
	for _, args := range [][]string{{"chrono", "--mass", "1100g", "-"}, {"chrono", "--cap", "300m/s", "-"}} {
		if _, errs, status := runWith(t, "284 285", args...); status != statusUsage || !strings.Contains(errs, "not plausible for a foam dart") {
			t.Errorf("%v: status %d, %s", args, status, errs)
		}
	}
	out, _, status = runWith(t, "", "flight", "--speed", "300fps", "--far-speed", "299fps", "--apart", "5m")
	if status != statusPartial || !strings.HasPrefix(out, "Not to be relied on: these two speeds, 0.333% apart") {
		t.Errorf("flight: status %d\n%s", status, out)
	}
	if out, _, status = runWith(t, "", "flight", "--speed", "300fps", "--far-speed", "280fps", "--apart", "5m"); status != statusDone || strings.Contains(out, "relied") {
		t.Errorf("flight: status %d\n%s", status, out)
	}
}
