"""Follows a rig through restarts, then starts a run and reads what it came to.

It uses nothing but the stubs that protoc makes from the published contract.
"""
import sys
import time

import grpc

from soakrig.v1 import runs_pb2, runs_pb2_grpc, samples_pb2, samples_pb2_grpc


def channel(address):
    # Pings every 10 s are within what the rig allows.
    return grpc.insecure_channel(address, options=[
        ("grpc.keepalive_time_ms", 10000),
        ("grpc.initial_reconnect_backoff_ms", 50),
        ("grpc.max_reconnect_backoff_ms", 500),
    ])


def tail(address):
    """Yields (sequence, batch entry) of everything from the first sequence on."""
    stub = samples_pb2_grpc.SampleServiceStub(channel(address))
    journal, start, reconnects = "", 1, -1
    while True:
        reconnects += 1
        request = samples_pb2.TailRequest(start_sequence=start, journal_id=journal, heartbeat_s=2)
        try:
            for m in stub.Tail(request, wait_for_ready=True):
                kind = m.WhichOneof("event")
                if kind == "hello":
                    journal = m.hello.journal.journal_id
                elif kind == "gap":
                    sys.exit("gap %d..%d" % (getattr(m.gap, "from"), m.gap.to))
                elif kind == "batch":
                    b = m.batch
                    if b.first != start:
                        sys.exit("batch from %d, want %d" % (b.first, start))
                    entries = {s.sequence: s for s in b.samples}
                    entries.update({e.sequence: e for e in b.events})
                    for seq in range(b.first, b.last + 1):  # layouts have no entry of their own
                        yield seq, entries.get(seq), reconnects
                    start = b.last + 1
        except grpc.RpcError as e:
            if e.code() != grpc.StatusCode.UNAVAILABLE:
                raise
            time.sleep(0.05)


def reason(e):
    """The ErrorInfo reason, found without the stubs of google.rpc."""
    raw = dict(e.trailing_metadata()).get("grpc-status-details-bin", b"")
    for word in (b"RUN_OPEN", b"NO_SUCH_RUN", b"BAD_PLAN"):
        if word in raw:
            return word.decode()
    return "none"


def main():
    address = sys.argv[1]
    values = faults = 0
    for seq, entry, reconnects in tail(address):
        print("seq", seq, flush=True)
        for r in entry.readings if isinstance(entry, samples_pb2.Sample) else []:
            if r.HasField("value") == bool(r.faults):
                sys.exit("sequence %d: a reading has a value or faults, never both" % seq)
            values += r.HasField("value")
            faults += samples_pb2.FAULT_OPEN in r.faults
        if isinstance(entry, samples_pb2.Event) and entry.text == "enough":
            break
    print("reconnected" if reconnects >= 3 else "only %d reconnects" % reconnects)
    print("%d open probes beside values: %s" % (faults, values > 0))

    runs = runs_pb2_grpc.RunServiceStub(channel(address))
    started = runs.Start(runs_pb2.StartRequest(unit="carrier A", setup=runs_pb2.Setup(name="rated")), timeout=10)
    print("started", started.run)
    try:
        runs.Start(runs_pb2.StartRequest(unit="carrier B"), timeout=10)
    except grpc.RpcError as e:
        print("refused", reason(e))
    print("stopped", runs.Stop(runs_pb2.StopRequest(reason="test"), timeout=10).run)
    got = runs.Get(runs_pb2.GetRequest(run="last"), timeout=10).run
    print("verdict", got.result.verdict)


if __name__ == "__main__":
    main()
