package follow

import "math"

// assign pairs rows with columns, each once at most, so that the sum of gains is
// largest, and returns each row's column, -1 for none. A pair of gain 0 is no pair.
// It is the Hungarian method in the shortest-path form (Burkard, Dell'Amico and
// Martello, Assignment Problems, 2009, section 4.4), of order rows² × columns.
func assign(gain [][]float64) []int {
	rows := len(gain)
	if rows == 0 {
		return nil
	}
	columns := len(gain[0])
	// Columns 1 to n; those beyond the real ones mean "none" and cost nothing.
	n := columns + rows
	cost := func(i, j int) float64 {
		if j > columns {
			return 0
		}
		return -gain[i-1][j-1]
	}
	u, v := make([]float64, rows+1), make([]float64, n+1)
	row, way := make([]int, n+1), make([]int, n+1)
	for i := 1; i <= rows; i++ {
		row[0] = i
		at := 0
		least := make([]float64, n+1)
		done := make([]bool, n+1)
		for j := range least {
			least[j] = math.Inf(1)
		}
		for row[at] != 0 {
			done[at] = true
			step, next := math.Inf(1), 0
			for j := 1; j <= n; j++ {
				if done[j] {
					continue
				}
				if c := cost(row[at], j) - u[row[at]] - v[j]; c < least[j] {
					least[j], way[j] = c, at
				}
				if least[j] < step {
					step, next = least[j], j
				}
			}
			for j := 0; j <= n; j++ {
				if done[j] {
					u[row[j]] += step
					v[j] -= step
				} else {
					least[j] -= step
				}
			}
			at = next
		}
		for at != 0 {
			row[at] = row[way[at]]
			at = way[at]
		}
	}
	out := make([]int, rows)
	for i := range out {
		out[i] = -1
	}
	for j := 1; j <= columns; j++ {
		if i := row[j]; i > 0 && gain[i-1][j-1] > 0 {
			out[i-1] = j - 1
		}
	}
	return out
}
