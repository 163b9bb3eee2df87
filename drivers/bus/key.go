package bus

import "strings"

// canonical gives one name to the two spellings of a port: "/dev/spidev0.1" is
// "SPI0.1", "/dev/i2c-1" is "I2C1".
func canonical(port string) string {
	if rest, ok := strings.CutPrefix(port, "/dev/spidev"); ok {
		return "SPI" + rest
	}
	if rest, ok := strings.CutPrefix(port, "/dev/i2c-"); ok {
		return "I2C" + rest
	}
	up := strings.ToUpper(port)
	if strings.HasPrefix(up, "SPI") || strings.HasPrefix(up, "I2C") {
		return up
	}
	return port
}

func key(port string) string {
	name := canonical(port)
	if strings.HasPrefix(name, "SPI") {
		if i := strings.IndexByte(name, '.'); i > 0 {
			return name[:i]
		}
	}
	return name
}
