"""A capture's bytes against the model of the controller.

The room and its main function share a name, and an import of any module in here makes ``linkbudget.replay``
the room. So the room can be called, and ``linkbudget.replay(link, capture)`` means the function; ``help`` and
``inspect.signature`` tell of the function as well.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from importlib import import_module
from types import ModuleType
from typing import Any

ROOM_DOC = __doc__


class _Room(ModuleType):
    """A module that passes a call on to `linkbudget.replay.run.replay`."""

    def __call__(self, *args: Any, **settings: Any) -> Any:
        """Return the `Replay` of a capture; see `linkbudget.replay.run.replay`."""
        from linkbudget.replay.run import replay

        return replay(*args, **settings)

    def __reduce__(self) -> tuple[Callable[[str], ModuleType], tuple[str]]:
        """Let other processes have it: executors pickle what they are given to call."""
        return import_module, (__name__,)

    @property
    def __signature__(self) -> inspect.Signature:
        """The parameters of the function."""
        from linkbudget.replay.run import replay

        return inspect.signature(replay)


def _doc(room: _Room) -> str:
    """Return what the room holds and how the function is called."""
    from linkbudget.replay.run import replay

    return f"{ROOM_DOC}\nreplay{room.__signature__}\n    {replay.__doc__}"


# In a class statement ``__doc__`` is that of the class; a property of its instances has to be set afterwards.
_Room.__doc__ = property(_doc)  # type: ignore[assignment]
sys.modules[__name__].__class__ = _Room
