"""A meter made of the pymodbus library: 230.1 V, 0.873 A, 198.7 W, 50.01 Hz, 1234.5 kWh.
Unit 2 beside it shows 61.25 W.

usage: pymodbus_meter.py tcp PORT | rtu DEVICE
"""
import struct
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext



def unit(values):
    words = [0] * 400
    for address, value in values.items():
        words[address:address + 2] = struct.unpack(">2H", struct.pack(">f", value))
    block = ModbusSequentialDataBlock(0, words)
    return ModbusSlaveContext(ir=block, hr=block, zero_mode=True)


context = ModbusServerContext({
    1: unit({0: 230.1, 6: 0.873, 12: 198.7, 70: 50.01, 72: 1234.5}),
    2: unit({12: 61.25}),
}, single=False)

if sys.argv[1] == "tcp":
    from pymodbus.server import StartTcpServer
    StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])))
else:
    from pymodbus.framer.rtu_framer import ModbusRtuFramer
    from pymodbus.server import StartSerialServer
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=9600, timeout=0.005)
