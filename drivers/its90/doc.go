// Package its90 holds the thermocouple reference functions of the International
// Temperature Scale of 1990: EMF from temperature, temperature from EMF, the
// slope between them, and the tolerance classes of new thermocouples, for types
// B E J K N R S T and, less well verified, A and C.
//
// It does not compensate a cold junction, average, filter, calibrate or guess:
// add the EMF of the reference junction to the measured one and ask for the
// temperature of the sum. Beyond the published ranges there is an error and
// never a number. It is pure: it imports the standard library, keeps no state,
// and everything in it may be called concurrently.
//
// # Units
//
// Temperatures are degC, EMFs are volts, slopes volts per kelvin. The
// reference junction of every function is at 0 degC, so 0 V is 0 degC (except
// for type A, see [Type.EMFRange], and type B, see [Type.InvertibleRange]).
//
// # Source and exactness
//
// E(t) of the eight letter types is the polynomial (type K above 0 degC:
// polynomial and exponential) of NIST Standard Reference Database 60, after
// NIST Monograph 175 (1993), evaluated in float64 by Horner's rule within
// 1e-9 mV of the exact value. All 12,026 values of the published tables are
// reproduced to the last printed digit. [Type.Provenance] says what is known
// of each type; A and C rest on transcriptions.
//
// t(E) is the inverse of that E(t), not the published approximate inverse,
// which is off by up to 0.06 K. It is within 1 microkelvin over the whole
// invertible range: see [Type.TempC] for the joins.
//
// Results are the same bits on every machine: fused multiply-add is ruled out
// and the exponential is the package's own.
//
// # Cost
//
// E(t) is one polynomial of 5 to 15 terms. t(E) is a table lookup with a short
// polynomial and one Newton step, about twice an E(t) for type K. Neither
// allocates. The tables take 12 KB and are read only.
package its90
