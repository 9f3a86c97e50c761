package scoring

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Gravity is the standard acceleration of gravity, m/s², exact by definition.
const Gravity = 9.80665

// Dart is what drag depends on. Cd is an assumption unless it was fitted: soft
// cylinders lie anywhere from 0.2 (round nose) to 0.9 (blunt).
type Dart struct {
	MassG, DiameterMM, Cd float64
}

// AirDensity returns kg/m³ of dry air at a temperature and an altitude up to 11 km:
// the pressure of the International Standard Atmosphere (ICAO Doc 7488) at that
// altitude, the temperature as given.
func AirDensity(celsius, altitudeM float64) float64 {
	pressure := 101325 * math.Pow((288.15-0.0065*altitudeM)/288.15, 5.255880)
	return pressure / (287.05287 * (celsius + 273.15))
}

// StandardTemperature is the temperature of the International Standard Atmosphere, °C.
func StandardTemperature(altitudeM float64) float64 { return 15 - 0.0065*altitudeM }

// DragPerM returns k of the deceleration k v², 1/m: ρ Cd A/(2 m).
func (d Dart) DragPerM(density float64) float64 {
	area := math.Pi / 4 * d.DiameterMM * d.DiameterMM * 1e-6
	return density * d.Cd * area / (2 * d.MassG / 1000)
}

// FitDrag returns k from the speeds at two points a distance apart: ln(v1/v2)/L. An
// error unless the speed falls.
func FitDrag(nearMPS, farMPS, apartM float64) (perM float64, err error) {
	if !(nearMPS > farMPS && farMPS > 0 && apartM > 0) {
		return 0, fmt.Errorf("drag needs a speed that falls from the near to the far chronograph")
	}
	return math.Log(nearMPS/farMPS) / apartM, nil
}

// Flight is a dart's state after a distance, having left level.
type Flight struct {
	DistanceM float64 `json:"distance_m"`
	TimeS     float64 `json:"time_s"`
	DropM     float64 `json:"drop_m"`
	SpeedMPS  float64 `json:"speed_mps"`
	DriftM    float64 `json:"drift_m"` // sideways, downwind
}

// Fly integrates a point mass with drag k v² along its motion through the air, from a
// level start: Runge-Kutta of order four over the distance. windMPS blows square
// across. An error when an argument is out of range or the dart all but stops first.
func Fly(speedMPS, dragPerM, distanceM, windMPS float64) (Flight, error) {
	if !(speedMPS > 0 && speedMPS < 1000 && dragPerM >= 0 && distanceM > 0 && distanceM <= 1000 && math.Abs(windMPS) < 100) {
		return Flight{}, fmt.Errorf("speed, drag, distance or wind is out of range")
	}
	// y, z, t, vx, vy, vz over x.
	type state [6]float64
	slope := func(s state) state {
		vx, vy, vz := s[3], s[4], s[5]
		air := math.Sqrt(vx*vx + vy*vy + (vz-windMPS)*(vz-windMPS))
		return state{vy / vx, vz / vx, 1 / vx, -dragPerM * air, (-dragPerM*air*vy - Gravity) / vx, -dragPerM * air * (vz - windMPS) / vx}
	}
	const steps = 1000
	h := distanceM / steps
	s := state{3: speedMPS}
	step := func(s, k state, f float64) state {
		for i := range s {
			s[i] += f * k[i]
		}
		return s
	}
	for range steps {
		k1 := slope(s)
		k2 := slope(step(s, k1, h/2))
		k3 := slope(step(s, k2, h/2))
		k4 := slope(step(s, k3, h))
		for i := range s {
			s[i] += h / 6 * (k1[i] + 2*k2[i] + 2*k3[i] + k4[i])
		}
		if !(s[3] > 0.02*speedMPS) {
			return Flight{}, fmt.Errorf("at this drag the dart does not carry %.0f m", distanceM)
		}
	}
	return Flight{distanceM, s[2], -s[0], math.Sqrt(s[3]*s[3] + s[4]*s[4] + s[5]*s[5]), s[1]}, nil
}

// HeightPerPercent returns how many metres lower the dart strikes for 1% less speed.
func HeightPerPercent(speedMPS, dragPerM, distanceM float64) (float64, error) {
	slow, err := Fly(0.995*speedMPS, dragPerM, distanceM, 0)
	if err != nil {
		return 0, err
	}
	fast, err := Fly(1.005*speedMPS, dragPerM, distanceM, 0)
	return slow.DropM - fast.DropM, err
}

// VelocitySigma returns the vertical sigma, mm, that a velocity deviation alone
// explains at a distance, with the interval of that deviation (sd: an Estimate in
// m/s).
func VelocitySigma(sd Estimate, speedMPS, dragPerM, distanceM float64) (Estimate, error) {
	per, err := HeightPerPercent(speedMPS, dragPerM, distanceM)
	if err != nil {
		return Estimate{}, err
	}
	e := sd.Scale(per * 1000 * 100 / speedMPS)
	e.Definition = "vertical sigma from the velocity deviation alone; interval of that deviation, drag taken as known"
	return e, nil
}

// HeightShare returns the share of a group's vertical variance that the velocity
// deviation alone explains, from VelocitySigma and the vertical sigma of a group of so
// many shots. The interval is that of a ratio of two variances (F distribution), as if
// the readings were of other shots; of the velocity alone when shots is below two.
func HeightShare(velocity Estimate, heightSigmaMM float64, shots int) Estimate {
	e := velocity
	square := func(v float64) float64 { return v * v / (heightSigmaMM * heightSigmaMM) }
	e.Value, e.Lo, e.Hi = square(velocity.Value), square(velocity.Lo), square(velocity.Hi)
	e.Definition = "share of the vertical variance that the velocity deviation alone explains; above 1 the two do not fit; interval of the velocity deviation"
	if velocity.HasInterval() && shots >= 2 {
		e.Definition += " and of the vertical sigma (F distribution)"
		ratio := distuv.F{D1: float64(velocity.N - 1), D2: float64(shots - 1)}
		e.Lo, e.Hi = e.Value/ratio.Quantile((1+e.Level)/2), e.Value/ratio.Quantile((1-e.Level)/2)
	}
	return e
}
