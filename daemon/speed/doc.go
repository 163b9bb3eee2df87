// Package speed measures what soakd costs against limits that are measured in the
// same process: the same messages over a stream without a rig behind it, the same
// bytes appended to a plain file, the same floats in memory. It holds tests only,
// and soakd does not import it.
//
//	go test -run '^$' -bench Budget -benchtime 10x ./daemon/speed
//
// prints one line per row for benchstat and then one table of all rows: our figure,
// the limit's, the ratio, allocations, the budget and whether it is met. Each figure
// is the best of the rounds (-benchtime 10x: ten), ours and the limit in turn: other
// work on the machine only adds. -speed.startup-mb 2000 makes the journal of the
// start-up row that large.
//
//	go test ./daemon/speed -run '^$' -bench Soak -benchtime 1x -timeout 1h -speed.soak 10m
//
// runs the real soakd with 64 channels at 10 Hz on a simulated rig and prints its
// processor share, memory, sampling jitter, goroutines, collector pauses and file
// growth; then the same with every core kept busy, then an hour of rig time at 60
// times real time.
//
//	go test -run Counts -count 1 ./daemon/speed
//
// checks what does not depend on the machine: allocations and bytes. Only that part
// can fail. TABLE.md holds the figures of the landed state and the machine's
// description.
package speed
