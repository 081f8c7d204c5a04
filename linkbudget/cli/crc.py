"""``linkbudget crc``: the check codes there are, their values, and how strong they are."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from linkbudget.cli.capture_input import INPUT_FILE, json_option
from linkbudget.cli.output import Notes, emit_document, emit_page
from linkbudget.errors import nearest_name, warn

if TYPE_CHECKING:
    from linkbudget.check.algorithms import CrcAlgorithm
    from linkbudget.check.code import Check

__all__ = ["command"]

Function = TypeVar("Function", bound=Callable[..., Any])
EXIT_NONE_IS_STRONG_ENOUGH = 1
OWN = "own"


class Subcommands(click.Group):
    """A group that tells an unknown name the nearest one."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return name, command and remaining arguments."""
        name = args[0]
        if name not in self.commands and not name.startswith("-"):
            nearest = nearest_name(name, self.commands)
            hint = f"did you mean {nearest!r}?" if nearest else f"there are: {', '.join(self.commands)}"
            raise click.UsageError(f"no command {name!r} of crc; {hint}", ctx)
        return super().resolve_command(ctx, args)


def hexadecimal(text: str) -> int:
    """Return a number of a CRC, as in ``0x1021``; without the 0x it could be a decimal one."""
    try:
        if not text.lower().startswith("0x"):
            raise ValueError
        return int(text, 16)
    except ValueError:
        raise click.BadParameter(f"{text!r} is no hexadecimal number as in 0x1021") from None


own_options = (
    click.option("--width", type=click.IntRange(1), metavar="BITS", help="Width of a CRC of your own."),
    click.option("--poly", type=hexadecimal, metavar="HEX", help="Its polynomial, as in 0x1021 (normal)."),
)
value_options = (
    click.option("--init", type=hexadecimal, default="0x0", metavar="HEX", help="Its start value, else 0x0."),
    click.option("--refin", is_flag=True, help="It takes bytes from their lowest bit."),
    click.option("--refout", is_flag=True, help="It turns its bits round at the end."),
    click.option(
        "--xorout",
        type=hexadecimal,
        default="0x0",
        metavar="HEX",
        help="Mixed in at the end, else 0x0.",
    ),
)
length_options = (
    click.option(
        "--data-bytes", type=click.IntRange(1), metavar="N", help="Length of the data, check not counted."
    ),
    click.option("--data-bits", type=click.IntRange(1), metavar="N", help="The same in bits."),
)
line_options = (
    click.option("--bit-error-rate", type=float, metavar="P", help="Share of the bits that are flipped."),
    click.option("--rate", type=float, metavar="HZ", help="Frames a second."),
)


def with_options(*groups: tuple[Callable[[Any], Any], ...]) -> Callable[[Function], Function]:
    """Return a decorator that adds groups of options in the order of the help page."""

    def add(function: Function) -> Function:
        for option in reversed([option for group in groups for option in group]):
            function = option(function)
        return function

    return add


@click.group("crc", cls=Subcommands)
def command() -> None:
    """Check codes: which there are, their values, and how strong they are.

    Each of these commands takes --json. A CRC is given by its name in the public catalogue of parametrised
    CRC algorithms, or with --width and --poly.
    """


@command.command("list", short_help="The check codes there are, or one in full.")
@click.argument("word", required=False)
@click.option("--width", type=click.IntRange(1, 64), metavar="BITS", help="Those of this width only.")
@json_option
@click.pass_obj
def list_command(notes: Notes, word: str | None, width: int | None, as_json: bool) -> None:
    """List the check codes, or those whose name or second name holds WORD; one is shown in full."""
    document = {"algorithms": [facts_of(code) for code in codes_with(word, width)]}
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.crc_page import list_page

        emit_page(list_page(document))


@command.command("compute", short_help="The check of data, and its bytes on the wire.")
@click.argument("name", required=False)
@with_options(own_options, value_options)
@click.option("--text", help="The data as text, in UTF-8.")
@click.option("--hex", "hex_", metavar="BYTES", help="The data in hexadecimal, as in '01 a0 ff'.")
@click.option("--file", type=INPUT_FILE, help="The data in a file.")
@json_option
@click.pass_obj
def compute_command(
    notes: Notes,
    /,
    name: str | None,
    text: str | None,
    hex_: str | None,
    file: Path | None,
    as_json: bool,
    **own: Any,
) -> None:
    """Compute the check code NAME of data, and the bytes it has on the wire."""
    code = code_of(name, own)
    data = data_of(text, hex_, file)
    value = code.compute(data)
    document = {
        "name": code.name,
        "width": code.width,
        "bytes": len(data),
        "value": value,
        "wire": value.to_bytes(code.check_bytes, code.byte_order).hex(" "),
        "byte_order": code.byte_order,
        "computed_by": engine_of(code),
    }
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.crc_page import compute_page

        emit_page(compute_page(document))


