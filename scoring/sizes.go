package scoring

import (
	_ "embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"sync"
)

// sizesCSV holds the simulated distribution of size/sigma in clean round groups of
// n shots after the k widest are dropped: without a drop 400 000 groups a row to
// n = 60 and 40 000 above, with one 200 000 to n = 20, 60 000 to 60 and 10 000
// above. Written by internal/calibrate.
//
//go:generate sh -c "go run ./internal/calibrate sizes > sizes.new && mv sizes.new sizes.csv"
//go:embed sizes.csv
var sizesCSV string

// sizeStat names a size in the table.
type sizeStat string

const (
	statES     sizeStat = "es"     // extreme spread
	statMR     sizeStat = "mr"     // mean radius
	statSD     sizeStat = "sd"     // pooled deviation
	statWidth  sizeStat = "wd"     // width, and height
	statShrink sizeStat = "shrink" // 1 - spread after / spread before the drop
)

// sizeRow is one row of the table: a mean and quantiles at sizeLevels.
type sizeRow struct {
	n    int
	mean float64
	q    [7]float64
}

var sizeLevels = [7]float64{0.005, 0.025, 0.05, 0.5, 0.95, 0.975, 0.995}

type sizeKey struct {
	stat sizeStat
	k    int
}

var sizeTable = sync.OnceValue(func() map[sizeKey][]sizeRow {
	records, err := csv.NewReader(strings.NewReader(sizesCSV)).ReadAll()
	if err != nil {
		panic("scoring: sizes.csv: " + err.Error())
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			panic("scoring: sizes.csv: " + err.Error())
		}
		return v
	}
	table := map[sizeKey][]sizeRow{}
	for _, rec := range records[1:] {
		key := sizeKey{sizeStat(rec[0]), int(number(rec[2]))}
		row := sizeRow{n: int(number(rec[1])), mean: number(rec[3])}
		for i := range row.q {
			row.q[i] = number(rec[4+i])
		}
		table[key] = append(table[key], row)
	}
	return table
})

// sizeDistribution returns the row for n shots with k dropped, linear in log n
// between rows; false outside the table.
func sizeDistribution(stat sizeStat, n, k int) (sizeRow, bool) {
	rows := sizeTable()[sizeKey{stat, k}]
	for i, r := range rows {
		if r.n == n {
			return r, true
		}
		if r.n > n {
			if i == 0 {
				return sizeRow{}, false
			}
			a, b := rows[i-1], r
			t := math.Log(float64(n)/float64(a.n)) / math.Log(float64(b.n)/float64(a.n))
			out := sizeRow{n: n, mean: a.mean + t*(b.mean-a.mean)}
			for j := range out.q {
				out.q[j] = a.q[j] + t*(b.q[j]-a.q[j])
			}
			return out, true
		}
	}
	return sizeRow{}, false
}

// at returns the p-quantile; false unless p is tabulated.
func (r sizeRow) at(p float64) (float64, bool) {
	for i, l := range sizeLevels {
		if math.Abs(p-l) < 1e-9 {
			return r.q[i], true
		}
	}
	return math.NaN(), false
}

// sizeInterval bounds the mean of a size over many groups of the same n and k, from
// one observed value: value/sigma has a known distribution, so value·mean/q is a
// pivot. It needs 2 <= n-k, n <= 1000 (200 when k > 0) and a level of 0.90, 0.95 or
// 0.99.
func sizeInterval(stat sizeStat, value float64, n, k int, level float64) (lo, hi float64, ok bool) {
	row, ok := sizeDistribution(stat, n, k)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	qLo, okLo := row.at((1 - level) / 2)
	qHi, okHi := row.at((1 + level) / 2)
	if !okLo || !okHi {
		return math.NaN(), math.NaN(), false
	}
	return value * row.mean / qHi, value * row.mean / qLo, true
}
