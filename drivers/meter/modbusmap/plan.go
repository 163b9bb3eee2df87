package modbusmap

import (
	"slices"

	"soakrig/drivers/bus/modbus"
)

// block is one request: consecutive registers that hold one or more needed fields.
type block struct {
	req modbus.Request
	buf []byte
}

// place says where a field's bytes are: in which block, from which byte on.
type place struct{ block, offset int }

// plan lays blocks over the fields that are needed, fewest first by closing gaps of
// at most m.Join registers, and says where each field lands, in the order given.
func (m *Map) plan(unit uint8, fields []field) ([]block, []place) {
	most := m.Most
	if most == 0 {
		most = modbus.MaxRegisters
	}
	sorted := slices.Clone(fields)
	slices.SortStableFunc(sorted, byPlace)
	var blocks []block
	for _, f := range sorted {
		if n := len(blocks); n > 0 {
			last := &blocks[n-1].req
			end := int(last.Address) + last.Count
			size := max(end, f.end()) - int(last.Address)
			fits := size <= most && (!m.EvenCounts || size%2 == 0)
			if last.Function == f.function && f.start <= end+m.Join && fits {
				last.Count = size
				continue
			}
		}
		blocks = append(blocks, block{req: modbus.Request{
			Unit: unit, Function: f.function, Address: uint16(f.start), Count: f.registers,
		}})
	}
	for i := range blocks {
		blocks[i].buf = make([]byte, 2*blocks[i].req.Count)
	}
	places := make([]place, len(fields))
	for i, f := range fields {
		for j, b := range blocks {
			start := int(b.req.Address)
			if b.req.Function == f.function && f.start >= start && f.end() <= start+b.req.Count {
				places[i] = place{block: j, offset: 2 * (f.start - start)}
				break
			}
		}
	}
	return blocks, places
}
