package modbus

// crc is CRC-16 with the reflected polynomial 0xA001 and the start value 0xFFFF; it
// goes on the line low byte first (Modbus serial line guide V1.02, from memory; the
// test checks published frames).
func crc(p []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range p {
		c ^= uint16(b)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
	}
	return c
}
