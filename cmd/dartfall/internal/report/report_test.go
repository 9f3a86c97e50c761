package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"dartfall/cmd/dartfall/internal/sheet"
)

func est(v float64) sheet.Estimate {
	return sheet.Estimate{Value: sheet.Number(v), Low: sheet.Number(v * 0.8), High: sheet.Number(v * 1.3), Level: 0.95}
}

func figures(n int, size float64) sheet.Figures {
	return sheet.Figures{N: n, OffsetMM: est(size / 3), ExtremeSpreadMM: est(4.1 * size), MeanRadiusMM: est(1.2 * size), SigmaMM: est(size),
		SigmaXMM: est(size), SigmaYMM: est(size), Radius50MM: est(1.17 * size), Radius90MM: est(2.1 * size), WidthMM: est(3 * size), HeightMM: est(3.2 * size)}
}

// sample is an invented session of three accessories.
func sample() sheet.Summary {
	s := sheet.Summary{Schema: sheet.SchemaID, Answer: "North is clearly tighter than Slate; North and Reed: no difference visible.",
		Session:  sheet.Session{Title: "Three <attachments> at 25 m", Date: "2026-05-16", DistanceText: "25m", DistanceHow: "tape", DistanceMM: 25000, SpeedUnit: "fps", CapMPS: 76.2},
		Cautions: sheet.Cautions(), Provenance: sheet.Provenance{Program: "dartfall", Version: "test"},
		Rule: sheet.OutlierRule{Kind: "drop", Drop: 2, Words: "The two widest shots of every group are set aside.", InForce: true, Stated: true, Decided: "before shooting"}}
	for i, name := range []string{"North", "Reed", "Slate"} {
		size := []float64{62.345678, 66.1, 165.9}[i]
		colour := []string{"blue", "orange", "purple"}[i]
		s.Accessories = append(s.Accessories, sheet.Accessory{Name: name, Letter: string(rune('A' + i)), StickerColour: colour,
			Obtained: "loan", Price: &sheet.Price{Amount: sheet.Number(10.25 + float64(i)), Delivery: 3.9, Delivered: sheet.Number(14.15 + float64(i)), Currency: "EUR", Date: "2026-05-01"}})
		without := figures(13, size*0.8)
		s.Groups = append(s.Groups, sheet.Group{Accessory: name, Letter: string(rune('A' + i)), Shots: 15, All: figures(15, size), Without: &without, ShrinkageByLuck: 0.24})
		s.Velocities = append(s.Velocities, sheet.Velocity{Accessory: name, N: 3, Readings: []sheet.Number{60.1, 61.25, sheet.Number(62 + float64(i))},
			MeanMPS: est(61.123), SDMPS: est(0.95), ESMPS: 2, MinMPS: 60.1, MaxMPS: 62, MeanJ: sheet.Unknown(), CapShare: est(0.01), HeightMM: est(40)})
		for k := range 15 {
			a := float64(k) * 2.4
			s.Impacts = append(s.Impacts, sheet.Impact{ID: strconv.Itoa(k), Photo: "a.jpg", Accessory: name, Source: sheet.Found, SetAside: map[bool]string{true: sheet.Outlier}[k > 12],
				XMM: sheet.Number(size * math.Cos(a) * float64(k) / 6), YMM: sheet.Number(size * math.Sin(a) * float64(k) / 6)})
		}
	}
	flyers := figures(14, 61.5)
	s.Groups[0].WithoutFlyers = &flyers
	s.Groups[2].Misses = 1
	s.Groups[2].All.ExtremeSpreadMM.AtLeast = true
	s.Groups[2].All.ExtremeSpreadMM.High = sheet.Unknown()
	s.Comparisons = []sheet.Comparison{
		{A: "North", B: "Slate", Tighter: "North", Verdict: sheet.ClearlyTighter, Words: "North is clearly tighter than Slate.", SigmaRatio: est(2.66), P: 0.0004, PAdjusted: 0.0012},
		{A: "North", B: "Reed", Tighter: "North", Verdict: sheet.NoDifference, Words: "No difference visible between North and Reed.", SigmaRatio: est(1.06), P: 0.7, PAdjusted: 0.7, ShotsToSettle: 900},
	}
	s.Flight = &sheet.Flight{Assumptions: "Drag coefficient 0.67 (assumed).", Rows: []sheet.FlightLine{{Accessory: "North", TimeS: est(0.86), DropMM: est(2400), DropPerPctMM: est(49), DriftPerMPSMM: est(460), DriftMM: est(370)}}}
	s.Photos = []sheet.Photo{{Name: "a.jpg", State: sheet.Measured, Taken: "2026-05-16T10:16:40", Rings: []sheet.Ring{{DiameterMM: 800}, {DiameterMM: 400}},
		Plane: &sheet.Plane{Method: "two or more rings", TiltDeg: 8.2, PxPerMM: 2.1, ResidualMM: 0.02}},
		{Name: "b.jpg", State: sheet.Refused, Reason: "No rings found.", Advice: "Show the whole board."}}
	s.Decisions = []sheet.Decision{{Words: "Moved a mark.", Reason: "sticker slipped", Fits: true, Time: "2026-05-17T20:00:00"}}
	return s
}

