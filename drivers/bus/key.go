package bus

import "strings"

func key(port string) string {
	name := port
	if rest, ok := strings.CutPrefix(name, "/dev/spidev"); ok {
		name = "SPI" + rest
	} else if rest, ok := strings.CutPrefix(name, "/dev/i2c-"); ok {
		return "I2C" + rest
	}
	if strings.HasPrefix(strings.ToUpper(name), "SPI") {
		if i := strings.IndexByte(name, '.'); i > 0 {
			return strings.ToUpper(name[:i])
		}
		return strings.ToUpper(name)
	}
	return name
}
