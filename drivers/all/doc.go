// Package all lists the drivers that are built in. list.go is generated from the
// folders of drivers/probe, drivers/meter and the like: run go generate here after
// a folder was added. Nothing registers itself; main passes the list on.
package all

//go:generate go run gen.go