func render(t *testing.T, s sheet.Summary) string {
	t.Helper()
	b, err := HTML(s, []Picture{{"Main picture", "Three groups", "image/png", []byte{1, 2, 3}, true}, {"A photo", "The board", "image/png", []byte{4}, false}})
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Every number shown equals summary.json's at the path it names, and its text is
// that number rounded.
func TestNumbersEqualTheSummary(t *testing.T) {
	s := sample()
	page := render(t, s)
	raw, err := sheet.Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	shown := regexp.MustCompile(`<data value="([^"]*)" data-path="([^"]*)"( data-unit="fps")?>([^<]*)</data>`).FindAllStringSubmatch(page, -1)
	if len(shown) < 100 {
		t.Fatalf("%d figures, want more than 100", len(shown))
	}
	feet := 0
	for _, m := range shown {
		at := doc
		for _, k := range strings.Split(m[2], ".") {
			if list, ok := at.([]any); ok {
				i, _ := strconv.Atoi(k)
				at = list[i]
			} else {
				at = at.(map[string]any)[k]
			}
		}
		value, err := strconv.ParseFloat(m[1], 64)
		if err != nil || value != at.(float64) {
			t.Errorf("%s = %s, summary.json says %v", m[2], m[1], at)
		}
		if m[3] != "" { // 1 ft = 0.3048 m exactly, international yard and pound agreement of 1959
			value /= 0.3048
			feet++
		}
		text := strings.Replace(m[4], "−", "-", 1)
		got, err := strconv.ParseFloat(text, 64)
		decimals := 0
		if _, frac, ok := strings.Cut(text, "."); ok {
			decimals = len(frac)
		}
		if err != nil || !(math.Abs(got-value) <= 0.5000001*math.Pow10(-decimals)) {
			t.Errorf("%s is shown as %q, want %v rounded", m[2], m[4], value)
		}
	}
	if feet < 10 {
		t.Errorf("%d figures in fps, want the velocities of a session in fps", feet)
	}
	for _, want := range []string{"groups.2.all.extreme_spread_mm.value", "comparisons.0.p", "velocities.1.mean_mps.value", "flight.rows.0.drop_mm.value", "photos.0.plane.tilt_deg"} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %s", want)
		}
	}
}

// Cells hold no number but those by their path: names, times and notes apart.
func TestTablesHoldNoOtherNumbers(t *testing.T) {
	page := render(t, sample())
	page = regexp.MustCompile(`<data [^>]*>[^<]*</data>`).ReplaceAllString(page, "")
	cells := regexp.MustCompile(`(?s)<td>(.*?)</td>`).FindAllStringSubmatch(page, -1)
	if len(cells) < 50 {
		t.Fatalf("%d cells, want more than 50", len(cells))
	}
	tags := regexp.MustCompile(`(?s)<span class="iv">[0-9-]{10}</span>|<svg.*?</svg>|<[^>]*>`) // an ISO day is no figure
	for _, c := range cells {
		if text := tags.ReplaceAllString(c[1], " "); strings.ContainsAny(text, "0123456789") {
			t.Errorf("a cell holds a number of its own: %q", text)
		}
	}
}

