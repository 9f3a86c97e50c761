// Package testdata holds the demo session: rendered photos of an invented test,
// with their truth. The program carries it for dartfall demo.
package testdata

import "embed"

// Demo is the demo session's folder, without the truth.
//
//go:embed demo/session.toml demo/*.jpg
var Demo embed.FS
