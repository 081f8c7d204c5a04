"""Runs the simulators: Icarus Verilog, GHDL, and Icarus Verilog driven by cocotbext-uart.

`icarus` and `ghdl` simulate one model, written once in Verilog and once in VHDL, and return the path of the
dump. A tool that is missing skips the test (and fails it where tools are promised, see conftest.py).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SECONDS_ALLOWED = 120
PARITIES = {"N": 0, "E": 1, "O": 2, "M": 3, "S": 4}
CHARACTER, WRONG_PARITY, LOW_STOP, LOW = 0, 1, 2, 3


def needed(tool: str) -> None:
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed")


def run(folder: Path, *commands: list[str], **environment: str) -> None:
    for command in commands:
        done = subprocess.run(
            command,
            cwd=folder,
            env={**os.environ, **environment},
            timeout=SECONDS_ALLOWED,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"


def settings_of(bit_ps: int, bits: int, parity: str, stops: float, inverted: bool) -> dict[str, int]:
    """The parameters that both models have."""
    return {
        "BIT_PS": bit_ps,
        "DATA_BITS": bits,
        "PARITY": PARITIES[parity],
        "HALF_STOPS": int(2 * stops),
        "INVERT": int(inverted),
    }


def write_traffic(folder: Path, traffic: Iterable[tuple[int, int, int]]) -> None:
    text = "".join(f"{eighths} {what} {value}\n" for eighths, what, value in traffic)
    (folder / "traffic.txt").write_text(text, encoding="ascii")


def icarus(folder: Path, traffic: Iterable[tuple[int, int, int]], settings: dict[str, int]) -> Path:
    """The dump of uart_line.v with this traffic; see there."""
    needed("iverilog")
    write_traffic(folder, traffic)
    parameters = [f"-Puart_line.{name}={value}" for name, value in settings.items()]
    run(
        folder,
        ["iverilog", "-g2005", "-Wall", *parameters, "-o", "line.vvp", str(HERE / "uart_line.v")],
        ["vvp", "-n", "line.vvp", "+traffic=traffic.txt", "+vcd=line.vcd"],
    )
    return folder / "line.vcd"


def ghdl(folder: Path, traffic: Iterable[tuple[int, int, int]], settings: dict[str, int]) -> Path:
    """The dump of uart_line.vhd with this traffic; see there."""
    needed("ghdl")
    write_traffic(folder, traffic)
    generics = [f"-g{name}={value}" for name, value in settings.items()]
    run(
        folder,
        ["ghdl", "-a", "--std=08", str(HERE / "uart_line.vhd")],
        ["ghdl", "-e", "--std=08", "uart_line"],
        ["ghdl", "-r", "--std=08", "uart_line", *generics, "--vcd=line.vcd"],
    )
    return folder / "line.vcd"


def cocotb(
    folder: Path,
    baudrate: int,
    bits: int,
    stops: float,
    sent: list[tuple[int, int]],
    others: tuple[float, ...] = (),
) -> tuple[Path, list[int]]:
    """The dump of a wire that cocotbext-uart drives, and what the receiver of that package read off it.

    ``bits`` has the parity bit in it, because the package knows none; ``sent`` is pairs of idle nanoseconds
    and a value; ``others`` are rates of further receivers, whose bytes are left in ``others.json``.
    """
    needed("iverilog")
    pytest.importorskip("cocotbext.uart", reason="cocotbext-uart is not installed")
    config = pytest.importorskip("cocotb_tools.config", reason="cocotb is not installed")
    find_libpython = pytest.importorskip("find_libpython").find_libpython
    told = {"baudrate": baudrate, "bits": bits, "stops": stops, "sent": sent, "others": others}
    (folder / "traffic.json").write_text(json.dumps(told), encoding="ascii")
    run(
        folder,
        ["iverilog", "-g2005", "-Wall", "-s", "wire_only", "-o", "wire.vvp", str(HERE / "wire_only.v")],
        ["vvp", "-n", "-m", config.lib_entry("vpi", "icarus"), "wire.vvp", "+vcd=line.vcd"],
        COCOTB_TOPLEVEL="wire_only",
        COCOTB_TEST_MODULES="simulators.drive_wire",
        TOPLEVEL_LANG="verilog",
        GPI_USERS=f"{find_libpython()};{config.pygpi_entry_point()}",
        PYGPI_PYTHON_BIN=sys.executable,
        PYTHONPATH=os.pathsep.join([str(HERE.parent), *sys.path]),
        PATH=os.pathsep.join([os.environ.get("PATH", ""), str(config.libs_dir)]),
    )
    received = folder / "received.json"  # written by the last step of a run that went well
    return folder / "line.vcd", json.loads(received.read_text(encoding="ascii"))
