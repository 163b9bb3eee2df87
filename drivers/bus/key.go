package bus

import "strings"

func canonical(port string) string {
	node := strings.ToLower(strings.TrimPrefix(port, "/dev/"))
	if rest, ok := strings.CutPrefix(node, "spidev"); ok {
		return "SPI" + rest
	}
	if rest, ok := strings.CutPrefix(node, "i2c-"); ok {
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
