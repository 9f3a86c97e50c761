package scoring

import "math"

// MOA is one minute of angle, 1/60 of a degree, in radians.
const MOA = math.Pi / 10800

// Angle returns the angle in radians that a size fills at a distance, both in the
// same unit: 2 atan(size/(2 distance)), which is exact for a size that stands
// square to the line of sight with its middle on it. It is NaN unless the distance
// is above zero.
func Angle(size, distance float64) float64 {
	if !(distance > 0) {
		return math.NaN()
	}
	return 2 * math.Atan(size/(2*distance))
}