func TestWordsAndOrder(t *testing.T) {
	page := render(t, sample())
	_, body, _ := strings.Cut(page, "<body>")
	text := strings.Join(strings.Fields(html.UnescapeString(regexp.MustCompile(`<style>.*?</style>|<[^>]*>`).ReplaceAllString(body, " "))), " ")
	if !strings.HasPrefix(text, sample().Answer) {
		t.Errorf("the report starts with %.80q, want the answer", text)
	}
	for _, want := range []string{"at least 680", "No rings found. Show the whole board.", "Moved a mark. Reason: sticker slipped", "Foam darts can injure eyes", "Three <attachments> at 25 m"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	// Prices beside the settled difference alone.
	if !strings.Contains(page, "accessories.2.price.delivered") || strings.Contains(page, "accessories.1.price") {
		t.Error("prices must stand beside North and Slate and not beside Reed")
	}
	s := sample()
	s.Comparisons[0].Verdict = sheet.Leaning
	if page := render(t, s); strings.Contains(page, "price.delivered") {
		t.Error("a price stands beside a difference that is not settled")
	}
	if a, b := render(t, sample()), render(t, sample()); a != b {
		t.Error("two runs differ")
	}
}

// Nothing is fetched: no address, no script; names cannot become markup.
func TestClosedFile(t *testing.T) {
	s := sample()
	s.Accessories[0].Name = `<script>alert(1)</script>`
	s.Groups[0].Accessory = s.Accessories[0].Name
	page := render(t, s)
	for _, bad := range []string{"<script", "http://", "https://", "url(", "@import", "<iframe", "<form"} {
		if strings.Contains(page, bad) {
			t.Errorf("the report holds %q", bad)
		}
	}
	if _, err := HTML(s, []Picture{{Type: "text/html"}}); err == nil {
		t.Error("a picture of type text/html: no error")
	}
}

// An archive's groups are listed below each other, each with its own figures.
func TestManyGroups(t *testing.T) {
	s := sample()
	for i := range 40 {
		s.Groups = append(s.Groups, sheet.Group{Accessory: fmt.Sprintf("photo %d", i), All: figures(5, 50)})
	}
	page := render(t, s)
	if n := strings.Count(page, `<th scope="col">`); n > 60 {
		t.Errorf("%d column headings", n)
	}
	if !strings.Contains(page, "groups.42.all.mean_radius_mm.value") {
		t.Error("the last group has no mean radius")
	}
}

// Boards of several photos without strings are not drawn on each other.
func TestPhotosWithoutStringsShareNoBoard(t *testing.T) {
	s := sample()
	if !strings.Contains(render(t, s), `<svg class="board"`) {
		t.Error("one photo's board is not drawn")
	}
	s.Photos[1].Plane = s.Photos[0].Plane
	if strings.Contains(render(t, s), `<svg class="board"`) {
		t.Error("two photos without strings are drawn as one board")
	}
	s.Strings = []sheet.String{{Name: "1 North"}}
	if !strings.Contains(render(t, s), `<svg class="board"`) {
		t.Error("the strings of a session are not drawn")
	}
}

func TestEmptyAndUnknown(t *testing.T) {
	for _, s := range []sheet.Summary{{}, {Groups: []sheet.Group{{Accessory: "North", All: sheet.Figures{N: 1, ExtremeSpreadMM: sheet.Estimate{Value: sheet.Unknown(), Low: sheet.Unknown(), High: sheet.Unknown()}}}}}} {
		page := render(t, s)
		if strings.Contains(page, "NaN") || strings.Contains(page, "Inf") {
			t.Error("the report shows NaN or Inf")
		}
	}
}

func TestDescription(t *testing.T) {
	got, err := Description(sample())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"A North: mean radius 75 mm, extreme spread 256 mm, 15 impacts; by the outlier rule (13 left): mean radius 60 mm, extreme spread 204 mm", // 1.2 and 4.1 times 62.345678, and 0.8 times that
		"C Slate: mean radius 199 mm, extreme spread at least 680 mm, 15 impacts, missed the board: 1;", "Distance 25m (tape)", "Decided before shooting.", "B Reed was on loan.", "Foam darts can injure eyes"} {
		if !strings.Contains(got, want) {
			t.Errorf("the description lacks %q:\n%s", want, got)
		}
	}
	for moved, want := range map[bool]string{false: "Impacts on the ringed board", true: "The groups moved to a common centre"} {
		alt := PictureAlt(sample(), moved)
		if !strings.HasPrefix(alt, want) || !strings.Contains(alt, "C Slate: 15 impacts, missed the board: 1, mean radius 199 mm, extreme spread at least 680 mm.") || !strings.HasSuffix(alt, sample().Answer) {
			t.Errorf("alternative text = %q", alt)
		}
	}
}

