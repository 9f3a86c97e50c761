package units

import (
	"math"
	"strings"
	"testing"
)

// Factors: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 yd = 0.9144 m, exact since the
// international yard and pound agreement of 1959 (Abramowitz & Stegun, table 2.4).
// 30 m is called 100 ft in the trade (common practice, no source): 100 ft are
// 30.48 m, 1.6% more.
func TestLength(t *testing.T) {
	tests := []struct {
		in string
		mm float64
	}{
		{"800mm", 800}, {"80 cm", 800}, {"0,8 m", 800}, {"0.8m", 800}, {".8 m", 800}, {"39 in", 990.6}, {`39"`, 990.6},
		{"2 ft", 609.6}, {"30yd", 27432}, {"100 ft", 30480}, {"30 m", 30000}, {"  1 M ", 1000}, {"39 3/8 in", 1000.125},
		{"3/8 in", 9.525}, {"2 ft 6 in", 762}, {`2'6"`, 762}, {"2′ 6½ in", math.NaN()}, {"0,800 m", 800}, {"800,5mm", 800.5},
		{"1e3mm", 1000}, {"80\u00a0cm", 800}, {"1000,25 mm", 1000.25}, {"19 MM", 19}, {"1 metre", 1000},
	}
	for _, tt := range tests {
		got, err := Length(tt.in)
		if math.IsNaN(tt.mm) {
			if err == nil {
				t.Errorf("Length(%q) = %v, want an error", tt.in, got)
			}
			continue
		}
		if err != nil || !(math.Abs(got-tt.mm) <= 1e-9*tt.mm) {
			t.Errorf("Length(%q) = %v, %v, want %v", tt.in, got, err, tt.mm)
		}
	}
}

