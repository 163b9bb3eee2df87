// Package archive keeps finished runs as files: one self-contained Parquet file for
// each run (FORMAT.md is its page), with the checksums of an archive folder beside
// them, and the CSV, JSON Lines and OpenMetrics forms of a run's readings. Files are
// written whole or not at all and never overwritten.
//
// It speaks to no rig and judges nothing; where readings come from is the caller's.
package archive
