// Package vision finds the board and its marks in a photo. It is the only
// package that touches OpenCV; nothing exported mentions it and nothing exported
// needs closing. It refuses to know about accessories, strings and statistics.
package vision
