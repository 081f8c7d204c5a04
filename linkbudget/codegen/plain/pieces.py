"""The runtime of a generated module: which pieces a frame format needs, and their settings."""

from __future__ import annotations

import re
from importlib.resources import files

from linkbudget.check.algorithms import CrcAlgorithm, check_code
from linkbudget.check.code import Check
from linkbudget.codegen.plain.lines import hexed, literal
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.frame.format import FrameFormat

__all__ = ["piece", "runtime", "settings"]

LINE = re.compile(r"^# -{20,}\n", re.MULTILINE)


def piece(name: str, package: str = "linkbudget.codegen.plain.runtime") -> str:
    """Return the part of a runtime source that generated modules hold."""
    text = files(package).joinpath(f"{name}.py").read_text(encoding="utf-8")
    _, part = LINE.split(text)
    return part.strip("\n")


def runtime(spec: DirectionSpec) -> list[str]:
    """Return the pieces for a direction, in order; ``decode_payload`` and ``place_of`` are not here."""
    fmt = spec.fmt
    parts = ["\n".join(settings(spec)), piece("counters"), _check_piece(fmt.check)]
    if fmt.delimiting in {"cobs", "slip", "hdlc", "newline"}:
        return [*parts, piece("envelope"), piece("messages"), piece(fmt.delimiting), piece("stretch")]
    header = check_code(fmt.header_check)
    if fmt.delimiting == "counted":
        parts.append(_header_piece(header))
    return [*parts, piece("envelope"), piece("messages"), piece(fmt.delimiting), piece("search")]


def _header_piece(check: Check | None) -> str:
    """The check of the length field, beside that of the frame: the same under other names."""
    order = check is None or check.byte_order == "big"
    text = "\n".join([*_crc_settings(check, order), "", "", _check_piece(check)])
    text = re.sub(r"\bCRC_", "HEAD_", text)
    return text.replace("check_of(", "header_check_of(").replace("crc_step(", "header_crc_step(")


def _check_piece(check: Check | None) -> str:
    if check is None:
        return piece("no_check")
    if not isinstance(check, CrcAlgorithm):
        return piece(check.name)
    if check.name == "CRC-32/ISO-HDLC":
        return piece("crc_builtin")
    return piece("crc_low" if check.refin else "crc_high")


def _crc_settings(check: Check | None, big: bool) -> list[str]:
    lines = [f"CRC_BIG = {big}"]
    if isinstance(check, CrcAlgorithm) and check.name != "CRC-32/ISO-HDLC":
        poly, start = check.poly, check.init
        if check.refin:
            poly, start = (int(f"{number:0{check.width}b}"[::-1], 2) for number in (poly, start))
        lines += [
            f"CRC_WIDTH = {check.width}",
            f"CRC_POLY = {hexed(poly)}",
            f"CRC_START = {hexed(start)}",
            f"CRC_XOR = {hexed(check.xorout)}",
            f"CRC_REVERSED = {check.refin != check.refout}",
        ]
    return lines


def settings(spec: DirectionSpec) -> list[str]:
    """Return the constants that describe the frame format."""
    fmt = spec.fmt
    lines = [
        f"MAX_PAYLOAD = {fmt.max_payload}",
        f"LEAD_BYTES = {fmt.envelope.lead_bytes}",
        f"CHECK_BYTES = {fmt.check_bytes}",
        f"HEX_CHECK = {fmt.check_form == 'hex'}",
        f"SEQUENCE = {fmt.sequence}",
        f"LAYOUT_ID = {-1 if fmt.layout_id is None else fmt.layout_id}",
        *_crc_settings(fmt.check, fmt.envelope.order == "big"),
    ]
    if fmt.delimiting in {"cobs", "slip", "hdlc", "newline"}:
        return lines + _stretch_settings(fmt)
    lines += [f"SYNC = {literal(fmt.sync)}", f"LONGEST_BODY = {spec.max_body}"]
    if fmt.delimiting == "counted":
        header = check_code(fmt.header_check)
        fields = fmt.length_bytes + (header.check_bytes if header is not None else 0)
        added = {
            "payload": -fmt.check_bytes,
            "payload-and-check": 0,
            "frame": len(fmt.sync) + fields,
        }[fmt.length_counts]
        lines += [
            f"SHORTEST_BODY = {fmt.overhead_bytes}",
            f"LENGTH_BYTES = {fmt.length_bytes}",
            f"LENGTH_BIG = {fmt.length_order == 'big'}",
            f"LENGTH_ADDED = {added}",
            f"HEADER_BYTES = {len(fmt.sync) + fields}",
            f"HEADER_CHECK = {header is not None}",
        ]
    return lines


def _stretch_settings(fmt: FrameFormat) -> list[str]:
    receiver = fmt.framing.receiver(fmt.envelope.open)
    delimiter, longest, leading = receiver.rule  # type: ignore[attr-defined]
    end = bytes([delimiter])
    terminator = fmt.terminator.encode("latin-1") if fmt.delimiting == "newline" else end
    lines = [
        f"DELIMITER = {literal(end)}",
        f"LEADING = {literal(end if leading else b'')}",
        f"TERMINATOR = {literal(terminator)}",
        f"LONGEST_STRETCH = {longest}",
        f"EMPTY_IS_FRAME = {fmt.delimiting == 'newline'}",
    ]
    return lines + ([f"ESCAPED = {literal(fmt.framing.escaped)}"] if fmt.delimiting == "hdlc" else [])
