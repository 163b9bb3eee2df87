package modbusmap

import (
	"testing"
	"time"

	"soakrig/drivers/drivertest"
)

func TestConformance(t *testing.T) {
	drivertest.Conformance(t, &Driver, func(*testing.T) *drivertest.Rig {
		g := newRegisters()
		g.setFloat(12, 198.7)
		g.setFloat(72, 1234.5)
		src := source("map: builtin:sdm120", "active_power", "import_energy")
		src.Every = time.Second
		return &drivertest.Rig{
			Ports: g.ports(), Source: src,
			Allocates: "each exchange registers a function that ends it with the context",
			NoBus:     "the fakes can't disturb a connection: package modbus and dev_test.go do",
		}
	})
}
