//go:build !linux

package wire

import "testing"

var places = map[string]func(t *testing.T) place{"tcp": socketPlace}
