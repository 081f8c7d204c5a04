"""Runs inside of the simulator: the transmitter of cocotbext-uart drives the wire with what a file says.

``traffic.json``: ``baudrate``, ``bits`` (parity included), ``stops``, and ``sent``: pairs of idle nanoseconds
and a value. ``received.json``: what the receiver of the same package read.
"""

import json
from pathlib import Path

import cocotb
from cocotb.triggers import Timer
from cocotbext.uart import UartSink, UartSource


@cocotb.test()
async def drive(dut):
    told = json.loads(Path("traffic.json").read_text(encoding="ascii"))
    settings = {"baud": told["baudrate"], "bits": told["bits"], "stop_bits": told["stops"]}
    source = UartSource(dut.tx, **settings)
    sink = UartSink(dut.tx, **{**settings, "stop_bits": 0.5})
    await Timer(100, "us")
    for idle_ns, value in told["sent"]:
        if idle_ns:
            await source.wait()
            await Timer(idle_ns, "ns")
        source.write_nowait([value])
    await source.wait()
    await Timer(1, "ms")
    Path("received.json").write_text(json.dumps(list(sink.read_nowait())), encoding="ascii")
