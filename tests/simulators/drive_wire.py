"""Runs inside of the simulator: the transmitter of cocotbext-uart drives the wire with what a file says.

``traffic.json``: ``baudrate``, ``bits`` (parity included), ``stops``, and ``sent``: pairs of idle nanoseconds
and a value; ``others``: rates of further receivers. ``received.json``: what the receiver of the same package
read; ``others.json``: what each of the others read.
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
    others = [UartSink(dut.tx, **{**settings, "baud": rate, "stop_bits": 0.5}) for rate in told["others"]]
    await Timer(100, "us")
    for idle_ns, value in told["sent"]:
        if idle_ns:
            await source.wait()
            await Timer(idle_ns, "ns")
        source.write_nowait([value])
    await source.wait()
    await Timer(1, "ms")
    Path("others.json").write_text(json.dumps([list(one.read_nowait()) for one in others]), encoding="ascii")
    Path("received.json").write_text(json.dumps(list(sink.read_nowait())), encoding="ascii")