// Shots that left neither mark nor stated miss are told apart from stated misses.
func TestUnaccountedShots(t *testing.T) {
	s := sample()
	if page := render(t, s); strings.Contains(page, "Without a mark") {
		t.Error("a row of shots without a mark, where there is none")
	}
	s.Groups[0].Unaccounted = 2
	s.Groups[0].All.MeanRadiusMM.AtLeast, s.Groups[0].All.MeanRadiusMrad = true, 3.1
	page := render(t, s)
	for _, want := range []string{"Missed the board, as stated", `Without a mark, counted as missing the board</th><td><data value="2" data-path="groups.0.unaccounted">2<`,
		`at least <data value="3.1" data-path="groups.0.all.mean_radius_mrad">`} {
		if !strings.Contains(page, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	if alt := PictureAlt(s, false); !strings.Contains(alt, "A North: 15 impacts, without a mark and counted as missing the board: 2, mean") || !strings.Contains(alt, "C Slate: 15 impacts, missed the board: 1, mean") {
		t.Errorf("alternative text %q", alt)
	}
}

// Nothing is said that nobody stated: of stickers where there are bare marks, of shots
// set aside where none were, of how many units on how many days.
func TestNothingUnstated(t *testing.T) {
	s := sample()
	for i := range s.Impacts {
		s.Impacts[i].Kind = "bare"
	}
	page := render(t, s)
	for i := range s.Groups {
		s.Groups[i].Without = nil
	}
	text, err := Description(s)
	if err != nil {
		t.Fatal(err)
	}
	for where, not := range map[string]string{text: "are set aside", page: "put on by hand", page + text: "ne unit of each"} {
		if strings.Contains(where, not) {
			t.Errorf("%q without cause", not)
		}
	}
	if page := render(t, s); !strings.Contains(page, "Nothing is set aside: no group has shots enough.") || strings.Contains(page, "The same rule for every accessory") {
		t.Error("the report shows figures by a rule that set nothing aside")
	}
	if page := render(t, sample()); !strings.Contains(page, "put on by hand") || strings.Contains(page, "Nothing is set aside") {
		t.Error("stickers, and nothing of placing them")
	}
}

func TestRound(t *testing.T) {
	for _, test := range []struct {
		f        float64
		decimals int
		want     string
	}{
		{298.4, 0, "298"}, {-0.2, 0, "0"}, {-1.25, 1, "−1.2"}, {0.0004, -2, "0.00040"}, {0.7, -2, "0.70"}, {0, -2, "0"}, {1e-9, -2, "0.000000"}, {123.4, -2, "123"},
	} {
		if got := round(test.f, test.decimals); got != test.want {
			t.Errorf("round(%v, %d) = %q, want %q", test.f, test.decimals, got, test.want)
		}
	}
}

func BenchmarkHTML(b *testing.B) {
	s := sample()
	for b.Loop() {
		out, err := HTML(s, nil)
		if err != nil || !bytes.Contains(out, []byte("North")) {
			b.Fatal(err)
		}
	}
}

// An axis about nought shows it without a sign.
func TestTicksHaveNoMinusNought(t *testing.T) {
	for _, tick := range ticks(-0.1, 3) {
		if tick == 0 && math.Signbit(tick) {
			t.Error("-0 on the axis")
		}
	}
}
