// Package metrics is the rig's page for Prometheus, with a health page and a plain
// landing page beside it. It tails the journal like any other reader and keeps a
// snapshot in memory; a scrape copies the snapshot and changes nothing: no bus, no
// disk, no maximum that is reset by being read. A channel without a good reading
// has no value series, only a fault series. Nothing here is ever read back as state.
package metrics
