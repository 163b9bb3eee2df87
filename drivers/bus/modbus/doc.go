// Package modbus is a read-only Modbus master: it can send function codes 3 and 4
// and nothing else, because no other request can be expressed. It frames, checks
// and times requests over TCP and over serial lines (RTU, also through transparent
// serial gateways); it knows no meter, no register and no byte order.
//
// The rules that keep a wrong number out:
//
//   - TCP: the transaction number, the protocol number, the length, the unit and the
//     byte count are checked; after any error that is not an exception the connection
//     is closed and dialled again after a growing pause with jitter.
//   - RTU has no transaction number, so a late answer looks like the next one. The
//     line is drained before each request. After a failure it is quarantined: nothing
//     is sent until it was quiet. Then the unit is asked to read the same registers by
//     the other function, 3 for 4 or 4 for 3: the answer, an exception as a rule,
//     can't be mistaken, and once it is there nothing older can follow. A unit that
//     gives none is left alone for five time-outs, at least 5 s. And an answer counts
//     only if no second one follows it within the pause that the line needs anyway.
//   - Sources on one RTU line take turns; see Link.Open.
//
// What nobody can find is an answer that comes twice, with more than that pause between
// the two, or one that comes later than five time-outs from a device that does not
// answer the other function: choose gap and timeout longer than the device thinks.
//
// There are no goroutines here apart from the function that context.AfterFunc runs
// when a caller gives up; it ends at once.
package modbus
