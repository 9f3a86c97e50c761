// Command dartfall measures where foam darts struck a ringed board and compares
// accessories. See README.md.
package main

import "os"

func main() { os.Exit(run(os.Args, os.Stdin, os.Stdout, os.Stderr)) }
