package recordpb

import (
	"math/bits"

	"soakrig/daemon/record"
	pb "soakrig/proto/soakrig/v1"
)

// AppendFaults appends the faults of the set, lowest bit first, to dst.
func AppendFaults(dst []pb.Fault, f record.Faults) []pb.Fault {
	for ; f != 0; f &= f - 1 {
		dst = append(dst, pb.Fault(bits.TrailingZeros32(uint32(f))+1))
	}
	return dst
}

// Faults is the set that the wire's list stands for. A fault that this build does
// not know counts as DeviceError, since the reading has no value all the same.
func Faults(list []pb.Fault) (f record.Faults) {
	for _, one := range list {
		if _, known := pb.Fault_name[int32(one)]; !known || one <= 0 {
			f |= record.DeviceError
			continue
		}
		f |= 1 << (one - 1)
	}
	return f
}
