//go:build matprofile

package vision

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestMain fails the run when a Mat made during the tests was never closed: Mats
// live outside Go's memory. Run it with
//
//	go test -tags matprofile ./vision
func TestMain(m *testing.M) {
	status := m.Run()
	if n := gocv.MatProfile.Count(); n != 0 {
		var where bytes.Buffer
		if err := gocv.MatProfile.WriteTo(&where, 1); err != nil {
			fmt.Fprintln(&where, err)
		}
		fmt.Printf("%d Mats were never closed:\n%s", n, where.String())
		status = 1
	}
	os.Exit(status)
}
