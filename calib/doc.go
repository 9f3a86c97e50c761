// Package calib holds the instrument: the frames of photo and board, the lens,
// and the plane that links them. It refuses to look at pixels' colours (that is
// vision's) and to know about shots (that is scoring's).
//
// # Frames
//
// Photo: pixels of the upright image (EXIF orientation already applied). The
// centre of the top-left pixel is (0, 0), x to the right, y down. The type is
// Px, so that pixels and millimetres cannot be mixed.
//
// Board: millimetres in the plane of the face. The origin is the centre of the
// rings, x to the right and y up as the shooter sees them. The type is r2.Vec.
// Rings alone cannot show the rotation of the board about its own centre; by
// default +y is the direction that appears vertical in the photo at the ring
// centre, which is right for a camera held level before a plumb board.
//
// Angles are in radians, lengths in millimetres unless a name says otherwise.
package calib
