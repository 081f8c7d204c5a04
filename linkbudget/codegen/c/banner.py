"""What stands at the head of every generated C file."""

from __future__ import annotations

import textwrap

from linkbudget.codegen.spec import DirectionSpec

__all__ = ["banner"]

CAUTIONS = """\
This code carries bytes and is no safety function. Try it first with the motor supply or the linkage off, and
give the motor supply an emergency stop. Joints can pinch, and can drop when power goes. Say what the safe
state is and enter it when lb_age() says that fresh data stopped: a check code finds most damage, not all of
it. Where people can be hurt, local codes and licensed practice decide."""


def banner(spec: DirectionSpec, what: str) -> str:
    """Return the comment: what the file is, from what it was made, and the cautions."""
    from linkbudget import __version__

    fmt = spec.fmt
    check = "no check" if fmt.check is None else fmt.check.name
    layout = "none" if fmt.layout_id is None else str(fmt.layout_id)
    names = ", ".join(message.name for message in spec.messages)
    text = [
        what,
        f"Made by linkbudget {__version__} for the direction {spec.direction}; layout id: {layout}. "
        "Do not edit: change the link file and generate again.",
        f"Frames: {fmt.delimiting}, {check}, at most {spec.max_frame} bytes. Messages: {names}.",
        CAUTIONS.replace("\n", " "),
    ]
    safe = [part.replace("*/", "* /").replace("\\", "/") for part in text]
    filled = ["\n".join(textwrap.wrap(part, 96)) for part in safe]
    body = "\n\n".join(filled).replace("\n", "\n   ").replace("\n   \n", "\n\n")
    return f"/* {body} */\n"
