// Package modbusmap reads meters whose registers are described by data: a built-in map
// ("builtin:sdm120") or a file of the lab's own. It serves Modbus TCP and RTU with the
// same code. Several meters on one line are inputs of one source, each with its unit.
//
// Type, word order, sign, scale, base, range, sentinels and modulus belong to the
// field. All registers that the inputs need are planned into blocks; a block is taken
// whole or not at all. What is not finite, a sentinel, or outside its range is a fault
// and never a number. It does not average, does not count wraps, and can't write.
package modbusmap
