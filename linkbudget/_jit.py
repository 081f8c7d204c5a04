"""The one import of numba, and the list of plain/kernel pairs.

A heavy path exists twice: the *plain form* is the reference and serves small inputs; the *kernel* serves
large ones. Each pair is one row of `PAIRS`. ``tests/test_kernels.py`` walks the list, holds both forms
equal, and fails on a kernel module whose functions are not listed here.

``LINKBUDGET_KERNELS`` is ``auto`` (kernels from the change-over size on, which may be reached by several
inputs together, as the pieces of a file), ``never`` or ``always``. numba is imported when the first kernel is
called for, never before; without it, or where its cache of compiled code cannot be written, everything still
runs.

For whoever writes a kernel:

* One kernel compiles once for each combination of types. A read-only array is another type than a writable
  one, a strided one another than a contiguous one: what goes in is brought to `given`, what comes out is a
  new array.
* The cache of compiled code is renewed when the kernel's own file changes, not when a function it calls in
  another file does: helpers stand in the same file.
* Mixed with uint64, int64 becomes a float: constants are cast. A signed index costs a test for negative
  ones on each access: places are uint64.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, update_wrapper
from threading import Lock
from typing import TYPE_CHECKING, Any, Generic, ParamSpec, TypeVar

from linkbudget.errors import Fault, SettingsError, nearest_name, warn

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

__all__ = [
    "PAIRS",
    "Kernel",
    "Pair",
    "given",
    "helper",
    "kernel",
    "kernel_mode",
    "kernel_of_parts",
    "number_reader",
    "part",
    "use_kernel",
]

MODES = ("auto", "never", "always")
P = ParamSpec("P")
R = TypeVar("R")
S = TypeVar("S", bound="np.generic")


@dataclass(frozen=True)
class Pair:
    """A heavy path: its plain form and, when there is one, its kernel.

    ``public`` is the function that users call and that chooses between ``plain`` and ``kernel`` (all
    ``module:function``). ``change_over`` is the input size in ``unit`` from which the kernel wins in a fresh
    process, import of numba included and compiled before; ``strategy`` names the hypothesis strategy in
    ``tests/strategies_kernels.py`` that feeds both.
    """

    name: str
    public: str
    plain: str
    unit: str
    kernel: str | None = None
    change_over: int | None = None
    strategy: str | None = None


PAIRS: tuple[Pair, ...] = (
    Pair(
        "characters",
        "linkbudget.traffic.characters:decode_characters",
        "linkbudget.traffic.characters:plain_characters",
        "edges",
        "linkbudget.traffic._kernels:characters",
        1_000_000,
        "level_inputs",
    ),
    Pair(
        "vcd",
        "linkbudget.capture.vcd:load_vcd",
        "linkbudget.capture.vcd:Body",
        "bytes",
        "linkbudget.capture._kernels:vcd_changes",
        4_000_000,
        "vcd_files",
    ),
    Pair(
        "table",
        "linkbudget.capture.table:load_table",
        "linkbudget.capture.table:plain_table_pieces",
        "bytes",
        "linkbudget.capture._kernels:level_rows",
        1_000_000,
        "table_files",
    ),
    Pair(
        "checks",
        "linkbudget.check.many:compute_many",
        "linkbudget.check.many:plain_many",
        "nanoseconds that the plain form takes, about",
        "linkbudget.check._kernels:check_pieces",
        250_000_000,
        "check_pieces",
    ),
    Pair(
        "distances",
        "linkbudget.check.strength:hamming_distance_lengths",
        "linkbudget.check.distances:plain_search",
        "sums of flips",
        "linkbudget.check._kernels:shortest_word",
        10_000_000,
        "polynomials",
    ),
    Pair(
        "dual",
        "linkbudget.check.weights:dual_weights",
        "linkbudget.check.weights:plain_counts",
        "dual codewords",
        "linkbudget.check._kernels:dual_counts",
        1_000_000,
        "dual_codes",
    ),
    Pair(
        "deframe",
        "linkbudget.frame.bulk:deframe_all",
        "linkbudget.frame.bulk:plain_table",
        "bytes",
        "linkbudget.frame._kernels:delimited_frames",
        2_000_000,
        "frame_streams",
    ),
    Pair(
        "receiver",
        "linkbudget.replay.receiver:run_receiver",
        "linkbudget.replay.receiver:plain_run",
        "bytes",
        "linkbudget.replay._kernels:receive",
        250_000,
        "receiver_cases",
    ),
    Pair(
        "walk",
        "linkbudget.replay.walk:walk",
        "linkbudget.replay.walk:plain_walk",
        "passes",
        "linkbudget.replay._motion_kernels:step",
        500_000,
        "joint_orders",
    ),
    Pair(
        "motion",
        "linkbudget.replay.motion:judge",
        "linkbudget.replay.motion:plain_judge",
        "knots of a path",
        "linkbudget.replay._motion_kernels:judge",
        500_000,
        "joint_paths",
    ),
    Pair(
        "read_frames",
        "linkbudget.replay.verdicts:read_frames",
        "linkbudget.replay.verdicts:plain_read_frames",
        "frames",
        "linkbudget.replay._book_kernels:read_frames",
        100_000,
        "frame_payloads",
    ),
    Pair(
        "matched",
        "linkbudget.replay.matching:matched",
        "linkbudget.replay.matching:plain_matched",
        "message ends",
        "linkbudget.replay._book_kernels:matched",
        100_000,
        "matched_ends",
    ),
    Pair(
        "chosen",
        "linkbudget.replay.matching:chosen",
        "linkbudget.replay.matching:plain_chosen",
        "accepted messages",
        "linkbudget.replay._book_kernels:chosen",
        100_000,
        "accepted_messages",
    ),
    Pair(
        "judged",
        "linkbudget.replay.matching:judged",
        "linkbudget.replay.matching:plain_judged",
        "frames",
        "linkbudget.replay._book_kernels:judged",
        100_000,
        "unjudged_frames",
    ),
    Pair(
        "caught_up",
        "linkbudget.replay.matching:caught_up",
        "linkbudget.replay.matching:plain_caught_up",
        "message ends",
        "linkbudget.replay._book_kernels:caught_up",
        100_000,
        "parsed_ends",
    ),
    Pair(
        "tallied",
        "linkbudget.replay.totals:tallied",
        "linkbudget.replay.totals:plain_tallied",
        "passes",
        "linkbudget.replay._book_kernels:tallied",
        100_000,
        "rows_of_passes",
    ),
    Pair(
        "laid_out",
        "linkbudget.replay.matching:laid_out",
        "linkbudget.replay.matching:plain_laid_out",
        "characters",
        "linkbudget.replay._book_kernels:laid_out",
        1_000_000,
        "lost_stretches",
    ),
    Pair(
        "gaps_in",
        "linkbudget.replay.intervals:gaps_in",
        "linkbudget.replay.intervals:plain_gaps_in",
        "characters",
        "linkbudget.replay._book_kernels:gaps_in",
        1_000_000,
        "arrivals",
    ),
)
CHANGE_OVER = {pair.name: pair.change_over for pair in PAIRS}
NOT_COUNTED = {"_nrt": False}  # "numba run time": without it nothing can be allocated
SMALL_SHARE = 100
"""An input this many times smaller than the change-over is faster in plain form, whatever came before."""
STARTED_SHARE = 8
"""Once a kernel has run, numba is there, and so much smaller inputs are worth loading another one."""
seen = dict.fromkeys(CHANGE_OVER, 0)
"""What has come so far, in the unit of each pair."""
ONE_AT_A_TIME = Lock()
started: set[str] = set()
"""The kernels that have run."""


def kernel_mode() -> str:
    """Return ``auto``, ``never`` or ``always`` from ``LINKBUDGET_KERNELS``."""
    mode = os.environ.get("LINKBUDGET_KERNELS", "auto")
    if mode not in MODES:
        raise SettingsError(Fault("LINKBUDGET_KERNELS", mode, ", ".join(MODES), nearest_name(mode, MODES)))
    return mode


@lru_cache(maxsize=1)
def load_numba() -> Any:
    """Return the module numba, or None where it is missing or does not work (then with a warning)."""
    try:
        import numba
    except (ImportError, OSError) as error:
        if not isinstance(error, ModuleNotFoundError) or error.name != "numba":
            warn(f"numba is installed but cannot be used, so large captures take longer: {error}")
        return None
    return numba


def use_kernel(name: str, size: int) -> bool:
    """Return whether the pair ``name`` shall use its kernel for an input of this size, in its unit.

    `SettingsError` when kernels are asked for always and there is no numba.
    """
    mode = kernel_mode()
    change_over = CHANGE_OVER[name]
    if change_over is None or mode == "never":
        return False
    if mode == "auto":
        seen[name] += size
        if started:
            change_over //= STARTED_SHARE
        if seen[name] < change_over or size * SMALL_SHARE < change_over:
            return False
    if load_numba() is not None:
        return True
    if mode == "always":
        raise SettingsError(Fault("LINKBUDGET_KERNELS", mode, "auto or never, because numba is missing"))
    return False


class Kernel(Generic[P, R]):
    """A function that is compiled when it is first called, from numba's cache where that can be used."""

    def __init__(self, function: Callable[P, R], **options: bool) -> None:
        self.function = function
        self.options = options
        self.compiled: Any = None
        update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        if self.compiled is None:
            started.add(self.function.__name__)
            with ONE_AT_A_TIME:
                if self.compiled is None:
                    self.compiled = compiled(self.function, cache=True, **self.options)
        try:
            result: R = self.compiled(*args, **kwargs)
        except OSError:
            # The cache could not be read or written (a full disk, another user's files). A kernel touches no
            # file, so nothing of it has run yet.
            self.compiled = compiled(self.function, cache=False, **self.options)
            result = self.compiled(*args, **kwargs)
        return result