@command.command("strength", short_help="How strong a CRC is.")
@click.argument("name", required=False)
@with_options(own_options, value_options, length_options, line_options)
@click.option(
    "--distance", type=click.IntRange(3), default=8, metavar="N", help="Last Hamming distance; 8 by default."
)
@json_option
@click.pass_obj
def strength_command(
    notes: Notes,
    /,
    name: str | None,
    data_bytes: int | None,
    data_bits: int | None,
    bit_error_rate: float | None,
    rate: float | None,
    distance: int,
    as_json: bool,
    **own: Any,
) -> None:
    """Show how strong a CRC is: longest data for each Hamming distance, bursts, what goes undetected.

    With --data-bytes also at that length; with --bit-error-rate and --rate in frames a year.
    """
    from linkbudget.check.advice import CrcStrength

    bits = bits_of(data_bytes, data_bits)
    if bits is None and (bit_error_rate, rate) != (None, None):
        raise click.UsageError("--bit-error-rate and --rate need --data-bytes: how long the frames are")
    code = crc_of(name, own)
    # Without a length, what depends on it is worked out for a single bit and left out.
    distance = min(distance, 2 * code.width + 2)
    document = CrcStrength(code, bits or 1, bit_error_rate, rate, distance).to_dict()
    if bits is None:
        document = {key: value for key, value in document.items() if key not in OF_A_LENGTH}
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.crc_page import strength_page

        emit_page(strength_page(document))


OF_A_LENGTH = {
    "data_bits",
    "hamming_distance",
    "past_order",
    "weights",
    "bit_error_rate",
    "rate_hz",
    "undetected_probability",
    "undetected_per_year",
    "exact",
}


@command.command("compare", short_help="CRCs ranked for data of one length.")
@click.argument("names", nargs=-1, metavar="[NAME]...")
@with_options(length_options, line_options)
@click.option("--distance", type=click.IntRange(3), metavar="N", help="Hamming distance that is needed.")
@click.option(
    "--undetected-per-year", type=float, metavar="N", help="Frames a year that may pass with flipped bits."
)
@json_option
@click.pass_obj
def compare_command(
    notes: Notes,
    /,
    names: tuple[str, ...],
    data_bytes: int | None,
    data_bits: int | None,
    bit_error_rate: float | None,
    rate: float | None,
    distance: int | None,
    undetected_per_year: float | None,
    as_json: bool,
) -> int:
    """Rank CRCs for data of one length: those named, or the catalogue up to 32 bits.

    Those that reach --distance and --undetected-per-year come first; exit code 1 when none does.
    """
    from linkbudget.check.advice import recommend_crc

    bits = bits_of(data_bytes, data_bits)
    if bits is None:
        raise click.UsageError(
            "--data-bytes N is needed: what a CRC detects depends on the length of the data"
        )
    if undetected_per_year is not None and (bit_error_rate is None or rate is None):
        raise click.UsageError("--undetected-per-year needs --bit-error-rate and --rate")
    for name in names:
        refuse_sum(name)
    found = recommend_crc(
        bits,
        hamming_distance=distance,
        undetected_per_year=undetected_per_year,
        bit_error_rate=bit_error_rate,
        rate_hz=rate,
        among=names or None,
    )
    document = found.to_dict()
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.crc_page import compare_page

        emit_page(compare_page(document))
    return 0 if found.rows else EXIT_NONE_IS_STRONG_ENOUGH


def codes_with(word: str | None, width: int | None) -> list[Check]:
    """Return the codes whose names hold a word; the one of exactly that name alone."""
    from linkbudget.check.algorithms import ALGORITHMS, check_code
    from linkbudget.check.catalogue import ALIASES
    from linkbudget.check.sums import SUMS

    every: list[Check] = [*ALGORITHMS.values(), *SUMS.values()]
    if word is not None:
        wanted = word.strip().upper()
        exact = [code for code in every if code.name.upper() == ALIASES.get(wanted, wanted)]
        every = exact or [code for code in every if any(wanted in name for name in names_of(code))]
        if not every:
            check_code(word)  # raises, with the nearest name
    chosen = [code for code in every if width in (None, code.width)]
    if not chosen:
        there = sorted({code.width for code in every})
        listed = ", ".join(map(str, there))
        raise click.UsageError(f"--width: no check code of {width} bits among them; there are: {listed}")
    return chosen


