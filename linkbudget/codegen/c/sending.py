"""Framing of what is sent in C: how a frame is begun, stuffed and ended."""

from __future__ import annotations

from dataclasses import dataclass

from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.text import chosen, indented, runtime

__all__ = ["Sending"]

STUFFING = {"cobs": "stuff_cobs", "slip": "stuff_slip", "hdlc": "stuff_hdlc"}


@dataclass(frozen=True)
class Sending:
    """The functions that write the frames of one direction."""

    framing: Framing

    def writer_members(self) -> list[str]:
        """Return the members of the writer that this framing needs."""
        lines = ["size_t code_at;"] if self.framing.kind == "cobs" else []
        return [*lines, f"{self.framing.check.type} check;"] if self.framing.check is not None else lines

    def stuffing(self) -> str:
        """Return the function that writes one byte of a body."""
        return chosen(runtime(STUFFING.get(self.framing.kind, "stuff_plain")), self.framing.known)

    def opening(self, uses_bits: bool) -> str:
        """Return the function that begins a frame."""
        fmt = self.framing.spec.fmt
        lines = ["out->buffer = buffer;", "out->capacity = capacity;", "out->length = 0u;", "out->body = 0u;"]
        lines.append("out->room = 1u;")
        if uses_bits:
            lines += ["out->bits = 0u;", "out->used = 0u;"]
        if self.framing.check is not None:
            lines.append(f"out->check = {self.framing.check.number(self.framing.check.start)};")
        leading = fmt.leading_delimiter if fmt.leading_delimiter is not None else self.framing.kind == "hdlc"
        if not self.framing.searches and leading and self.framing.kind != "newline":
            lines.append("lb_out(out, LB_DELIMITER);")
        if self.framing.kind == "cobs":
            lines += ["out->code_at = out->length;", "lb_out(out, 0u);"]
        if self.framing.kind == "counted":
            lines += [f"lb_out(out, {byte:#04x}u);" for byte in self.framing.sync]
            count = self.framing.header_bytes - len(self.framing.sync)
            lines += ["/* The length is known at the end. */"]
            lines += ["lb_out(out, 0u);"] * count
        more = ""
        if fmt.sequence:
            more = ", uint8_t sequence"
            lines.append("lb_put(out, sequence);")
        if fmt.layout_id is not None:
            lines.append(f"lb_put(out, {fmt.layout_id}u);")
        text = "\n".join(indented(lines))
        head = f"static void lb_open(lb_writer *out, uint8_t *buffer, size_t capacity{more})"
        return f"{head}\n{{\n{text}\n}}\n"

    def closing(self) -> str:
        """Return the function that ends a frame and returns its length."""
        fmt = self.framing.spec.fmt
        lead = fmt.envelope.lead_bytes
        lines = []
        most = f"out->body > LB_MAX_PAYLOAD + {lead}u" if lead else "out->body > LB_MAX_PAYLOAD"
        lines += [f"if ({most}) {{", "    return 0u;", "}"]
        if self.framing.check is not None:
            check = self.framing.check
            inner = [f"const {check.type} check = lb_check_value(out->check);", ""]
            for byte in check.bytes_of("check"):
                if check.hex_form:
                    inner += [f"lb_stuff(out, lb_hex_{half}({byte}));" for half in ("high", "low")]
                else:
                    inner.append(f"lb_stuff(out, {byte});")
            lines += ["{", *indented(inner), "}"]
        if self.framing.kind == "cobs":
            # The last block ends where the delimiter stands.
            lines += ["lb_close_block(out);"]
        elif self.framing.kind == "newline":
            lines += [f"lb_out(out, {byte:#04x}u);" for byte in self.framing.line_end]
        elif not self.framing.searches:
            lines.append("lb_out(out, LB_DELIMITER);")
        if self.framing.kind == "counted":
            lines += self._length_written()
        lines.append("return out->room != 0u ? out->length : 0u;")
        text = "\n".join(indented(lines))
        return f"static size_t lb_finish(lb_writer *out)\n{{\n{text}\n}}\n"

    def _length_written(self) -> list[str]:
        fmt, sync = self.framing.spec.fmt, len(self.framing.sync)
        size = fmt.length_bytes
        added = self.framing.added + fmt.check_bytes
        length = f"(uint32_t)out->body + {added}u" if added else "(uint32_t)out->body"
        places = range(size) if fmt.length_order == "little" else range(size - 1, -1, -1)
        lines = [f"const uint32_t length = {length};"]
        if self.framing.header_check is not None:
            check = self.framing.header_check
            lines.append(f"{check.type} check = {check.number(check.start)};")
        lines.append("")
        lines += [
            f"out->buffer[{sync + at}] = (uint8_t)(length >> {8 * place});"
            if place
            else f"out->buffer[{sync + at}] = (uint8_t)length;"
            for at, place in enumerate(places)
        ]
        if self.framing.header_check is not None:
            check = self.framing.header_check
            lines += [f"check = lb_header_check_step(check, out->buffer[{sync + at}]);" for at in range(size)]
            lines.append("check = lb_header_check_value(check);")
            lines += [
                f"out->buffer[{sync + size + at}] = {byte};"
                for at, byte in enumerate(check.bytes_of("check"))
            ]
        return ["if (out->room != 0u) {", *indented(lines), "}"]
