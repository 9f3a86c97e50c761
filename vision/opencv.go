//go:build !lateopencv

package vision

// openOpenCV makes OpenCV ready for use. Linked as usual, it is ready from the start.
func openOpenCV() error { return nil }
