// Package sunspec reads meters that follow the SunSpec information models 201 to 204
// (integers with scale factors) and 211 to 214 (floats) over Modbus TCP or RTU. It finds
// the models by their marker and chain, so that no register map is needed.
//
// A value and its scale factor come from one answer. What a device says it does not
// implement is a fault. It reads meters only and writes nothing.
package sunspec
