package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r2"
)

// Stickers of one colour that cover most of each other have one outline, of which little is
// any one's own. What tells how many there are is the area within it: discs of a known
// size explain it or do not.

// union is what the raster shows about stickers of one colour.
type union struct {
	pixels       []unionPixel
	radius, blur float64 // mm; a rim is spread over blur
}

type unionPixel struct {
	at    r2.Vec  // mm
	share float64 // of the pixel that has the stickers' colour, the rest having the face's
	worth float64 // 0 where these hardly differ but for noise
}

// Limits of the search for one more, in radii.
const (
	unionReach = 2.4  // about a disc that is looked at
	leastOff   = 0.3  // from its centre to the other's
	mostOff    = 1.4  // beyond, the other shows a rim of its own
	offStep    = 0.15 // between the places tried
)

// What one more disc must explain at least, as a share of its area, and leave at most, of what
// was left about it before and of the area there. The limits were set on random boards 40000
// to 40599 and 42000 to 42328.
const (
	leastGain = 0.06
	mostLeft  = 0.3
	mostMiss  = 0.02
	leastSeen = 0.9 // of that area must be seen
)

// A disc found by its area alone has such a chance and such an uncertainty, in radii; one
// whose rim puts it farther aside keeps its place.
const (
	unionChance = 0.8
	unionSD     = 0.06
	mostAside   = 0.25
)

// byUnion adds stickers that touch others of their colour and explain with them what these
// alone do not, and moves those to where all together explain most.
func (s *search) byUnion(found []*disc) []*disc {
	found = slices.Clone(found)
	done := map[*disc]bool{}
	for _, d := range slices.Clone(found) {
		if done[d] {
			continue
		}
		own := s.touching(d, found)
		for _, o := range own {
			done[o] = true
		}
		if !slices.ContainsFunc(own, func(o *disc) bool { return o.roomBeside(found) }) {
			continue
		}
		u := s.unionOf(own, found)
		centres := make([]r2.Vec, len(own))
		for i, o := range own {
			centres[i] = o.pos
		}
		if centres = u.grow(centres, s.areaPx(d)); len(centres) == len(own) {
			continue
		}
		for _, at := range centres[len(own):] {
			added := &disc{pos: at, peak: at, nominalMM: d.nominalMM, radius: d.radius, group: d.group}
			own, found = append(own, added), append(found, added)
		}
		for i, o := range own {
			o.pos = centres[i]
		}
		for i, o := range own {
			if s.look(o, found); o.chance < unionChance || r2.Norm(r2.Sub(o.pos, centres[i])) > mostAside*o.radius {
				o.pos, o.chance = centres[i], max(o.chance, unionChance)
				v := unionSD * o.radius * unionSD * o.radius / raysPerError
				o.cov = [3]float64{v, 0, v}
			}
		}
	}
	return found
}

// roomBeside reports whether the rim of d leaves room for another disc of its colour: part of
// it is not where it should be, and no disc found tells why, or it is coarse.
func (d *disc) roomBeside(found []*disc) bool {
	const coarse, part = 0.1, 0.05 // of the radius, and of the rim; all 22 unions on the boards of mostLeft have it
	near, unclear := neighbours(d, found), 0
	end := &disc{pos: d.pos, radius: 1.28 * d.radius} // of the rays
	for _, r := range d.rays {
		if r.seen && !(r.edge && math.Abs(r.at-d.radius) < d.tol) {
			onRim, under := d.meets(r.angle, near)
			endOnRim, endUnder := end.meets(r.angle, near)
			if !onRim && !under && !endOnRim && !endUnder {
				unclear++
			}
		}
	}
	return d.tol > coarse*d.radius || float64(unclear) > part*float64(d.seen())
}

// grow returns the centres of the discs that explain most, and of as many more as are worth
// it. area is that of a disc, in pixels.
func (u *union) grow(centres []r2.Vec, area float64) []r2.Vec {
	start := centres
	u.setBlur(centres)
	if u.left(centres) < leastGain*area {
		return start
	}
	centres, left := u.settle(centres)
	for {
		sharp := *u // one disc in the middle of two is seen blurred
		sharp.blur /= 2
		at, ok := sharp.another(centres, leastGain/2*area) // all together gain more
		if !ok {
			break
		}
		wider := *u // with the blur that suits one more
		more, now := wider.settle(append(slices.Clone(centres), at))
		at = more[len(centres)]
		was, seen := u.leftAbout(at, centres)
		is, _ := wider.leftAbout(at, more)
		away := math.Inf(1)
		for _, c := range more[:len(centres)] {
			away = min(away, r2.Norm(r2.Sub(c, at))/u.radius)
		}
		if left-now < leastGain*area || is > mostLeft*was || is > mostMiss*seen || seen < leastSeen*area || away < leastOff || away > mostOff {
			break
		}
		*u, centres, left = wider, more, now
	}
	if len(centres) == len(start) {
		return start
	}
	return centres
}

