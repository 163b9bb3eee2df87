// Package ads111x is what the drivers of the ADS1118 and the ADS1115 have in common:
// the fields of the configuration word, an input with its thermocouple and offset, and
// the round that converts the cold junction and then each input. It does not know how
// a conversion is started and fetched, nor where the cold junction comes from.
//
// The chips' offset must be calibrated by the host, and input by input: it is up to
// 3 K of type K, and the data sheet promises no better than 3 LSB of +-2.048 V between
// two inputs of one chip, so that one shorted pair can't serve another. With the leads
// of an input shorted at the terminals, Probe tells its offset, a mean of several
// conversions. The value is configured as offset_uv, its date as the channel's
// checked: and valid_until:. What the offset may drift since then is in the budget.
package ads111x