func TestSpaced(t *testing.T) {
	for in, want := range map[string]string{"25m": "25 m", "25 m": "25 m", "82ft": "82 ft", "2 ft 6 in": "2 ft 6 in", "25": "25", "m": "m", "": "", "0,8m": "0,8 m", `39"`: `39"`} {
		if got := Spaced(in); got != want {
			t.Errorf("Spaced(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestLengthErrorsNameTheRemedy(t *testing.T) {
	tests := []struct{ in, want string }{
		{"", "800mm"}, {"800", "unit is missing"}, {"mm", "no number"}, {"800 furlongs", "unknown unit"},
		{"0mm", "more than zero"}, {"-5mm", "more than zero"}, {"1,000mm", "could mean 1000 or 1.000"},
		{"200,400mm", "give each item of a list its unit"}, {"1e400mm", "cannot read"}, {"1e300 m", "too large"},
		{"nan mm", "no number"}, {"inf mm", "no number"}, {"800±1mm", "no ± is expected"}, {"1/0 in", "fraction"},
		{"2 ft 6 cm", "only inches"}, {"2 ft 6", "only inches"}, {"8 00mm", "cannot read"}, {"1.2.3mm", "cannot read"},
		{"39 9/8 in", "cannot read"}, {"20 C", "unknown unit"},
	}
	for _, tt := range tests {
		got, err := Length(tt.in)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Length(%q) = %v, %v, want an error with %q", tt.in, got, err, tt.want)
		}
	}
}

func TestLengthTolerance(t *testing.T) {
	tests := []struct {
		in      string
		mm, tol float64
		wantErr string
	}{
		{in: "800±1mm", mm: 800, tol: 1},
		{in: "800+-1mm", mm: 800, tol: 1},
		{in: "800 +/- 1 mm", mm: 800, tol: 1},
		{in: "800mm ± 1mm", mm: 800, tol: 1},
		{in: "80cm±0,5mm", mm: 800, tol: 0.5},
		{in: "800mm±1", mm: 800, tol: 1},
		{in: "39 3/8 ± 1/16 in", mm: 1000.125, tol: 1.5875},
		{in: "800mm", mm: 800},
		{in: "800mm±0mm", mm: 800},
		{in: "800±mm", wantErr: "after the ±"},
		{in: "800±1", wantErr: "unit is missing"},
		{in: "±1mm", wantErr: "nothing here"},
		{in: "800±900mm", wantErr: "smaller than the value"},
		{in: "800±-1mm", wantErr: "at least zero"},
	}
	for _, tt := range tests {
		mm, tol, err := LengthTolerance(tt.in)
		if tt.wantErr != "" {
			if err == nil || !strings.Contains(err.Error(), tt.wantErr) {
				t.Errorf("LengthTolerance(%q) = %v, %v, %v, want an error with %q", tt.in, mm, tol, err, tt.wantErr)
			}
			continue
		}
		if err != nil || !(math.Abs(mm-tt.mm) <= 1e-9) || !(math.Abs(tol-tt.tol) <= 1e-9) {
			t.Errorf("LengthTolerance(%q) = %v, %v, %v, want %v, %v", tt.in, mm, tol, err, tt.mm, tt.tol)
		}
	}
}

func TestLengths(t *testing.T) {
	tests := []struct {
		in   string
		want []float64
	}{
		{"200mm,400mm", []float64{200, 400}},
		{"200 mm, 400 mm, 60cm", []float64{200, 400, 600}},
		{"0,2m, 0,4m", []float64{200, 400}},
		{"0,2m;0,4m", []float64{200, 400}},
		{"800mm", []float64{800}},
		{"200mm 400mm\t600mm ", []float64{200, 400, 600}},
		{"0,2 m  0,4 m, 60 cm", []float64{200, 400, 600}},
		{`8" 15 3/4 in 2 ft 6 in, 3' 2" 4 ft`, []float64{203.2, 400.05, 762, 965.2, 1219.2}},
	}
	for _, tt := range tests {
		got, err := Lengths(tt.in)
		if err != nil || len(got) != len(tt.want) {
			t.Errorf("Lengths(%q) = %v, %v, want %v", tt.in, got, err, tt.want)
			continue
		}
		for i := range got {
			if !(math.Abs(got[i]-tt.want[i]) <= 1e-9) {
				t.Errorf("Lengths(%q) = %v, want %v", tt.in, got, tt.want)
			}
		}
	}
	for _, in := range []string{"", "200mm,", "200mm,,400mm", "200,400", "200,400mm", "200 400mm", "2 ft 3 ft", "200mm x 400mm"} {
		if got, err := Lengths(in); err == nil {
			t.Errorf("Lengths(%q) = %v, want an error", in, got)
		}
	}
	for _, in := range []string{"200±0.5mm, 40cm±1mm, 800mm", "200 ± 0.5 mm 40 cm +- 1 mm 800 mm"} {
		mm, tol, err := LengthsTolerance(in)
		if err != nil || len(mm) != 3 || len(tol) != 3 || mm[1] != 400 || tol[0] != 0.5 || tol[1] != 1 || tol[2] != 0 {
			t.Errorf("LengthsTolerance(%q) = %v, %v, %v", in, mm, tol, err)
		}
	}
}

// 100 ft/s = 30.48 m/s exactly; 32 F = 0 C and 212 F = 100 C by definition; the
// grain is 64.79891 mg (International yard and pound agreement, 1959).
func TestOtherQuantities(t *testing.T) {
	tests := []struct {
		name string
		read func(string) (float64, error)
		in   string
		want float64
	}{
		{"speed", Speed, "100fps", 30.48}, {"speed", Speed, "100 ft/s", 30.48}, {"speed", Speed, "45,72 m/s", 45.72},
		{"speed", Speed, "36 km/h", 10}, {"wind", Wind, "0 m/s", 0}, {"wind", Wind, "-2 m/s", -2},
		{"mass", Mass, "1,1 g", 1.1}, {"mass", Mass, "1000mg", 1}, {"mass", Mass, "10 gr", 0.6479891},
		{"temperature", Temperature, "20 C", 20}, {"temperature", Temperature, "−5 °C", -5}, {"temperature", Temperature, "20° C", 20},
		{"temperature", Temperature, "32F", 0}, {"temperature", Temperature, "212 °F", 100}, {"temperature", Temperature, "300 K", 26.85},
		{"altitude", Altitude, "-100m", -100}, {"altitude", Altitude, "1000 ft", 304.8}, {"altitude", Altitude, "0m", 0},
	}
	for _, tt := range tests {
		got, err := tt.read(tt.in)
		if err != nil || !(math.Abs(got-tt.want) <= 1e-9) {
			t.Errorf("%s %q = %v, %v, want %v", tt.name, tt.in, got, err, tt.want)
		}
	}
	for _, bad := range []string{"20", "20 mm", "-300 C", "warm"} {
		if got, err := Temperature(bad); err == nil {
			t.Errorf("Temperature(%q) = %v, want an error", bad, got)
		}
	}
	if got, err := Speed("0fps"); err == nil {
		t.Errorf("Speed(0fps) = %v, want an error", got)
	}
}

func TestFormats(t *testing.T) {
	for _, tt := range []struct {
		got, want string
	}{
		{Size(7.44), "7.4 mm"}, {Size(383.6), "384 mm"}, {Size(1123.4), "112.3 cm"}, {Size(-12), "-12 mm"}, {Size(math.NaN()), "–"},
		{Size(9.97), "10 mm"}, {Size(999.7), "100.0 cm"}, {Distance(30000), "30 m"}, {Distance(30480), "30.48 m"}, {Exact(800), "800mm"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
	if got := FPS(30.48); !(math.Abs(got-100) <= 1e-12) {
		t.Errorf("FPS(30.48) = %v, want 100", got)
	}
}

// Whatever is typed gives a finite value above zero or an error; what Exact writes
// reads back as the same number.
func FuzzLengths(f *testing.F) {
	for _, s := range []string{"200mm,400mm", "0,8 m", "800±1mm", "39 3/8 in", `2'6"`, "1e3mm;2ft", "±", "1,000mm", "°", "5e mm", "3/ in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		mm, tol, err := LengthsTolerance(s)
		if err != nil {
			if mm != nil || err.Error() == "" {
				t.Fatalf("LengthsTolerance(%q) = %v with error %v", s, mm, err)
			}
			return
		}
		for i := range mm {
			if !(mm[i] > 0 && mm[i] <= 1e12) || !(tol[i] >= 0 && tol[i] < mm[i]) {
				t.Fatalf("LengthsTolerance(%q) = %v ± %v", s, mm, tol)
			}
			if back, err := Length(Exact(mm[i])); err != nil || back != mm[i] {
				t.Fatalf("Length(Exact(%v)) = %v, %v", mm[i], back, err)
			}
		}
	})
}

func FuzzQuantities(f *testing.F) {
	for _, s := range []string{"20 C", "150fps", "1.1g", "-3m", "−5 °C", "feet per second"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, read := range []func(string) (float64, error){Speed, Wind, Mass, Temperature, Altitude} {
			if v, err := read(s); math.IsNaN(v) || math.IsInf(v, 0) || err != nil && v != 0 {
				t.Fatalf("read(%q) = %v, %v", s, v, err)
			}
		}
	})
}
