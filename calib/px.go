package calib

import "math"

// Px is a point of the upright photo, in pixels. Integer coordinates are pixel
// centres; y points down.
type Px struct{ X, Y float64 }

// Add returns p + q.
func (p Px) Add(q Px) Px { return Px{p.X + q.X, p.Y + q.Y} }

// Sub returns p - q.
func (p Px) Sub(q Px) Px { return Px{p.X - q.X, p.Y - q.Y} }

// Scale returns f times p.
func (p Px) Scale(f float64) Px { return Px{f * p.X, f * p.Y} }

// Norm returns the distance of p from (0, 0) in pixels.
func (p Px) Norm() float64 { return math.Hypot(p.X, p.Y) }
