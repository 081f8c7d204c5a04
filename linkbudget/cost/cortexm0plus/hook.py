"""The one hook that is called for every block, with as little between the emulator and us as there can be.

unicorn's own way calls three functions of Python for each block, which takes half of all time. Its library
can be given the callback directly; where the parts of the package that this takes are not as they are known
to be (unicorn 2.1), its own way serves as well.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any

from linkbudget.cost.cortexm0plus.blocks import SIZE_BITS

if TYPE_CHECKING:
    from unicorn import Uc

__all__ = ["hook_blocks"]

CALLBACK = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint32, ctypes.c_void_p)
HOME = "unicorn.unicorn_py3.unicorn"


def hook_blocks(
    uc: Uc, trace: list[int], most: int, full: Callable[[], None], failed: Callable[[BaseException], None]
) -> Any:
    """Have each block that is run noted in ``trace``: its address, shifted by `SIZE_BITS`, and its size.

    ``full`` is called when the trace has ``most`` blocks or more. What it raises goes to ``failed``, because
    nothing can be raised through the emulator. The caller keeps what is returned as long as it runs.
    """
    from unicorn import UC_HOOK_BLOCK

    note = trace.append

    def called(_: object, address: int, size: int, __: object) -> None:
        try:
            note(address << SIZE_BITS | size)
            if len(trace) >= most:
                full()
        except BaseException as error:
            failed(error)

    try:
        library, engine = import_module(HOME).uclib, uc._uch
    except (ImportError, AttributeError):
        uc.hook_add(UC_HOOK_BLOCK, called)
        return called
    callback, handle = CALLBACK(called), ctypes.c_size_t()
    status = library.uc_hook_add(
        engine,
        ctypes.byref(handle),
        UC_HOOK_BLOCK,
        ctypes.cast(callback, ctypes.c_void_p),
        None,
        # From 1 to 0 means everywhere.
        ctypes.c_uint64(1),
        ctypes.c_uint64(0),
    )
    if status != 0:
        uc.hook_add(UC_HOOK_BLOCK, called)
    return callback