// touching returns d and the discs of its colour name and size that touch it or each other.
func (s *search) touching(d *disc, found []*disc) []*disc {
	out := []*disc{d}
	for k := 0; k < len(out); k++ {
		for _, o := range found {
			if s.groups[o.group].name == s.groups[d.group].name && r2.Norm(r2.Sub(o.pos, out[k].pos)) < 2*mostOff*d.radius &&
				max(o.radius/d.radius, d.radius/o.radius) < sameSize && !slices.Contains(out, o) {
				out = append(out, o)
			}
		}
	}
	return out
}

// unionOf reads the raster about the discs own, which are of one colour, but for what
// discs of other colours cover.
func (s *search) unionOf(own, found []*disc) *union {
	u := &union{radius: own[0].radius}
	for k, d := range own {
		var others []*disc
		for _, o := range found {
			if !slices.Contains(own, o) && r2.Norm(r2.Sub(o.pos, d.pos)) < unionReach*d.radius+o.radius+s.rimWidth(o) {
				others = append(others, o)
			}
		}
		s.visit(d.pos, unionReach*d.radius, func(i int) {
			at := s.placeOf(i)
			away := r2.Norm(r2.Sub(d.pos, at))
			if !s.y.ok[i] || s.printed != nil && s.printed[i] ||
				slices.ContainsFunc(others, func(o *disc) bool { return r2.Norm(r2.Sub(o.pos, at)) < o.radius+s.rimWidth(o) }) {
				return
			}
			for q, o := range own { // each pixel once, by the disc nearest to it
				if p := r2.Norm(r2.Sub(o.pos, at)); p < away || p == away && q < k {
					return
				}
			}
			if p, ok := s.unionPixel(i, d.inside); ok {
				p.at = at
				u.pixels = append(u.pixels, p)
			}
		})
	}
	return u
}

// unionPixel tells how much of pixel i of the raster has the colour inside; false where the
// face has it, too, or the pixel has another.
func (s *search) unionPixel(i int, inside rgb) (p unionPixel, ok bool) {
	const fair = 0.2    // noise of a share at which a pixel counts half
	const another = 0.3 // of the way from the face's colour to the stickers', off that way
	own, face := opponentOf(inside), s.m.faceAt(i%s.y.w, i/s.y.w)
	contrast, noise := 0.0, 0.0
	for c := range 3 {
		off, sd := float64(own[c]-face[c]), float64(s.m.spread[c][s.index[i]])
		contrast += off * off
		noise += sd * sd
	}
	light, seen := lightOf(face), lightOf(s.flat.colour(i))
	dir, _ := stepDirection(inside, light)
	way := rgb{inside[0] - light[0], inside[1] - light[1], inside[2] - light[2]}
	gone := rgb{seen[0] - light[0], seen[1] - light[1], seen[2] - light[2]}
	full := dir.dot(way)
	if full < 1e-6 {
		return p, false
	}
	share := max(-0.5, min(1.5, dir.dot(gone)/full))
	aside := rgb{gone[0] - share*way[0], gone[1] - share*way[1], gone[2] - share*way[2]}
	return unionPixel{share: float64(share), worth: 1 / (1 + noise/contrast/(fair*fair))}, aside.dot(aside) < another*another*way.dot(way)
}

// lightOf returns the opponent colour o in linear light.
func lightOf(o [3]float32) rgb {
	l := linearOf(o)
	return rgb{float32(l[0]), float32(l[1]), float32(l[2])}
}

// covered returns the share of a pixel at p that discs cover, and the one nearest to it.
func (u *union) covered(p r2.Vec, centres []r2.Vec) (share float64, nearest int) {
	least := math.Inf(1)
	for i, c := range centres {
		if q := r2.Norm2(r2.Sub(p, c)); q < least {
			least, nearest = q, i
		}
	}
	return u.coveredBy(least), nearest
}

// coveredBy returns the share of a pixel that a disc covers whose centre is so far away, squared.
func (u *union) coveredBy(away2 float64) float64 {
	return max(0, min(1, 0.5-(math.Sqrt(away2)-u.radius)/u.blur))
}

// left returns what discs leave over, the sum of squares.
func (u *union) left(centres []r2.Vec) (sum float64) {
	for _, p := range u.pixels {
		m, _ := u.covered(p.at, centres)
		sum += p.worth * (p.share - m) * (p.share - m)
	}
	return sum
}

