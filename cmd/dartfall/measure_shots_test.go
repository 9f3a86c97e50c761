package main

import (
	"slices"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/session"
	"dartfall/vision"
)

// What a photo should show is what was shot since the last fresh face, less the stated
// misses; where that is not known, nothing is expected.
func TestCountsOn(t *testing.T) {
	ses := session.Session{
		Accessories: []session.Accessory{{Name: "North", Sticker: "red"}, {Name: "Reed", Sticker: "blue"}, {Name: "Slate", Sticker: "red"}},
		Strings: []session.String{
			{Accessory: "North", Photo: "1.jpg", Shots: 15, Misses: 2},
			{Accessory: "Reed", Photo: "2.jpg", Shots: 10},
			{Accessory: "Slate", Photo: "3.jpg", Shots: 5},
			{Accessory: "North", Photo: "4.jpg", Shots: 6, Fresh: true},
			{Accessory: "Reed", Photo: "5.jpg"},
		},
	}
	start := ses
	start.Board.Start = "0.jpg"
	plain := ses
	plain.Accessories = []session.Accessory{{Name: "North"}, {Name: "Reed", Sticker: "blue"}, {Name: "Slate", Sticker: "red"}}
	count := func(colour string, n int) vision.ColourCount { return vision.ColourCount{Colour: colour, Stickers: n} }
	for _, c := range []struct {
		name  string
		ses   *session.Session
		photo string
		want  []vision.ColourCount
	}{
		{"first string", &ses, "1.jpg", []vision.ColourCount{count("red", 13)}},
		{"two colours", &ses, "2.jpg", []vision.ColourCount{count("red", 13), count("blue", 10)}},
		{"one colour again", &ses, "3.jpg", []vision.ColourCount{count("red", 18), count("blue", 10)}},
		{"fresh face", &ses, "4.jpg", []vision.ColourCount{count("red", 6)}},
		{"a string that does not say", &ses, "5.jpg", []vision.ColourCount{count("red", 6)}},
		{"photo of no string", &ses, "clean.jpg", nil},
		{"marks from the start", &start, "2.jpg", nil},
		{"an accessory without a colour", &plain, "1.jpg", nil},
	} {
		if got := (job{session: c.ses}).countsOn(c.photo); !slices.Equal(got, c.want) {
			t.Errorf("%s: countsOn(%s) = %v, want %v", c.name, c.photo, got, c.want)
		}
	}
	bare := job{session: &ses}
	bare.opts.Marks.Bare = true
	if got := bare.countsOn("1.jpg"); got != nil {
		t.Errorf("bare marks: %v, want none", got)
	}
}

// demo-1 shows 15 blue stickers: a sixteenth shot is accounted for nowhere, and sizes
// become lower bounds; a fifteenth mark of 14 declared is not removed.
func TestMeasureShots(t *testing.T) {
	args := []string{"measure", "--ring", "800mm", "--stickers", "blue", "--out", t.TempDir(), demoPhoto("demo-1.jpg"), "--shots"}
	for _, c := range []struct {
		shots, say string
		status     int
	}{
		{"blue=16", "16 shots declared, 15 marks and 0 stated misses found: 1 shot unaccounted for", statusDone},
		{"14", "15 blue stickers are seen where 14 were declared: none is left out", statusPartial},
		{"14", "15 impacts in 1 group on 1 photo; but blue has more marks (15) than shots stated (14).", statusPartial},
	} {
		status, out, errs := call(append(args, c.shots)...)
		if status != c.status || !strings.Contains(out, c.say) {
			t.Errorf("--shots %s: status %d, want %q in\n%s%s", c.shots, status, c.say, out, errs)
		}
	}
	status, out, _ := call(append(args, "15")...)
	if status != statusDone || strings.Contains(out, "declared") {
		t.Errorf("--shots 15 of 15: status %d, output\n%s", status, out)
	}
}