def names_of(code: Check) -> list[str]:
    """Return the name of a code and its second names, in capitals."""
    from linkbudget.check.catalogue import ALIASES

    return [code.name.upper(), *(alias for alias, name in ALIASES.items() if name == code.name)]


def facts_of(code: Check) -> dict[str, Any]:
    """Return all that the table says of a code; a simple sum has no more than a width and a check word."""
    from linkbudget.check.algorithms import CrcAlgorithm
    from linkbudget.check.sums import SUMS

    facts: dict[str, Any] = {"name": code.name, "kind": "sum", "width": code.width}
    if isinstance(code, CrcAlgorithm):
        facts |= {key: getattr(code, key) for key in ("poly", "init", "refin", "refout", "xorout")}
        residues = code.residues
        facts |= {
            "kind": "crc",
            "check": code.check,
            "residue": code.residue,
            "residues": {
                "register": residues.register,
                "reversed": residues.reversed,
                "returned": residues.returned,
            },
        }
    else:
        facts["check"] = SUMS[code.name].check
    return {
        **facts,
        "check_bytes": code.check_bytes,
        "byte_order": code.byte_order,
        "computed_by": engine_of(code),
        "aliases": names_of(code)[1:],
    }


def engine_of(code: Check) -> str:
    """Return what computes single frames of a code."""
    from linkbudget.check.algorithms import CrcAlgorithm

    return code.engine.name if isinstance(code, CrcAlgorithm) else "sum"


def code_of(name: str | None, own: dict[str, Any]) -> Check:
    """Return the code named, or the CRC of one's own."""
    from linkbudget.check.algorithms import check_code

    if name is None:
        return crc_of(None, own)
    refuse_own(own)
    code = check_code(name)
    if code is None:
        raise click.UsageError("'none' is no check code; linkbudget crc list shows those there are")
    return code


def crc_of(name: str | None, own: dict[str, Any]) -> CrcAlgorithm:
    """Return the CRC named, or that of one's own."""
    from linkbudget.check.algorithms import CrcAlgorithm, crc_algorithm
    from linkbudget.check.polynomials import koopman_in_normal

    if name is not None:
        refuse_own(own)
        refuse_sum(name)
        return crc_algorithm(name)
    if own["width"] is None or own["poly"] is None:
        raise click.UsageError("NAME is missing: a CRC of the catalogue, or --width and --poly of one's own")
    made = CrcAlgorithm(OWN, **own)
    if not made.poly & 1:
        normal = koopman_in_normal(made.width, made.poly)
        meant = "" if normal is None else f"; as Koopman's notation, which leaves it out, it is {normal:#x}"
        warn(f"poly {made.poly:#x} has no end term +1{meant}")
    return made


def refuse_sum(name: str) -> None:
    """Simple sums have no polynomial."""
    from linkbudget.check.sums import SUMS

    if name.strip().lower() in SUMS:
        raise click.UsageError(f"{name} is a simple sum; the strength of CRCs alone is known")


def refuse_own(own: dict[str, Any]) -> None:
    """A named CRC has its parameters."""
    given = [f"--{key}" for key, value in own.items() if value]
    if given:
        raise click.UsageError(f"{', '.join(given)}: for a CRC without a NAME only")


def data_of(text: str | None, hex_: str | None, file: Path | None) -> bytes:
    """Return the data of whichever option was given."""
    if [text, hex_, file].count(None) != 2:
        raise click.UsageError("the data are needed, once: --text, --hex or --file")
    if file is not None:
        return file.read_bytes()
    if text is not None:
        return text.encode("utf-8", "surrogateescape")
    try:
        return bytes.fromhex(str(hex_))
    except ValueError:
        raise click.UsageError(f"--hex: {hex_!r} is not bytes in hexadecimal as in '01 a0 ff'") from None


def bits_of(data_bytes: int | None, data_bits: int | None) -> int | None:
    """Return the length of the data in bits, None when it was not given."""
    if data_bytes is not None and data_bits is not None:
        raise click.UsageError("--data-bytes and --data-bits say the same; one is enough")
    return data_bits if data_bytes is None else 8 * data_bytes
