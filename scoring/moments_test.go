package scoring

import (
	"math"
	"testing"
)

// NIST Statistical Reference Datasets, univariate summary statistics: certified
// mean and standard deviation (read in the .dat files). The decimals of NumAcc3 and
// NumAcc4 are not exact in binary, so about 9 and 8 digits of the deviation are all
// that float64 can hold.
func TestMeanSDCertified(t *testing.T) {
	alternating := func(first, a, b float64) []float64 {
		xs := []float64{first}
		for range 500 {
			xs = append(xs, a, b)
		}
		return xs
	}
	tests := []struct {
		name          string
		xs            []float64
		mean, sd, tol float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-12},
		{"NumAcc2", alternating(1.2, 1.1, 1.3), 1.2, 0.1, 1e-12},
		{"NumAcc3", alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-9},
		{"NumAcc4", alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-8},
		{"Mavro", mavro, 2.00185600000000, 0.000429123454003053, 1e-12},
		{"Michelso", michelso, 299.852400000000, 0.0790105478190518, 1e-12},
	}
	for _, tt := range tests {
		mean, sd := MeanSD(tt.xs)
		if !near(mean, tt.mean, 1e-14*tt.mean) || !near(sd, tt.sd, tt.tol*tt.sd) {
			t.Errorf("%s: mean %.15g, sd %.15g, want %.15g, %.15g", tt.name, mean, sd, tt.mean, tt.sd)
		}
	}
	if mean, sd := MeanSD(nil); !math.IsNaN(mean) || !math.IsNaN(sd) {
		t.Errorf("MeanSD(nil) = %v, %v", mean, sd)
	}
}

var mavro = []float64{2.00180, 2.00170, 2.00180, 2.00190, 2.00180, 2.00170, 2.00150, 2.00140, 2.00150, 2.00150, 2.00170, 2.00180, 2.00180, 2.00190, 2.00190, 2.00210, 2.00200, 2.00160, 2.00140, 2.00130, 2.00130, 2.00150, 2.00150, 2.00160, 2.00150, 2.00140, 2.00130, 2.00140, 2.00150, 2.00140, 2.00150, 2.00160, 2.00150, 2.00160, 2.00190, 2.00200, 2.00200, 2.00210, 2.00220, 2.00230, 2.00240, 2.00250, 2.00270, 2.00260, 2.00260, 2.00260, 2.00270, 2.00260, 2.00250, 2.00240}

var michelso = []float64{299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93, 299.65, 299.76, 299.81, 300.00, 300.00, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84, 299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76, 299.80, 299.88, 299.88, 299.88, 299.86, 299.72, 299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84, 299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88, 299.72, 299.84, 299.85, 299.85, 299.78, 299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85, 299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87}
