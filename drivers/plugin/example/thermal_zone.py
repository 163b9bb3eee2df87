#!/usr/bin/python3
"""A driver for soakd in Python: a thermal zone of this computer, in thousandths of a
degree (kernel documentation, thermal/sysfs-api). Option: file.

It needs grpcio, and driver_pb2.py: protoc --python_out=. soakrig/driver/v1/driver.proto
"""
import json
import os
import sys
import tempfile
from concurrent import futures

import grpc
from soakrig.driver.v1 import driver_pb2 as pb

FILES = []  # of the inputs, in their order


def open_source(request, context):
    FILES.clear()
    for options in [request.options_json] + [i.options_json for i in request.inputs]:
        if unknown := set(json.loads(options or "{}")) - {"file"}:
            context.abort(grpc.StatusCode.INVALID_ARGUMENT, f"{min(unknown)}: unknown key; this driver has file")
    for entry in request.inputs:
        options = json.loads(request.options_json or "{}") | json.loads(entry.options_json or "{}")
        FILES.append(options.get("file", "/sys/class/thermal/thermal_zone0/temp"))
    line = pb.Line(name="step of the file", half=0.0005, source="kernel documentation")
    return pb.OpenResponse(converters=[pb.Converter(
        model="thermal zone", law=pb.LAW_LINEAR, kind=pb.KIND_TEMPERATURE, unit="degC", per_code=0.001,
        lines=[line]) for _ in FILES])


def read(request, context):
    readings = []
    for name in FILES:
        try:
            with open(name) as file:
                readings.append(pb.Reading(code=int(file.read())))
        except (OSError, ValueError) as error:  # a fault in the value's place
            readings.append(pb.Reading(faults=["bus_error"], cause=str(error)))
    return pb.ReadResponse(readings=readings)


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
