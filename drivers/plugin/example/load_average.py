#!/usr/bin/python3
"""A driver for soakd in Python: the load average of this computer, in thousandths.

It needs grpcio, and driver_pb2.py: protoc --python_out=. soakrig/driver/v1/driver.proto
"""
import os
import sys
import tempfile
from concurrent import futures

import grpc
from soakrig.driver.v1 import driver_pb2 as pb


INPUTS = 0


def open_source(request, context):
    global INPUTS
    INPUTS = len(request.inputs)
    if request.options_json != "{}":
        context.abort(grpc.StatusCode.INVALID_ARGUMENT, "options: this driver has none")
    line = pb.Line(name="rounding of the kernel", half=0.005, source="proc(5)")
    return pb.OpenResponse(converters=[pb.Converter(
        model="load average", law=pb.LAW_LINEAR, kind=pb.KIND_OTHER, unit="jobs", per_code=0.001,
        lines=[line]) for _ in request.inputs])


def read(request, context):
    try:
        reading = pb.Reading(code=round(1000 * os.getloadavg()[0]))
    except OSError as error:
        reading = pb.Reading(faults=["bus_error"], cause=str(error))
    return pb.ReadResponse(readings=[reading] * INPUTS)


def handler(function, request):
    return grpc.unary_unary_rpc_method_handler(
        function, request_deserializer=request.FromString,
        response_serializer=lambda message: message.SerializeToString())


if os.environ.get("SOAKRIG_DRIVER") != "1a7c0e":
    sys.exit("This is a driver for soakd: name it in a source with driver: plugin.")
server = grpc.server(futures.ThreadPoolExecutor(max_workers=1))
server.add_generic_rpc_handlers([grpc.method_handlers_generic_handler("soakrig.driver.v1.DriverService", {
    "Open": handler(open_source, pb.OpenRequest), "Read": handler(read, pb.ReadRequest)})])
path = tempfile.mktemp(dir=os.environ.get("PLUGIN_UNIX_SOCKET_DIR"))
server.add_insecure_port("unix:" + path)
server.start()
print(f"1|1|unix|{path}|grpc", flush=True)
sys.stdin.read()  # ends when soakd does
server.stop(0)
