// Package examples carries the files of this folder that somebody starts from, so that
// the program can hand them out by itself. It holds nothing else and does nothing.
package examples

import "embed"

// Bench is leaf-clip: a bench, a specimen and protocols, with comments for people.
//
//go:embed leaf-clip/*.yaml
var Bench embed.FS
