package scoring

import (
	"math"
	"testing"
)

// Full planar solution by Runge-Kutta, step 1e-4 s, computed outside this project; the
// last row is the closed form without drag, g x²/(2 v²).
func TestFly(t *testing.T) {
	tests := []struct{ v, k, x, time, drop, speed float64 }{
		{45.72, 0.0465537496, 10, 0.278572, 0.32807, 28.7784}, {45.72, 0.0465537496, 20, 0.723472, 1.93798, 18.5576},
		{45.72, 0.0465537496, 30, 1.451085, 6.88935, 13.6194}, {45.72, 0.02, 30, 0.900271, 3.28820, 25.8705},
		{60, 0.03, 30, 0.811847, 2.46162, 24.9090}, {45.72, 0, 30, 0.656168, 2.11116, 46.1706},
	}
	for _, tt := range tests {
		f, err := Fly(tt.v, tt.k, tt.x, 0)
		if err != nil || !near(f.TimeS, tt.time, 2e-6) || !near(f.DropM, tt.drop, 2e-5) || !near(f.SpeedMPS, tt.speed, 1e-4) || f.DriftM != 0 {
			t.Errorf("Fly(%v, %v, %v) = %+v, %v, want %v s, %v m, %v m/s", tt.v, tt.k, tt.x, f, err, tt.time, tt.drop, tt.speed)
		}
	}
	for _, bad := range [][4]float64{{0, 0, 30, 0}, {50, -1, 30, 0}, {50, 0.2, 200, 0}, {math.NaN(), 0, 30, 0}, {50, 0, 0, 0}} {
		if f, err := Fly(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("Fly(%v) = %+v, no error", bad, f)
		}
	}
}

// 1.1 g, 12.7 mm, Cd 0.67 (an assumption) at 30 m: computed outside this project, to
// two digits; its air density is not stated, and 1.20 kg/m³ (20 °C) is taken here.
// Drift is about wind·(time − distance/speed) (Didion's lag rule).
func TestFlightOfADart(t *testing.T) {
	k := Dart{1.1, 12.7, 0.67}.DragPerM(1.204)
	for _, tt := range []struct{ fps, time, drop, drift, per float64 }{{200, 1.07, 3.8, 0.58, 0.077}, {250, 0.86, 2.4, 0.46, 0.049}, {300, 0.71, 1.7, 0.38, 0.034}} {
		f, err := Fly(tt.fps*0.3048, k, 30, 1)
		per, err2 := HeightPerPercent(tt.fps*0.3048, k, 30)
		if err != nil || err2 != nil || !near(f.TimeS, tt.time, 0.012) || !near(f.DropM, tt.drop, 0.06) || !near(f.DriftM, tt.drift, 0.012) || !near(per, tt.per, 0.0015) {
			t.Errorf("%v fps: %+v, %v m per 1%%", tt.fps, f, per)
		}
	}
	// Reference case: k = 0.0465537496 1/m for 1.0 g, 12.7 mm, Cd 0.60, and back from
	// the two speeds 45.72 and 28.702905 m/s 10 m apart.
	if k := (Dart{1, 12.7, 0.6}).DragPerM(1.225); !near(k, 0.0465537496, 1e-9) {
		t.Errorf("k = %v", k)
	}
	if k, err := FitDrag(45.72, 28.702905, 10); err != nil || !near(k, 0.0465537496, 1e-8) {
		t.Errorf("FitDrag = %v, %v", k, err)
	}
	if _, err := FitDrag(40, 45, 10); err == nil {
		t.Error("a speed that rises: no error")
	}
}

// Closed forms for flat fire: t = (e^(kx) − 1)/(k v), v e^(−kx), and the drop
// g/(4k²v²)(e^(2kx) − 1 − 2kx). A dart too fast to fall far keeps to them.
func TestFlyFlatFire(t *testing.T) {
	const v, k, x = 900.0, 0.02, 30.0
	f, err := Fly(v, k, x, 0)
	if err != nil || !near(f.TimeS, math.Expm1(k*x)/(k*v), 1e-7) || !near(f.SpeedMPS, v*math.Exp(-k*x), 1e-3) ||
		!near(f.DropM, Gravity/(4*k*k*v*v)*(math.Exp(2*k*x)-1-2*k*x), 1e-7) {
		t.Errorf("%+v, %v", f, err)
	}
}

// The F limits of 7.3.2 of the NIST/SEMATECH e-Handbook (read): 3.347 at 0.95 for 10 and 8
// degrees of freedom, so a share of 1 from 11 readings and 9 shots reaches down to
// 1/3.347 at 90%.
func TestHeightShare(t *testing.T) {
	e := HeightShare(SDEstimate(70, 11, 0.90), 70, 9)
	if !near(e.Value, 1, 1e-12) || !near(e.Lo, 1/3.347, 1e-4) || !(e.Hi > 1) {
		t.Errorf("%+v", e)
	}
	sd := SDEstimate(35, 15, 0.95)
	if e := HeightShare(sd, 70, 0); !near(e.Value, 0.25, 1e-12) || !near(e.Hi, sd.Hi*sd.Hi/4900, 1e-12) {
		t.Errorf("without the group's shots: %+v", e)
	}
	if e := HeightShare(SDEstimate(35, 0, 0.95), 70, 15); e.HasInterval() || !near(e.Value, 0.25, 1e-12) {
		t.Errorf("without readings: %+v", e)
	}
}

// US Standard Atmosphere 1976 / ICAO Doc 7488: density by altitude (the 1000 m row
// stands in a published example) and of dry air at sea level by temperature.
func TestAirDensity(t *testing.T) {
	for h, want := range map[float64]float64{-200: 1.24869, 0: 1.22500, 500: 1.16727, 1000: 1.11164, 3000: 0.90912} {
		if got := AirDensity(StandardTemperature(h), h); !near(got, want, 6e-6) {
			t.Errorf("%v m: %v, want %v", h, got, want)
		}
	}
	for c, want := range map[float64]float64{-10: 1.34138, 0: 1.29227, 20: 1.20411, 35: 1.14549} {
		if got := AirDensity(c, 0); !near(got, want, 6e-6) {
			t.Errorf("%v °C: %v, want %v", c, got, want)
		}
	}
}
