// Package recording reads a table of measurements that another instrument wrote (a
// CSV file with a time column) by a channel map, and turns it into the same layout,
// plan and samples that a rig stores, so that it is judged by the same rules.
//
// It converts no units beyond a factor, linearises nothing and judges nothing: codes
// become values in daemon/convert and results are made in daemon/analysis.
package recording
