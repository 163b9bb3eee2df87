package simrig

import "math"

// dice gives the same number for the same seed, stream and index, in any order of
// asking: noise must not depend on who reads when.
type dice uint64

// stream numbers a source of noise by its name (FNV-1a).
func stream(name string) uint64 {
	h := uint64(14695981039346656037)
	for i := 0; i < len(name); i++ {
		h = (h ^ uint64(name[i])) * 1099511628211
	}
	return h
}

// bits is one step of the splitmix64 generator at a hashed position.
func (d dice) bits(stream, k uint64) uint64 {
	return mix(mix(uint64(d)^stream) + k*0x9e3779b97f4a7c15)
}

func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// uniform is in [0, 1).
func (d dice) uniform(stream, k uint64) float64 {
	return float64(d.bits(stream, k)>>11) / (1 << 53)
}

// gauss has mean 0 and standard deviation 1. It is a sum of four uniform numbers,
// so it never leaves +-3.47.
func (d dice) gauss(stream, k uint64) float64 {
	b := d.bits(stream, k)
	sum := b&0xffff + b>>16&0xffff + b>>32&0xffff + b>>48
	return (float64(sum)/65536 - 2 + 2.0/65536) * math.Sqrt(3)
}

// exponential has mean 1.
func (d dice) exponential(stream, k uint64) float64 {
	return -math.Log(1 - d.uniform(stream, k))
}