def compiled(function: Callable[P, R], *, cache: bool, **options: bool) -> Any:
    """Return the function as numba compiles it; without a cache where there is no place for one."""
    njit = load_numba().njit
    try:
        return njit(nogil=True, error_model="numpy", cache=cache, **options)(function)
    except RuntimeError:
        if not cache:
            raise
        # "cannot cache function": neither the folder of the source nor a home can be written.
        return compiled(function, cache=False, **options)


def kernel(function: Callable[P, R]) -> Kernel[P, R]:
    """Make a kernel of a function; nothing is imported or compiled before its first call."""
    return Kernel(function)


def helper(function: Callable[P, R]) -> Callable[P, R]:
    """Make a function that kernels of the same file may call."""
    made: Callable[P, R] = load_numba().njit(nogil=True, error_model="numpy", forceinline=True)(function)
    return made


def kernel_of_parts(function: Callable[P, R]) -> Kernel[P, R]:
    """Make a kernel that is put together from `part` functions; it makes no arrays."""
    return Kernel(function, **NOT_COUNTED)


def part(function: Callable[P, R]) -> Callable[P, R]:
    """Make a function that such a kernel calls, where everything inlined would take too long to compile.

    References to arrays are not counted, so a call is cheap; it cannot make any either.
    """
    made: Callable[P, R] = load_numba().njit(nogil=True, error_model="numpy", **NOT_COUNTED)(function)
    return made


def number_reader() -> Any:
    """Return a function for `part` functions: the number of 64 bits in an array, by its address and place.

    An array among the arguments is handed on in seven words from part to part, an address in one. Whoever
    gives the address keeps the array.
    """
    load_numba()
    from llvmlite import ir  # type: ignore[import-untyped]
    from numba import types
    from numba.extending import intrinsic

    @intrinsic
    def number_at(typing: Any, address: Any, place: Any) -> Any:
        def load(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            array = builder.inttoptr(arguments[0], ir.IntType(64).as_pointer())
            return builder.load(builder.gep(array, [arguments[1]]))

        return types.int64(types.int64, types.int64), load

    return number_at


def given(array: npt.NDArray[S]) -> npt.NDArray[S]:
    """Return an array as kernels take what they only read: contiguous and read-only."""
    import numpy as np

    view = np.ascontiguousarray(array).view()
    view.setflags(write=False)
    return view
