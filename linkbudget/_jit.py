"""The one import of numba, and the list of plain/kernel pairs.

A heavy path exists twice: the *plain form* is the reference and serves small inputs; the *kernel* serves
large ones. Each pair is one row of `PAIRS`. ``tests/test_kernels.py`` walks the list, holds both forms
equal, and fails on a kernel module whose functions are not listed here.

``LINKBUDGET_KERNELS`` is ``auto`` (kernels from the change-over size on), ``never`` or ``always``.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from linkbudget.errors import Fault, SettingsError, nearest_name

__all__ = ["PAIRS", "Pair", "kernel_mode"]

MODES = ("auto", "never", "always")


@dataclass(frozen=True)
class Pair:
    """A heavy path: its plain form and, when there is one, its kernel.

    ``plain`` and ``kernel`` are ``module:function``; ``change_over`` is the input size (in ``unit``) from
    which the kernel is measured to be faster; ``strategy`` names the hypothesis strategy in
    ``tests/strategies.py`` that feeds both.
    """

    name: str
    plain: str
    unit: str
    kernel: str | None = None
    change_over: int | None = None
    strategy: str | None = None


PAIRS: tuple[Pair, ...] = (
    Pair("characters", "linkbudget.traffic.characters:decode_characters", "edges"),
    Pair("vcd", "linkbudget.capture.vcd:load_vcd", "bytes"),
    Pair("table", "linkbudget.capture.table:load_table", "bytes"),
    Pair("deframe", "linkbudget.frame.bulk:deframe_all", "bytes"),
    Pair("receiver", "linkbudget.replay.receiver:run_receiver", "bytes"),
)


def kernel_mode() -> str:
    """Return ``auto``, ``never`` or ``always`` from ``LINKBUDGET_KERNELS``."""
    mode = os.environ.get("LINKBUDGET_KERNELS", "auto")
    if mode not in MODES:
        raise SettingsError(Fault("LINKBUDGET_KERNELS", mode, ", ".join(MODES), nearest_name(mode, MODES)))
    return mode
