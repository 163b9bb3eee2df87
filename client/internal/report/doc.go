// Package report words and draws results: the text of a run, its page, comparison
// tables and charts. Every number comes from a record.Result, a comparison or a
// reading; nothing is computed here beyond rounding, thinning for a screen and
// choosing axes. It reads no rig and no file, and a page it makes needs no network.
package report
