"""A capture's bytes against the model of the controller.

The room and its main function share a name, and an import of any module in here makes ``linkbudget.replay``
the room. So the room can be called: ``linkbudget.replay(link, capture)`` means the function either way.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _Room(ModuleType):
    """A module that passes a call on to `linkbudget.replay.run.replay`."""

    def __call__(self, *args: Any, **settings: Any) -> Any:
        """Return the `Replay` of a capture; see `linkbudget.replay.run.replay`."""
        from linkbudget.replay.run import replay

        return replay(*args, **settings)


sys.modules[__name__].__class__ = _Room
