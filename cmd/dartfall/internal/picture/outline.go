package picture

// Outline returns the shape as a closed polygon about the origin, y down, with
// about the area of a disc of radius 1: for drawings made outside this package.
func (s Shape) Outline() [][2]float64 { return s.outline() }
