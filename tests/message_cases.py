"""Layouts of the bean sorter, and what an encoding says of bytes that are no message."""

from __future__ import annotations

import pytest

from linkbudget import FrameError, MessageLayout

__all__ = ["layout", "refusal"]


def layout(*fields):
    """A message of these fields."""
    return MessageLayout("beans", fields)


def refusal(encoding, beans, data):
    """Reason and offset with which an encoding refuses bytes."""
    with pytest.raises(FrameError) as caught:
        encoding.decode(beans, data)
    return caught.value.reason, caught.value.offset
