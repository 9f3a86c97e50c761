// Package picture draws every picture the program makes: the overlay on a photo,
// the squared-up board, and the pictures to publish. It takes plain values and
// returns images; it never reads or writes a file, never measures and never
// computes a statistic: every number it shows was handed to it.
//
// # Language of the pictures
//
// An accessory is known by letter, shape and colour together, so that it stays
// readable in grey, with a colour-vision deficiency and at phone width. A mark is
// solid; hollow when the outlier rule set it aside; dashed when doubtful; a shot
// that missed the board is counted at its upper edge. The spread is a soft disc of the
// mean radius about the centre, and a thin line between the two shots farthest
// apart with its length. Every picture has a 100 mm bar.
//
// # Frames
//
// Board positions are millimetres, x right and y up. Canvas positions are
// continuous: pixel (i, j) covers [i, i+1) x [j, j+1), so that a photo's calib.Px
// lies half a pixel further right and down on the canvas.
package picture
