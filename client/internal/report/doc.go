// Package report words and draws results: the text of a run, its page, comparison
// tables and charts. Every number comes from a record.Result, a comparison or the
// traces of a run; nothing is computed here beyond rounding and choosing axes. It reads no rig and no file, and a page it makes needs no network.
package report
