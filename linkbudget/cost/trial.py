"""One run of a parser over its chunks, in a process of its own.

A parser under trial may raise, never return, or take the interpreter down with it; and every run needs it
fresh. So each run is a child process: where processes can be forked it begins with the parser as it is (a
closure will do), elsewhere the parser is pickled. Before each call the child notes its number in memory that
both share. When the parent finds the same call running as one time-out earlier, the child is ended; a child
that has yet to begin is given fifty.

The clock is read right before and right after each call; an iterator that a call returns is exhausted before
the second reading. Collections of CPython's memory that fall into a call are timed through `gc.callbacks` and
taken out of its time. The messages are compared in the child, so that whatever they are made of never has to
travel.
"""

from __future__ import annotations

import gc
import multiprocessing
import pickle
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from linkbudget.cost.answers import Answers, Compare, compare_answers, messages_in
from linkbudget.errors import Fault, ParserError, SettingsError

if TYPE_CHECKING:
    from linkbudget.cost.chunks import Feed

__all__ = ["Clock", "Results", "Trial", "entry_of", "run_trial"]

Clock = Callable[[], int]
"""Nanoseconds from any beginning, never going back."""

Results = Callable[[Any], Sequence[Any]]
"""The parser after its last call to the messages it has collected."""

SHOWN_BYTES = 32
LOOKS_TO_BEGIN = 50


@dataclass(frozen=True)
class Trial:
    """One run: the time of each call with its pauses taken out, the pauses (call, ns), and the answers."""

    call_ns: tuple[int, ...]
    pauses: tuple[tuple[int, int], ...]
    answers: Answers


def entry_of(parser: Any) -> tuple[Any, Callable[[bytes], Any]]:
    """Return a parser, made if it is a class, and what is called with each chunk.

    Raises `SettingsError` for what can neither be called nor fed.
    """
    made = parser() if isinstance(parser, type) else parser
    feed = getattr(made, "feed", None)
    if callable(feed):
        return made, feed
    if callable(made):
        return made, made
    allowed = (
        "a function of a chunk, an object with feed, a class of such, or the path of a .py for MicroPython"
    )
    raise SettingsError(Fault("parser", type(made).__name__, allowed))


def timed_calls(
    feed: Callable[[bytes], Any], chunks: Sequence[bytes], clock: Clock, begin: Callable[[int], None]
) -> tuple[list[int], list[tuple[int, int]], list[Any]]:
    """Return the time of each call, the collections inside calls, and what the calls returned."""
    times: list[int] = []
    pauses: list[tuple[int, int]] = []
    returned: list[Any] = []
    started = [0]
    in_call = [False]

    def collecting(phase: str, info: dict[str, int]) -> None:
        if not in_call[0]:
            return
        if phase == "start":
            started[0] = clock()
        else:
            pauses.append((len(times), clock() - started[0]))

    gc.collect()
    gc.callbacks.append(collecting)
    try:
        for number, chunk in enumerate(chunks):
            begin(number)
            in_call[0] = True
            before = clock()
            answer = feed(chunk)
            if isinstance(answer, Iterator):
                answer = list(answer)
            after = clock()
            in_call[0] = False
            times.append(after - before)
            returned.append(answer)
    finally:
        in_call[0] = False
        gc.callbacks.remove(collecting)
    for number, length in pauses:
        times[number] -= length
    return times, pauses, returned


def try_out(
    sender: Connection,
    place: Any,
    parser: Any,
    feed: Feed,
    clock: Clock,
    compare: Compare,
    results: Results | None,
) -> None:
    """Run in the child: send a `Trial`, or the words of what was raised."""

    def begin(number: int) -> None:
        place.value = number

    try:
        made, call = entry_of(parser)
        times, pauses, returned = timed_calls(call, feed.chunks, clock, begin)
        begin(len(feed.chunks))
        found = [one for answer in returned for one in messages_in(answer)]
        if results is not None:
            found = list(results(made))
        answers = compare_answers(found, feed.expected, compare)
        sender.send(Trial(tuple(times), tuple(pauses), answers))
    except KeyboardInterrupt:
        raise
    except SettingsError as error:
        sender.send(error)
    except BaseException as error:  # a parser may raise anything, SystemExit among it
        sender.send(f"raised {type(error).__name__}: {error}")
    finally:
        sender.close()


def context() -> Any:
    """Return how children are made: forked where that is safe, else started anew."""
    return multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")


def run_trial(
    parser: Any,
    feed: Feed,
    clock: Clock,
    compare: Compare,
    *,
    timeout_s: float,
    results: Results | None = None,
) -> Trial:
    """Run a parser once over a feed.

    Raises `ParserError` when it raises, when one call goes on for ``timeout_s`` (it is ended before twice
    that), or when it takes its process down; `SettingsError` when it is no parser.
    """
    child = context()
    receiver, sender = child.Pipe(duplex=False)
    place = child.Value("q", -1, lock=False)
    process = child.Process(
        target=try_out, args=(sender, place, parser, feed, clock, compare, results), daemon=True
    )
    with warnings.catch_warnings():
        # Idle threads of numpy make Python warn of the fork. The child runs the parser and nothing of theirs.
        warnings.simplefilter("ignore", DeprecationWarning)
        try:
            process.start()
        except (pickle.PicklingError, AttributeError, TypeError) as error:
            allowed = "a function or class at the top of a module: it runs in a process of its own"
            fault = Fault("parser", None, allowed, problem=f"{parser!r} cannot be sent there ({error})")
            raise SettingsError(fault) from None
    sender.close()
    try:
        return _answer_of(receiver, place, process, feed, timeout_s)
    finally:
        process.kill()
        process.join()
        receiver.close()


def _answer_of(receiver: Connection, place: Any, process: Any, feed: Feed, timeout_s: float) -> Trial:
    last, looks = None, 0
    while not receiver.poll(timeout_s):
        now = place.value
        looks = looks + 1 if now == last else 0
        # A process takes its time to begin on a busy machine; only then are calls what is waited for.
        if looks > (0 if now >= 0 else LOOKS_TO_BEGIN):
            raise _failure(feed, now, f"did not return within {timeout_s:g} s")
        last = now
    try:
        answer = receiver.recv()
    except EOFError:
        process.join()
        raise _failure(feed, place.value, f"ended its process (exit code {process.exitcode})") from None
    if isinstance(answer, SettingsError):
        raise answer
    if isinstance(answer, str):
        raise _failure(feed, place.value, answer)
    assert isinstance(answer, Trial)
    return answer


def _failure(feed: Feed, number: int | None, problem: str) -> ParserError:
    if number is None or not 0 <= number < len(feed.chunks):
        when = "before its first call" if number in (None, -1) else "when its messages were looked at"
        return ParserError(f"the parser {problem}, {when}", None, b"")
    return ParserError(f"the parser {problem}, in {call_text(feed, number)}", number, feed.chunks[number])


def call_text(feed: Feed, number: int) -> str:
    """Return which call of a feed this is, and what it was fed."""
    chunk, start = feed.chunks[number], int(feed.starts[number])
    shown = chunk[:SHOWN_BYTES].hex(" ") + (" …" if len(chunk) > SHOWN_BYTES else "")
    return (
        f"call {number + 1} of {len(feed.chunks)}, fed bytes {start} to {start + len(chunk) - 1}"
        f" of the stream ({shown})"
    )
