package scoring

import (
	"fmt"
	"math"
)

// unitNow is the unit of a number here that has none of its own.
func (p *parser) unitNow() SpeedUnit {
	for _, scope := range []int{p.current, -1} {
		if a := p.ahead[scope]; a != nil {
			return a.unit
		}
	}
	return p.unit
}

// unitAhead is the unit that stands before the number at hand, "" for none.
func (p *parser) unitAhead() SpeedUnit {
	for _, scope := range []int{p.current, -1} {
		if a := p.ahead[scope]; a != nil {
			a.used = true
			return a.unit
		}
	}
	return ""
}

// inUnit gives the number before it its unit; without one on the line, the unit is that of
// the numbers behind it: those of a string without readings yet, else of the whole list.
func (p *parser) inUnit(text string, u SpeedUnit) {
	switch {
	case p.dropped:
		p.dropped = false
	case p.pending != nil:
		p.pending.Unit = u
		if u != p.unit {
			p.pending.Text += " " + text
		}
	case p.readOnLine():
		rs := p.string().Readings
		rs[len(rs)-1].Unit = u
	case p.current >= 0 && p.out[p.current].Name != "" && (len(p.out[p.current].Readings) == 0 || p.tagged):
		p.ahead[p.current] = &aheadUnit{unit: u}
	default:
		p.ahead[-1] = &aheadUnit{unit: u}
	}
}

// muchFarther is by which factor readings of one string never differ; the units do by 3.28.
const muchFarther = 1.5

// resolveUnits gives readings without a unit that of the others of their string, or of the
// list, where they are as large, says so, and turns all into the unit of the list.
func (p *parser) resolveUnits() {
	var all []float64 // as written, with a unit
	one := onlyUnit(p.out)
	for _, s := range p.out {
		with, _ := writtenValues(s.Readings)
		all = append(all, with...)
	}
	for i := range p.out {
		s := &p.out[i]
		with, without := writtenValues(s.Readings)
		u := onlyUnit(p.out[i : i+1])
		last := SpeedUnit("") // written behind all
		for _, scope := range []int{i, -1} {
			if a := p.ahead[scope]; a != nil && !a.used && last == "" {
				last = a.unit
			}
		}
		switch {
		case len(without) == 0:
		case last != "":
			s.fill(last, p.unit, fmt.Sprintf("%s stands behind the readings and is taken for all that have no unit", last))
		case len(with) > 0 && u != "" && u != p.unit:
			s.fillLike(with, without, u, p.unit, fmt.Sprintf("%s stands with %d of %s", u, len(with), count(len(s.Readings), "reading")))
		case len(with) == 0 && one != "" && one != p.unit:
			s.fillLike(all, without, one, p.unit, fmt.Sprintf("%s stands with other strings alone", one))
		}
		s.onceInBothUnits()
		for k := range s.Readings {
			s.Readings[k].convert(p.unit)
		}
	}
}

// onceInBothUnits takes away the second of two neighbours on a line that are one speed in
// two units, and says so.
func (s *ReadingString) onceInBothUnits() {
	const rounding = 0.01
	twice := 0
	var rs []Reading
	for _, r := range s.Readings {
		if n := len(rs); n > 0 && r.Unit != "" && rs[n-1].Unit != "" && r.Unit != rs[n-1].Unit && r.Line == rs[n-1].Line && !r.Corrected &&
			math.Abs(r.Value*r.Unit.MPS()/(rs[n-1].Value*rs[n-1].Unit.MPS())-1) < rounding {
			twice++
			continue
		}
		rs = append(rs, r)
	}
	if twice > 0 {
		s.Readings = rs
		s.Notes = append(s.Notes, fmt.Sprintf("%s written in both units counted once", count(twice, "reading")))
	}
}

// fillLike gives the readings without a unit the unit u that others have, where they are as
// large as written; where they are so converted, u is not theirs; else nobody can tell.
func (s *ReadingString) fillLike(with, without []float64, u, unit SpeedUnit, why string) {
	ratio := Median(without) / Median(with)
	same, converted := math.Abs(math.Log(ratio)), math.Abs(math.Log(ratio*unit.MPS()/u.MPS()))
	switch {
	case same <= math.Log(muchFarther):
		s.fill(u, unit, why+" and is taken for all, which are as large")
	case converted > math.Log(muchFarther):
		s.Notes = append(s.Notes, fmt.Sprintf("%s, and whether it holds for the rest is not clear: they were read as %s; write the unit with every reading", why, unit))
	}
}

// fill gives the readings without a unit the unit u.
func (s *ReadingString) fill(u, unit SpeedUnit, note string) {
	for k := range s.Readings {
		if s.Readings[k].Unit == "" {
			s.Readings[k].Unit = u
		}
	}
	if u != unit {
		s.Notes = append(s.Notes, note)
	}
}

// writtenValues are the values of readings as written, with and without a unit.
func writtenValues(rs []Reading) (with, without []float64) {
	for _, r := range rs {
		if r.Unit != "" {
			with = append(with, r.Value)
		} else {
			without = append(without, r.Value)
		}
	}
	return with, without
}

// onlyUnit is the one unit that readings have, "" for none or two.
func onlyUnit(strs []ReadingString) (u SpeedUnit) {
	for _, s := range strs {
		for _, r := range s.Readings {
			if r.Unit != "" && u != "" && r.Unit != u {
				return ""
			}
			if r.Unit != "" {
				u = r.Unit
			}
		}
	}
	return u
}

// convert turns a reading as written into one in the unit of the list.
func (r *Reading) convert(unit SpeedUnit) {
	if r.Unit == "" || r.Unit == unit {
		r.Unit = ""
		return
	}
	r.Value *= r.Unit.MPS() / unit.MPS()
	for i := range r.Likely {
		r.Likely[i] *= r.Unit.MPS() / unit.MPS()
	}
}