// leftAbout returns what discs leave over about a place, and the area there that counts.
func (u *union) leftAbout(at r2.Vec, centres []r2.Vec) (sum, area float64) {
	for _, p := range u.pixels {
		if r2.Norm(r2.Sub(p.at, at)) < 1.3*u.radius {
			m, _ := u.covered(p.at, centres)
			sum += p.worth * (p.share - m) * (p.share - m)
			area += p.worth
		}
	}
	return sum, area
}

// setBlur sets the blur that the discs explain most with.
func (u *union) setBlur(centres []r2.Vec) {
	best, least := 0.0, math.Inf(1)
	for _, f := range [...]float64{0.1, 0.17, 0.25, 0.35, 0.5, 0.7, 0.9} {
		u.blur = f * u.radius
		if v := u.left(centres); v < least {
			best, least = u.blur, v
		}
	}
	u.blur = best
}

// settle finds the blur and moves discs to where they leave least (Gauss-Newton; each rim is
// its own disc's), and returns what is left.
func (u *union) settle(centres []r2.Vec) (at []r2.Vec, left float64) {
	u.setBlur(centres)
	centres, _ = u.place(centres)
	u.setBlur(centres)
	return u.place(centres)
}

// place is settle for the blur as it is.
func (u *union) place(centres []r2.Vec) (at []r2.Vec, left float64) {
	left = u.left(centres)
	for range 12 {
		type normal struct{ xx, xy, yy, x, y float64 }
		sums := make([]normal, len(centres))
		for _, p := range u.pixels {
			m, k := u.covered(p.at, centres)
			if m <= 0 || m >= 1 {
				continue
			}
			out := r2.Unit(r2.Sub(p.at, centres[k]))
			n, w, e := &sums[k], p.worth/u.blur/u.blur, p.worth/u.blur*(p.share-m)
			n.xx += w * out.X * out.X
			n.xy += w * out.X * out.Y
			n.yy += w * out.Y * out.Y
			n.x += e * out.X
			n.y += e * out.Y
		}
		next := slices.Clone(centres)
		for k, n := range sums {
			const hold = 0.5 // of one pixel, for a disc that shows nothing
			n.xx += hold / u.blur / u.blur
			n.yy += hold / u.blur / u.blur
			det := n.xx*n.yy - n.xy*n.xy
			move := r2.Vec{X: (n.yy*n.x - n.xy*n.y) / det, Y: (n.xx*n.y - n.xy*n.x) / det}
			if far := r2.Norm(move) / (0.2 * u.radius); far > 1 {
				move = r2.Scale(1/far, move)
			}
			next[k] = r2.Add(centres[k], move)
		}
		v := u.left(next)
		if v >= left-1e-4 {
			break
		}
		centres, left = next, v
	}
	return centres, left
}

// another returns the place beside the discs where one more explains most, at least so
// much; false where none does.
func (u *union) another(centres []r2.Vec, least float64) (best r2.Vec, ok bool) {
	type rest struct {
		unionPixel
		now, room float64 // covered, and what could be explained of it
	}
	var near, bare []rest // bare: of the colour, and not covered
	for _, c := range centres {
		near, bare = near[:0], bare[:0]
		room, little := 0.0, 0.0 // to be explained by all and by those that are not bare
		for _, p := range u.pixels {
			if r2.Norm2(r2.Sub(p.at, c)) > unionReach*unionReach*u.radius*u.radius {
				continue
			}
			now, _ := u.covered(p.at, centres)
			if now == 1 {
				continue
			}
			q := rest{p, now, p.worth * max(0, p.share-now) * max(0, p.share-now)}
			if room += q.room; p.share-now > bareShare {
				bare = append(bare, q)
			} else {
				little += q.room
			}
			near = append(near, q)
		}
		if room < least {
			continue
		}
		for y := -mostOff; y <= mostOff; y += offStep {
			for x := -mostOff; x <= mostOff; x += offStep {
				if q := math.Hypot(x, y); q < leastOff || q > mostOff {
					continue
				}
				at := r2.Add(c, r2.Vec{X: x * u.radius, Y: y * u.radius})
				most, reach := little, u.radius+u.blur/2
				for _, p := range bare {
					if r2.Norm2(r2.Sub(p.at, at)) < reach*reach {
						most += p.room
					}
				}
				if most < least {
					continue
				}
				gain := 0.0
				for _, p := range near {
					if m := u.coveredBy(r2.Norm2(r2.Sub(p.at, at))); m > p.now {
						gain += p.worth * ((p.share-p.now)*(p.share-p.now) - (p.share-m)*(p.share-m))
					}
				}
				if gain > least {
					least, best, ok = gain, at, true
				}
			}
		}
	}
	return best, ok
}

// bareShare of a pixel that has the colour and that no disc covers is more than noise.
const bareShare = 0.2
