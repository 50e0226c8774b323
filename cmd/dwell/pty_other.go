//go:build !unix

package main

import (
	"errors"
	"io"
	"os"
)

func newPTY() (io.ReadWriteCloser, *os.File, error) {
	return nil, nil, errors.New("this system has no PTYs")
}
