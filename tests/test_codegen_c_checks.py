"""Every check of the catalogue in C, with and without a table, against its published check value."""

from __future__ import annotations

import subprocess

from c_codecs import FLAGS, SANITIZERS, tool

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm
from linkbudget.check.sums import SUMS
from linkbudget.codegen.c.checks import CheckText

OWN = (
    CrcAlgorithm("own-1", 1, 1),
    CrcAlgorithm("own-3", 3, 0x3, init=0x7, refin=True, refout=True, xorout=0x7),
    CrcAlgorithm("own-5", 5, 0x15, init=0x0A, refin=False, refout=True),
    CrcAlgorithm("own-16", 16, 0x1021, init=0x1D0F, refin=True, refout=False, xorout=3),
    CrcAlgorithm("own-31", 31, 0x04C11DB7, init=5),
    CrcAlgorithm("own-64", 64, 0x42F0E1EBA9EA3693, init=9, refin=True, refout=True),
)


def test_the_whole_catalogue(tmp_path):
    """The ASCII digits 1 to 9 give the `check` of the public catalogue (of our own: that of the library)."""
    tool("gcc")
    texts, calls, wanted = [], [], []
    for check in (*ALGORITHMS.values(), *SUMS.values(), *OWN):
        for table in (False, True):
            name = f"c{len(calls)}"
            text = CheckText(check, "big", False, table, name)
            texts += [text.step(), text.pair(), text.value()]
            start = f"{text.type} r = {text.number(text.start)}; {text.wide} w = r;"
            loop = f"for (i = 0; i < 9; i++) {{ r = {name}_step(r, digits[i]); }}"
            both = f"{name}_both(digits[i], digits[i + 1])"
            pairs = f"for (i = 0; i < 8; i += 2) {{ w = {name}_pair(w, {both}); }}"
            last = f'if ({name}_step(({text.type})w, digits[8]) != r) {{ puts("pairs differ"); }}'
            shown = f'printf("%" PRIx64 "\\n", (uint64_t){name}_value(r));'
            calls.append(f"{{ {start} {loop} {pairs} {last} {shown} }}")
            wanted.append(f"{check.compute(b'123456789') if check.check is None else check.check:x}")
    body = "\n".join(calls)
    source = (
        "#include <inttypes.h>\n#include <stdint.h>\n#include <stdio.h>\n"
        + "\n".join(texts)
        + "\nint main(void)\n{\nconst uint8_t digits[] = {49,50,51,52,53,54,55,56,57};\nint i;\n"
        + f"{body}\nreturn 0;\n}}\n"
    )
    (tmp_path / "checks.c").write_text(source, encoding="utf-8")
    command = ["gcc", *FLAGS, *SANITIZERS, "-o", "checks", "checks.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[:3000]
    shown = subprocess.run([tmp_path / "checks"], capture_output=True, text=True).stdout.split()
    assert shown == wanted
    assert len(shown) == 2 * (len(ALGORITHMS) + len(SUMS) + len(OWN))


def test_what_stands_before_a_byte_of_zero():
    """Taken over the zero of the first code, a check must come to where it begins."""
    for check in (*ALGORITHMS.values(), *OWN):
        text = CheckText(check, check.byte_order, False, False)
        assert text.stepped(text.before_zero, 0) == text.start, check.name
    assert CheckText(CrcAlgorithm("own-even", 8, 0x30), "big", False, False).before_zero is None


def test_a_residue_does_not_depend_on_the_body():
    """Published good final values of the register: RFC 1662, F0B8 and DEBB20E3 (before the complement)."""
    for name, residue in (("CRC-16/IBM-SDLC", 0xF0B8), ("CRC-32/ISO-HDLC", 0xDEBB20E3)):
        assert CheckText(ALGORITHMS[name], "little", False, False).residue == residue
    for check in ALGORITHMS.values():
        text = CheckText(check, check.byte_order, False, False)
        if text.residue is None:
            assert check.width % 8 or check.refin != check.refout
            continue
        register = text.start
        for byte in check.append(b"stone, husk"):
            register = text.stepped(register, byte)
        assert register == text.residue, check.name
