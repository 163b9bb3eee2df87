// Package series holds the arithmetic of rows of numbers in which some may be absent:
// medians, levels, slopes, filters and the fit of an exponential. It knows nothing of
// soaks or channels; the caller says what a number means and in which unit.
//
// An absent value is stored as not-a-number and never taken for zero. Functions that
// want every value to be there say so. Products in sums stand in float64 conversions,
// which keep a compiler from fusing them, so that results agree between processors.
package series
