module tickover/testdata/rivals

go 1.26.0

require (
	github.com/goburrow/modbus v0.1.0
	github.com/simonvetter/modbus v1.6.4
	tickover v0.0.0
)

require (
	github.com/creack/pty v1.1.24 // indirect
	github.com/goburrow/serial v0.1.0 // indirect
	go.bug.st/serial v1.8.0 // indirect
	golang.org/x/sys v0.50.0 // indirect
	golang.org/x/term v0.46.0 // indirect
)

replace tickover => ../..
