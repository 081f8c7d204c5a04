"""A linked program: its bytes, its symbols, and how many bytes of code each symbol takes."""

from __future__ import annotations

import io
from bisect import bisect_right
from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["Image", "Piece", "Symbol", "read_image", "section_names"]


class Symbol(NamedTuple):
    """A function or an object: its first address (without the Thumb bit) and its size in bytes."""

    name: str
    address: int
    size: int
    function: bool


class Piece(NamedTuple):
    """A section that takes memory: ``data`` is shorter than ``size`` where the rest is zero."""

    name: str
    address: int
    size: int
    data: bytes
    writable: bool


@dataclass(frozen=True)
class Image:
    """A linked program. ``symbols`` are sorted by address, and the largest at one address is first."""

    pieces: tuple[Piece, ...]
    symbols: tuple[Symbol, ...]

    def address(self, name: str) -> int | None:
        """Return the address of a symbol, None when there is none of that name."""
        return next((symbol.address for symbol in self.symbols if symbol.name == name), None)

    def symbol_at(self, address: int) -> Symbol | None:
        """Return the function or object an address lies in."""
        at = bisect_right(self.symbols, address, key=lambda symbol: symbol.address)
        for symbol in reversed(self.symbols[:at]):
            if symbol.size:
                inside = address < symbol.address + symbol.size
                first = next(other for other in self.symbols[:at] if other.address == symbol.address)
                return first if inside else None
        return None

    def where(self, address: int) -> str:
        """Return an address in words: ``name+offset`` when it lies in something known, else the number."""
        symbol = self.symbol_at(address)
        if symbol is None:
            return f"0x{address:08x}"
        offset = address - symbol.address
        return (
            f"{symbol.name}+0x{offset:x} (0x{address:08x})" if offset else f"{symbol.name} (0x{address:08x})"
        )

    @property
    def code_bytes(self) -> dict[str, int]:
        """Bytes of flash by symbol, in order of address: code, constants and initial values.

        What no symbol names (constants, padding) stands under ``(without a name)``; the sum is the size of
        what is flashed.
        """
        found: dict[str, int] = {}
        for piece in self.pieces:
            if not piece.data:
                continue
            end = piece.address
            for symbol in self.symbols:
                inside = piece.address <= symbol.address < piece.address + len(piece.data)
                if inside and symbol.address >= end and symbol.size:
                    found[symbol.name] = found.get(symbol.name, 0) + symbol.size
                    end = symbol.address + symbol.size
        rest = sum(len(piece.data) for piece in self.pieces) - sum(found.values())
        return {**found, "(without a name)": rest} if rest else found

    @property
    def static_bytes(self) -> int:
        """Bytes of RAM that static objects take."""
        return sum(piece.size for piece in self.pieces if piece.writable)


def section_names(elf: bytes) -> list[str]:
    """Return the names of the sections of an object file."""
    from elftools.elf.elffile import ELFFile

    return [section.name for section in ELFFile(io.BytesIO(elf)).iter_sections()]


def read_image(elf: bytes) -> Image:
    """Return what a linked ELF file holds; debugging sections are left out."""
    from elftools.elf.constants import SH_FLAGS
    from elftools.elf.elffile import ELFFile
    from elftools.elf.sections import SymbolTableSection

    file = ELFFile(io.BytesIO(elf))
    pieces, symbols = [], []
    for section in file.iter_sections():
        if isinstance(section, SymbolTableSection):
            symbols += [
                Symbol(
                    symbol.name,
                    symbol["st_value"] & ~1 if kind == "STT_FUNC" else symbol["st_value"],
                    symbol["st_size"],
                    kind == "STT_FUNC",
                )
                for symbol in section.iter_symbols()
                if (kind := symbol["st_info"]["type"]) in ("STT_FUNC", "STT_OBJECT", "STT_NOTYPE")
                and symbol.name
                and not symbol.name.startswith("$")
                and symbol["st_shndx"] not in ("SHN_UNDEF", "SHN_ABS")
            ]
        elif section["sh_flags"] & SH_FLAGS.SHF_ALLOC and section["sh_size"]:
            data = b"" if section["sh_type"] == "SHT_NOBITS" else section.data()
            writable = bool(section["sh_flags"] & SH_FLAGS.SHF_WRITE)
            pieces.append(Piece(section.name, section["sh_addr"], section["sh_size"], data, writable))
    symbols.sort(key=lambda symbol: (symbol.address, -symbol.size, symbol.name))
    return Image(tuple(pieces), tuple(symbols))
