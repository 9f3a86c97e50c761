package calib

import "slices"

// medianInPlace sorts v and returns its median; 0 for none.
func medianInPlace(v []float64) float64 {
	n := len(v)
	if n == 0 {
		return 0
	}
	slices.Sort(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
