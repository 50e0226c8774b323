module dwell

go 1.26.0

require (
	github.com/creack/pty v1.1.24
	github.com/expr-lang/expr v1.17.8
	github.com/spf13/cobra v1.10.2
	go.bug.st/serial v1.8.0
	go.uber.org/zap v1.28.0
	golang.org/x/sys v0.50.0
	golang.org/x/term v0.48.0
	gonum.org/v1/gonum v0.17.0
	gopkg.in/yaml.v3 v3.0.1
)

require (
	github.com/inconshreveable/mousetrap v1.1.0 // indirect
	github.com/spf13/pflag v1.0.9 // indirect
	go.uber.org/multierr v1.10.0 // indirect
)
