// Package boardtest renders photographs of ringed boards whose truth is known
// exactly, for the tests of everything that reads boards (as net/http/httptest
// serves tests of everything that speaks HTTP). It refuses to measure anything.
//
// A Scene describes one photograph; Render makes the picture and its Truth. The
// board is drawn by following the ray of every pixel to the board's surface, with
// 64 rays where an edge passes, in linear light; then lens shading, blur, noise,
// sRGB coding and sharpening follow in the order in which a camera applies them.
// Frames are those of package calib. The same Scene gives the same bytes.
//
// Plain is a scene to start a test from; Random draws from a varied population
// of faces, surroundings, light and cameras; WriteCase writes a photograph and
// its truth to files.
package boardtest
