"""Asks an instrument by pyvisa-py, and prints each answer.

usage: ask.py RESOURCE QUERY...
"""
import sys

import pyvisa

instrument = pyvisa.ResourceManager("@py").open_resource(sys.argv[1])
instrument.read_termination = instrument.write_termination = "\n"
instrument.timeout = 10000
for query in sys.argv[2:]:
    print(instrument.query(query))
instrument.close()
