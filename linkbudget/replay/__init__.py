"""A capture's bytes against the model of the controller.

The room and its main function share a name, and an import of any module in here makes ``linkbudget.replay``
the room. So the room can be called: ``linkbudget.replay(link, capture)`` means the function either way, and
``help`` and ``inspect.signature`` tell of the function in both cases.
"""

from __future__ import annotations

import inspect
import sys
from types import ModuleType
from typing import Any

ROOM_DOC = __doc__


class _Room(ModuleType):
    """A module that passes a call on to `linkbudget.replay.run.replay`."""

    def __call__(self, *args: Any, **settings: Any) -> Any:
        """Return the `Replay` of a capture; see `linkbudget.replay.run.replay`."""
        from linkbudget.replay.run import replay

        return replay(*args, **settings)

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
