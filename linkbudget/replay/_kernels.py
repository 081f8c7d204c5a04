"""The receiver model, compiled: line, hardware, core, reading step, parser and passes in one kernel.

The plain form (`receiver.py` and what it calls) says what each rule means; here stand the same rules on
integers. What differs:

* Everything lies in one array ``m``: the state, its copy, the settings, and stretches for windows, queues and
  results, column by column (`STATE`, `SETTINGS`). So a call hands over one array, and costs next to nothing.
  Arrivals are read where the recording has them, by their address; to copy them took as long as the rest.
* Where nothing but a handler can change what the software sees, arrivals are taken in when the next handler
  starts, and ``quiet`` says until when there is none (`_interrupts`).
* A run can be left and taken up again. At a *checkpoint* (between passes, between the reads of a long reading
  step) the state is copied. Whoever needs what is not there (an arrival that is not known yet, room for
  another row of results) notes that and goes on as if nothing more would come; at the next checkpoint the
  state goes back to the copy, and the caller brings what was missing.
* Queues only grow between calls, so going back is two numbers.
* Messages end at *stops*: with a delimiter at every delimiter byte that ends a stretch which is not empty,
  whatever was lost before; else where the deframer ended them, as long as nothing was lost. Of a stretch that
  is not exactly one of the line's its pieces are noted for the caller to deframe.

Functions are compiled once and called; everything inlined was no faster and took a minute to compile. They
stand in one file because the cache of compiled code asks after the file of `receive` alone: a rule changed in
another one would go on in its old form.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel_of_parts, number_reader, part

__all__ = ["SETTINGS", "STATE", "receive"]

Ints = npt.NDArray[np.int64]
Value = Any
"""What the compiler takes for int64 (or a truth value)."""

NEVER = np.int64(1 << 62)
number_at = number_reader()

# What the state holds, in this order, from the start of ``m`` on; behind it comes its copy.
STATE: list[str] = str.split("""
    place now window next drop shift due expiry quiet ask ahead run_start run_end busy high_water
    fifo_first fifo_end fifo_rank fifo_open fifo_upto fifo_held
    buffer_first buffer_end buffer_rank buffer_open buffer_upto buffer_held
    take_at take_rank left into seen since_end parsed reading_ns pause_ns step_ns stretch
    last_rank broken stop end_code end_rank release work_at pass_start pass_handler pass_window
    pass_reading pass_pause work_start ends_before runs passes skipped ends pieces steps stalls thrown
    lost brokens total_ends touched full unsynced fault
""")
SAVED = len(STATE)
(
    PLACE,
    NOW,
    WINDOW,
    NEXT,
    DROP,
    SHIFT,
    DUE,
    EXPIRY,
    QUIET,
    ASK,
    AHEAD,
    RUN_START,
    RUN_END,
    BUSY,
    HIGH_WATER,
    FIFO_FIRST,
    FIFO_END,
    FIFO_RANK,
    FIFO_OPEN,
    FIFO_UPTO,
    FIFO_HELD,
    BUFFER_FIRST,
    BUFFER_END,
    BUFFER_RANK,
    BUFFER_OPEN,
    BUFFER_UPTO,
    BUFFER_HELD,
    TAKE_AT,
    TAKE_RANK,
    LEFT,
    INTO,
    SEEN,
    SINCE_END,
    PARSED,
    READING_NS,
    PAUSE_NS,
    STEP_NS,
    STRETCH,
    LAST_RANK,
    BROKEN,
    STOP,
    END_CODE,
    END_RANK,
    RELEASE,
    WORK_AT,
    PASS_START,
    PASS_HANDLER,
    PASS_WINDOW,
    PASS_READING,
    PASS_PAUSE,
    WORK_START,
    ENDS_BEFORE,
    RUNS,
    PASSES,
    SKIPPED,
    ENDS,
    PIECES,
    STEPS,
    STALLS,
    THROWN,
    LOST,
    BROKENS,
    TOTAL_ENDS,
    TOUCHED,
    FULL,
    UNSYNCED,
    FAULT,
) = range(SAVED)

# What the settings hold, in this order, behind the copy of the state. ``at_...`` are places in ``m``,
# ``..._room`` the rows that a table has room for; ``times`` is the address of the first arrival.
SETTINGS: list[str] = str.split("""
    role mode fifo_bytes flush trigger_bytes idle_ns buffer_bytes overflow drains uniform events half
    latency_ns entry_ns byte_entry_ns known open horizon horizon_open limit period_ns phase_ns when_late
    busiest_ns reads_first strategy per_byte limit_bytes timeout_ns patience_ns discards skip_byte_ns
    call_ns byte_ns message_ns message_byte_ns pause_ns pause_every delimited lines works at_works
    handler_rows loop_rows at_rows times at_drops at_stops noted at_fifo fifo_room at_buffer buffer_room
    at_runs runs_room at_passes passes_room at_skipped skipped_room at_ends ends_room at_steps steps_room
    at_stalls stalls_room at_thrown thrown_room at_pieces pieces_room at_lost lost_room
""")
(
    P_ROLE,
    P_MODE,
    P_FIFO_BYTES,
    P_FLUSH,
    P_TRIGGER_BYTES,
    P_IDLE_NS,
    P_BUFFER_BYTES,
    P_OVERFLOW,
    P_DRAINS,
    P_UNIFORM,
    P_EVENTS,
    P_HALF,
    P_LATENCY_NS,
    P_ENTRY_NS,
    P_BYTE_ENTRY_NS,
    P_KNOWN,
    P_OPEN,
    P_HORIZON,
    P_HORIZON_OPEN,
    P_LIMIT,
    P_PERIOD_NS,
    P_PHASE_NS,
    P_WHEN_LATE,
    P_BUSIEST_NS,
    P_READS_FIRST,
    P_STRATEGY,
    P_PER_BYTE,
    P_LIMIT_BYTES,
    P_TIMEOUT_NS,
    P_PATIENCE_NS,
    P_DISCARDS,
    P_SKIP_BYTE_NS,
    P_CALL_NS,
    P_BYTE_NS,
    P_MESSAGE_NS,
    P_MESSAGE_BYTE_NS,
    P_PAUSE_NS,
    P_PAUSE_EVERY,
    P_DELIMITED,
    P_LINES,
    P_WORKS,
    P_AT_WORKS,
    P_HANDLER_ROWS,
    P_LOOP_ROWS,
    P_AT_ROWS,
    P_TIMES,
    P_AT_DROPS,
    P_AT_STOPS,
    P_NOTED,
    P_AT_FIFO,
    P_FIFO_ROOM,
    P_AT_BUFFER,
    P_BUFFER_ROOM,
    P_AT_RUNS,
    P_RUNS_ROOM,
    P_AT_PASSES,
    P_PASSES_ROOM,
    P_AT_SKIPPED,
    P_SKIPPED_ROOM,
    P_AT_ENDS,
    P_ENDS_ROOM,
    P_AT_STEPS,
    P_STEPS_ROOM,
    P_AT_STALLS,
    P_STALLS_ROOM,
    P_AT_THROWN,
    P_THROWN_ROOM,
    P_AT_PIECES,
    P_PIECES_ROOM,
    P_AT_LOST,
    P_LOST_ROOM,
) = range(2 * SAVED, 2 * SAVED + len(SETTINGS))

ONE_CORE, READER, PASSES_ALONE = 0, 1, 2  # role: who runs
POLLED, INTERRUPT, DMA = 0, 1, 2
DROP_NEW, DROP_OLD, STAY = 0, 1, 2
NEXT_RELEASE, AT_ONCE, FREE = 0, 1, 2
EVERYTHING, SNAPSHOT, AT_MOST, NEWEST, WHOLE_MESSAGE = 0, 1, 2, 3, 4
PASSED_OVER, LOST_FIFO, LOST_BUFFER = 2, 3, 4  # as in `CharacterFate`
AT_RELEASE, READING, WORKING, ENDING, ALONE, DRAINING = 0, 1, 2, 3, 4, 5  # place
DONE, MORE, ROOM, LOST_STEP, STUCK = 0, 1, 2, 3, 4  # what a call returns
GO_ON, STOP_AT_HANDLER, STOP_AT_ANY, ADD_HANDLERS, EXACTLY = 0, 1, 2, 3, 4  # how `_advance` goes on
PASS_COLUMNS, END_COLUMNS, PIECE_COLUMNS, LOST_COLUMNS = 11, 3, 3, 3
JUMP_LIMIT = 100_000
"""As in `windows.py`."""
BETWEEN_STEPS = 64
"""Characters after which a core of its own gets a checkpoint between its steps."""
BETWEEN_CHECKPOINTS = 4096
"""Characters after which a reading step is given a checkpoint of its own."""


# --- busy windows -----------------------------------------------------------------------------------------


@part
def _window_end(m: Ints, first: Value, count: Value, at: Value, inside: Value) -> Value:
    """Return the latest end of the windows that cover ``at`` (``inside``: and began before), else ``at``."""
    end = at
    for row in range(first, first + count):
        place = m[P_AT_ROWS] + 3 * row
        period, phase, length = m[place], m[place + 1], m[place + 2]
        if at >= phase:
            into = (at - phase) % period
            if into < length and (into > 0 or not inside):
                end = max(end, at - into + length)
    return end


@part
def _next_window(m: Ints, at: Value) -> Value:
    """Return the first start at or after ``at`` of a window that holds the core."""
    start = NEVER
    for row in range(m[P_HANDLER_ROWS], m[P_HANDLER_ROWS] + m[P_LOOP_ROWS]):
        period, phase = m[m[P_AT_ROWS] + 3 * row], m[m[P_AT_ROWS] + 3 * row + 1]
        start = min(start, phase + max(0, -((phase - at) // period)) * period)
    return start


@part
def _request(m: Ints, at: Value) -> Value:
    """Return when the handler of a request is due: as soon as nothing keeps it back."""
    at = max(at + m[P_LATENCY_NS], m[RUN_END])
    if m[P_HANDLER_ROWS] == 0:
        return at
    for _ in range(JUMP_LIMIT):
        end = _window_end(m, 0, m[P_HANDLER_ROWS], at, False)
        if end == at:
            return at
        at = end
    m[FAULT] = 1
    return at


# --- queues -----------------------------------------------------------------------------------------------
#
# FIFO and buffer hold ranks in rising order, kept as ranges: closed ones in a table (first, end), of which
# those from ``first`` to ``end`` are still held, and an open one behind them that grows. ``rank`` is the rank
# that comes out next. A DMA buffer is one open range, from ``rank`` to ``upto``.

Q_FIRST, Q_END, Q_RANK, Q_OPEN, Q_UPTO, Q_HELD = 0, 1, 2, 3, 4, 5
FIFO, BUFFER = FIFO_FIRST, BUFFER_FIRST


@part
def _at_table(m: Ints, queue: Value) -> Value:
    return m[P_AT_FIFO] if queue == FIFO else m[P_AT_BUFFER]


@part
def _room_of(m: Ints, queue: Value) -> Value:
    return m[P_FIFO_ROOM] if queue == FIFO else m[P_BUFFER_ROOM]


@part
def _put(m: Ints, queue: Value, first: Value, count: Value) -> None:
    """Put ranks into a queue: ``count`` from ``first`` on, one at least."""
    upto = m[queue + Q_UPTO]
    if first != upto:
        if upto > m[queue + Q_OPEN]:
            end, room = m[queue + Q_END], _room_of(m, queue)
            if end < room:
                place = _at_table(m, queue) + end
                m[place], m[place + room] = m[queue + Q_OPEN], upto
                m[queue + Q_END] = end + 1
            else:
                m[FULL] = 1
        m[queue + Q_OPEN] = first
        if m[queue + Q_HELD] == 0:
            m[queue + Q_FIRST], m[queue + Q_RANK] = m[queue + Q_END], first
    m[queue + Q_UPTO] = first + count
    m[queue + Q_HELD] += count


@part
def _range_end(m: Ints, queue: Value, at: Value) -> Value:
    """Return the end of a range of a queue, that of the open one for any number behind the closed ones."""
    if at < m[queue + Q_END]:
        return m[_at_table(m, queue) + _room_of(m, queue) + at]
    return m[queue + Q_UPTO]


@part
def _range_first(m: Ints, queue: Value, at: Value) -> Value:
    """Return the first rank of a range of a queue."""
    return m[_at_table(m, queue) + at] if at < m[queue + Q_END] else m[queue + Q_OPEN]


@part
def _run_of(m: Ints, queue: Value, most: Value) -> Value:
    """Return how many ranks follow each other at the head of a queue, at most ``most``."""
    at = m[queue + Q_FIRST]
    if at >= m[queue + Q_END]:
        return most
    if m[queue + Q_RANK] == _range_end(m, queue, at):
        at += 1
        m[queue + Q_FIRST], m[queue + Q_RANK] = at, _range_first(m, queue, at)
        if at >= m[queue + Q_END]:
            return most
    return min(most, _range_end(m, queue, at) - m[queue + Q_RANK])


@part
def _drop(m: Ints, queue: Value, count: Value) -> None:
    """Take ranks out of a queue."""
    m[queue + Q_HELD] -= count
    while count > 0:
        length = _run_of(m, queue, count)
        m[queue + Q_RANK] += length
        count -= length


@part
def _lose(m: Ints, queue: Value, count: Value, what: Value) -> None:
    """Take ranks out of a queue and note that they are lost."""
    m[queue + Q_HELD] -= count
    while count > 0:
        length = _run_of(m, queue, count)
        _lost(m, m[queue + Q_RANK], length, what)
        m[queue + Q_RANK] += length
        count -= length


@part
def _move(m: Ints, count: Value) -> None:
    """Move ranks from the FIFO to the buffer."""
    m[FIFO_HELD] -= count
    while count > 0:
        length = _run_of(m, FIFO, count)
        _put(m, BUFFER, m[FIFO_RANK], length)
        m[FIFO_RANK] += length
        count -= length


@part
def _taken_run(m: Ints, most: Value) -> Value:
    """Return how many of the bytes taken follow each other, at most ``most``; the first is ``take_rank``."""
    queue = FIFO if m[P_MODE] == POLLED else BUFFER
    at = m[TAKE_AT]
    if at >= m[queue + Q_END]:
        return most
    if m[TAKE_RANK] == _range_end(m, queue, at):
        at += 1
        m[TAKE_AT], m[TAKE_RANK] = at, _range_first(m, queue, at)
        if at >= m[queue + Q_END]:
            return most
    return min(most, _range_end(m, queue, at) - m[TAKE_RANK])


# --- line and hardware ------------------------------------------------------------------------------------


@part
def _lost(m: Ints, rank: Value, count: Value, what: Value) -> None:
    """Note that bytes are lost or passed over: ``count`` from ``rank`` on."""
    room = m[P_LOST_ROOM]
    last = m[P_AT_LOST] + m[LOST] - 1
    if m[P_NOTED] == 0:
        return
    # Rows of before the checkpoint must stay as they are.
    if m[LOST] > m[SAVED + LOST] and m[last + 2 * room] == what and m[last] + m[last + room] == rank:
        m[last + room] += count
    elif m[LOST] < room:
        row = last + 1
        m[row], m[row + room], m[row + 2 * room] = rank, count, what
        m[LOST] += 1
    else:
        m[FULL] = 1


@part
def _overflow(m: Ints, moved: Value, room: Value) -> Value:
    """Deal with more FIFO bytes than the buffer has room for; return how many leave the FIFO."""
    if m[P_OVERFLOW] == STAY:
        _move(m, room)
        m[LEFT] = moved - room
        m[EXPIRY] = NEVER
        return room
    if m[P_OVERFLOW] == DROP_NEW:
        _move(m, room)
        _lose(m, FIFO, moved - room, LOST_BUFFER)
    else:
        _move(m, moved)
        _lose(m, BUFFER, moved - room, LOST_BUFFER)
    return moved


@part
def _overrun(m: Ints, rank: Value) -> None:
    """Lose a byte at a full FIFO."""
    if m[P_FLUSH]:
        _lose(m, FIFO, m[FIFO_HELD], LOST_FIFO)
    _lost(m, rank, np.int64(1), LOST_FIFO)
    m[LEFT] = min(m[LEFT], m[FIFO_HELD])


@part
def _one_arrives(m: Ints) -> None:
    """Take in the next character, whatever it does."""
    now, rank = number_at(m[P_TIMES], m[NEXT]), m[NEXT] - m[SHIFT]
    dropped = m[m[P_AT_DROPS] + m[DROP]] == m[NEXT]
    m[NEXT] += 1
    if m[P_IDLE_NS]:
        m[EXPIRY] = now + m[P_IDLE_NS]
    if dropped:
        m[DROP] += 1
        m[SHIFT] += 1
        return
    asked = False
    if m[P_MODE] == DMA:
        m[BUFFER_UPTO] = rank + 1
        m[INTO] = m[INTO] + 1 if m[INTO] + 1 < m[P_BUFFER_BYTES] else 0
        asked = m[P_EVENTS] > 0 and (m[INTO] == 0 or m[INTO] == m[P_HALF])
    elif m[FIFO_HELD] < m[P_FIFO_BYTES]:
        _put(m, FIFO, rank, np.int64(1))
        asked = m[FIFO_HELD] == m[P_TRIGGER_BYTES]
    else:
        _overrun(m, rank)
    if asked and m[DUE] == NEVER:
        m[DUE] = _request(m, now)


@part
def _arrivals(m: Ints, until: Value) -> Value:
    """Return up to which character all are kept and have arrived by ``until``."""
    return _arrived(m[P_TIMES], m[NEXT], min(m[P_KNOWN], m[m[P_AT_DROPS] + m[DROP]]), until)


@part
def _arrived(times: Value, at: Value, stop: Value, until: Value) -> Value:
    """Return the first character from ``at`` on, before ``stop``, that comes after ``until``, else ``stop``.

    Eight are passed over with a look; larger steps would be waits for memory that is not read ahead.
    """
    if at >= stop or number_at(times, at) > until:
        return at
    while at + 8 < stop and number_at(times, at + 8) <= until:
        at += 8
    step = np.int64(4)
    while step:
        if at + step < stop and number_at(times, at + step) <= until:
            at += step
        step >>= 1
    return at + 1


@part
def _steady(times: Value, at: Value, stop: Value, gap: Value) -> Value:
    """Return the first character from ``at`` on that comes more than a gap after the last, else ``stop``."""
    while at + 8 <= stop:
        late = np.int64(0)
        for k in range(8):
            late |= np.int64(number_at(times, at + k) - number_at(times, at + k - 1) > gap)
        if late:
            break
        at += 8
    while at < stop and number_at(times, at) - number_at(times, at - 1) <= gap:
        at += 1
    return at


@part
def _spaced(times: Value, at: Value, last: Value, gap: Value, until: Value, more: Value) -> Value:
    """Return up to which character, about, each comes a ``gap`` or more before the next, and by ``until``.

    ``until`` grows by ``more``, which is no more than the gap, with each. ``last`` is the last one known.
    """
    while at + 8 <= last:
        near = np.int64(0)
        for k in range(8):
            near |= np.int64(number_at(times, at + k + 1) - number_at(times, at + k) < gap)
        if near or number_at(times, at + 7) > until + 7 * more:
            break
        at += 8
        until += 8 * more
    return at


@part
def _note_starts(m: Ints, first: Value, end: Value, place: Value, latency: Value) -> None:
    """Note for each character a handler that starts ``latency`` after it; how long it takes is known."""
    times = m[P_TIMES]
    for k in range(np.uint64(end - first)):
        m[place + k] = number_at(times, first + np.int64(k)) + latency


@part
def _note_alike(
    m: Ints, first: Value, end: Value, place: Value, room: Value, latency: Value, length: Value
) -> None:
    """Note for each character what begins ``latency`` after it; ``place`` is that of the first row."""
    times, behind = m[P_TIMES], place + np.uint64(room)
    for k in range(np.uint64(end - first)):
        start = number_at(times, first + np.int64(k)) + latency
        m[place + k] = start
        m[behind + k] = start + length


@part
def _flow(m: Ints, until: Value) -> None:
    """Let characters arrive that do nothing else: polled, and in a DMA buffer without events."""
    first, end = m[NEXT], _arrivals(m, until)
    if end == first:
        return
    m[NEXT] = end
    rank = first - m[SHIFT]
    count = end - first
    if m[P_MODE] == DMA:
        m[BUFFER_UPTO] = rank + count
        if m[P_IDLE_NS]:  # a silence without events does nothing, but it is waited for
            silent = number_at(m[P_TIMES], end - 1) + m[P_IDLE_NS]
            m[EXPIRY] = silent if silent > until else NEVER
        return
    while True:
        entering = min(count, m[P_FIFO_BYTES] - m[FIFO_HELD])
        if entering > 0:
            _put(m, FIFO, rank, entering)
            rank += entering
            count -= entering
        if count == 0:
            return
        if not m[P_FLUSH]:
            _lost(m, rank, count, LOST_FIFO)
            return
        _overrun(m, rank)
        rank += 1
        count -= 1


@part
def _overruns(m: Ints, until: Value) -> None:
    """Lose what meets a full FIFO while its handler is due, up to ``until``."""
    first, end = m[NEXT], _arrivals(m, until)
    if end > first:
        _lost(m, first - m[SHIFT], end - first, LOST_FIFO)
        m[NEXT] = end
        if m[P_IDLE_NS]:
            m[EXPIRY] = number_at(m[P_TIMES], end - 1) + m[P_IDLE_NS]


@part
def _note_run(m: Ints, start: Value, end: Value) -> None:
    if m[P_NOTED] == 0:
        return
    room = m[P_RUNS_ROOM]
    if m[RUNS] < room:
        row = m[P_AT_RUNS] + m[RUNS]
        m[row] = start
        if m[P_UNIFORM] == 0:
            m[row + room] = end
        m[RUNS] += 1
    else:
        m[FULL] = 1


@part
def _handle(m: Ints) -> Value:
    """Run the handler that is due; return the time it takes."""
    now, length = m[DUE], m[P_ENTRY_NS]
    if m[P_MODE] == DMA:
        m[SEEN] = m[BUFFER_UPTO]
    else:
        taken = m[FIFO_HELD]
        room = m[P_BUFFER_BYTES] - m[BUFFER_HELD]
        m[LEFT] = 0
        if taken > room:
            taken = _overflow(m, taken, room)
        else:
            _move(m, taken)
        m[HIGH_WATER] = max(m[HIGH_WATER], m[BUFFER_HELD])
        length += taken * m[P_BYTE_ENTRY_NS]
    m[DUE] = NEVER
    m[RUN_START], m[RUN_END] = now, now + length
    m[BUSY] += length
    _note_run(m, now, now + length)
    return length


@part
def _interrupts(m: Ints, until: Value, how: Value) -> Value:
    """As `_advance`, as long as nothing is out of the ordinary: the state in variables of its own.

    What arrives is taken in when a handler starts; until then it is enough to know that none does
    (``quiet``), where nothing else looks at the FIFO. Bytes that pass through follow each other without a
    gap, so that what is moved and what of it is lost are single ranges. It stops before an overrun, a dropped
    character, a handler that must leave bytes, and what is not known; ``quiet`` is 0 then.
    """
    at, held = m[NEXT], m[FIFO_HELD]
    rank = at - m[SHIFT]
    ask, ahead = (m[ASK], m[AHEAD]) if m[QUIET] else (NEVER, at)
    m[QUIET] = 0
    if held and (m[FIFO_FIRST] < m[FIFO_END] or m[FIFO_UPTO] != rank):
        return until
    times, total = m[P_TIMES], m[P_KNOWN]
    known = min(total, m[m[P_AT_DROPS] + m[DROP]])
    due, expiry, run_start, run_end = m[DUE], m[EXPIRY], m[RUN_START], m[RUN_END]
    fifo, trigger, idle, latency = m[P_FIFO_BYTES], m[P_TRIGGER_BYTES], m[P_IDLE_NS], m[P_LATENCY_NS]
    entry, byte_entry, rows = m[P_ENTRY_NS], m[P_BYTE_ENTRY_NS], m[P_HANDLER_ROWS]
    room = m[P_BUFFER_BYTES] - m[BUFFER_HELD]
    most = room if m[P_OVERFLOW] == STAY else NEVER
    exact = m[P_DRAINS] > 0 or m[P_OVERFLOW] == STAY or how == EXACTLY
    before, passed, busy = at, np.int64(0), np.int64(0)
    noted, runs, runs_room, uniform = m[P_NOTED] > 0, m[RUNS], m[P_RUNS_ROOM], m[P_UNIFORM] > 0
    starts = np.uint64(m[P_AT_RUNS])
    ends = starts + np.uint64(runs_room)
    single = trigger == 1 and rows == 0 and how != STOP_AT_ANY and how != STOP_AT_HANDLER
    stopped = False
    while True:
        if due == NEVER and ask == NEVER:
            if single and held == 0:
                # Each byte has a handler of its own, as long as it has started when the next one comes.
                length, last = entry + byte_entry, min(known, at + (runs_room - runs if noted else total))
                last = min(last, total - 1, at + most - passed)
                first = at
                now = number_at(times, at) if at < last else NEVER
                if now + latency >= run_end and at < last:
                    more = length if how == ADD_HANDLERS else np.int64(0)
                    at = _spaced(times, at, last, max(latency + 1, length), until - latency, more)
                    if at > first:
                        until += (at - first) * more
                        run_start = number_at(times, at - 1) + latency
                        run_end = run_start + length
                        if noted:
                            place = starts + np.uint64(runs)
                            if uniform:
                                _note_starts(m, first, at, place, latency)
                            else:
                                _note_alike(m, first, at, place, runs_room, latency, length)
                        now = number_at(times, at)
                while at < last:
                    start = max(now + latency, run_end)
                    following = number_at(times, at + 1)
                    if start > until or following <= start:
                        break
                    run_start, run_end = start, start + length
                    if noted:
                        place = np.uint64(runs + at - first)
                        m[starts + place] = run_start
                        if not uniform:
                            m[ends + place] = run_end
                    if how == ADD_HANDLERS:
                        until += length
                    now = following
                    at += 1
                if at > first:
                    if noted:
                        runs += at - first
                    passed += at - first
                    busy += (at - first) * length
                    m[LEFT] = 0
                    expiry = number_at(times, at - 1) + idle if idle else NEVER
            # When is the next request?
            ahead, limit = at, expiry
            stop = at + (min(fifo, trigger) if held < trigger else fifo) - held
            if idle:
                if at < min(stop, known) and number_at(times, at) <= limit:
                    ahead = _steady(times, at + 1, min(stop, known), idle)
                    limit = number_at(times, ahead - 1) + idle
            else:
                limit = NEVER
                ahead = max(at, min(stop, known))
            if ahead > at and held + ahead - at == trigger:
                ask = number_at(times, ahead - 1)
            elif ahead < min(stop, known) or (ahead == total and not m[P_OPEN]):
                if held == 0 and ahead == at:
                    if expiry > until:
                        if expiry == NEVER:
                            m[QUIET], m[ASK], m[AHEAD] = NEVER, NEVER, at
                        break
                    expiry = NEVER
                    continue
                ask = limit  # by silence
            else:
                # It depends on what cannot be told here.
                first = at
                limit = min(until, expiry)
                while at < ahead and number_at(times, at) <= limit:
                    if idle:
                        limit = min(until, number_at(times, at) + idle)
                    at += 1
                if at > first:
                    held += at - first
                    expiry = number_at(times, at - 1) + idle if idle else NEVER
                if at < total and number_at(times, at) <= min(until, expiry):
                    break
                if expiry > until:
                    break
                if held:
                    ask, ahead = expiry, at
                else:
                    expiry = NEVER
                    continue
        if due == NEVER:
            if ask > until:
                if exact:
                    first = at
                    while at < ahead and number_at(times, at) <= until:
                        at += 1
                    if at > first:
                        held += at - first
                        expiry = number_at(times, at - 1) + idle if idle else NEVER
                else:
                    m[QUIET], m[ASK], m[AHEAD] = ask + latency, ask, ahead
                break
            if ahead > at:
                held += ahead - at
                at = ahead
                expiry = number_at(times, at - 1) + idle if idle else NEVER
            if expiry <= ask:
                expiry = NEVER
            if rows:
                m[RUN_END] = run_end
                due = _request(m, ask)
            else:
                due = max(ask + latency, run_end)
            ask = NEVER
        if due > until and not exact:
            m[QUIET], m[ASK], m[AHEAD] = due, NEVER, at
            break
        limit = min(due, until)
        first, stop = at, min(known, at + fifo - held)
        while at < stop and number_at(times, at) <= limit:
            at += 1
        if at > first:
            held += at - first
            if idle:
                expiry = number_at(times, at - 1) + idle
        if at < total and number_at(times, at) <= limit:
            break
        if expiry <= limit:
            expiry = NEVER
        if due > until or passed + held > most:
            break
        length = entry + held * byte_entry
        passed += held
        held = np.int64(0)
        run_start, run_end = due, due + length
        due = NEVER
        busy += length
        if noted:
            if runs < runs_room:
                m[starts + np.uint64(runs)] = run_start
                if not uniform:
                    m[ends + np.uint64(runs)] = run_end
                runs += 1
            else:
                m[FULL] = 1
        m[LEFT] = 0
        if how == ADD_HANDLERS:
            until += length
        elif how == STOP_AT_ANY or (how == STOP_AT_HANDLER and length > 0):
            stopped = True
            break
    m[NEXT], m[DUE], m[EXPIRY] = at, due, expiry
    m[RUN_START], m[RUN_END], m[RUNS] = run_start, run_end, runs
    m[BUSY] += busy
    if passed:
        rank += at - before - held - passed
        entering = passed
        if passed > room and m[P_OVERFLOW] == DROP_NEW:
            entering = room
        if entering:
            _put(m, BUFFER, rank, entering)
        if passed > entering:
            _lost(m, rank + entering, passed - entering, LOST_BUFFER)
        elif passed > room:
            _lose(m, BUFFER, passed - room, LOST_BUFFER)
        m[HIGH_WATER] = max(m[HIGH_WATER], m[BUFFER_HELD])
        rank += passed
        m[FIFO_FIRST], m[FIFO_RANK], m[FIFO_OPEN] = m[FIFO_END], rank, rank
        m[FIFO_UPTO], m[FIFO_HELD] = rank + held, held
    elif at > before:
        _put(m, FIFO, rank, at - before)
    return NEVER if stopped else until


@part
def _events(m: Ints, until: Value, how: Value) -> Value:
    """As `_advance` where DMA raises events, up to a dropped character and to what is not known.

    All that has arrived by ``until`` is taken in, because a look asks how full the buffer is. ``quiet`` says
    as in `_interrupts` until when no handler starts, and is 0 when that cannot be told.
    """
    at, into, times, total = m[NEXT], m[INTO], m[P_TIMES], m[P_KNOWN]
    ask, ahead = (m[ASK], m[AHEAD]) if m[QUIET] else (NEVER, at)
    m[QUIET] = 0
    shift, known = m[SHIFT], min(total, m[m[P_AT_DROPS] + m[DROP]])
    due, expiry, run_start, run_end = m[DUE], m[EXPIRY], m[RUN_START], m[RUN_END]
    size, half, idle, length = m[P_BUFFER_BYTES], m[P_HALF], m[P_IDLE_NS], m[P_ENTRY_NS]
    stopped = False
    while True:
        if due == NEVER:
            if ask == NEVER:
                # When is the next request?
                ahead, limit = at, expiry
                filling = (half if into < half else size) - into
                stop = min(at + filling, known)
                if idle == 0:
                    ahead = stop
                elif at < stop and number_at(times, at) <= limit:
                    ahead = _steady(times, at + 1, stop, idle)
                    limit = number_at(times, ahead - 1) + idle
                if ahead - at == filling:
                    ask = number_at(times, ahead - 1)
                elif ahead < stop or (ahead == total and not m[P_OPEN]):
                    ask = limit  # by silence
                else:
                    break
            if ask > until:
                first, at = at, _arrived(times, at, ahead, until)
                if at > first:
                    into = (into + at - first) % size
                    expiry = number_at(times, at - 1) + idle if idle else NEVER
                quiet = NEVER if ask == NEVER else ask + m[P_LATENCY_NS]
                m[QUIET], m[ASK], m[AHEAD] = quiet, ask, ahead
                break
            if ahead > at:
                into = (into + ahead - at) % size
                at = ahead
                expiry = number_at(times, at - 1) + idle if idle else NEVER
            if expiry <= ask:
                expiry = NEVER
            m[RUN_END] = run_end
            due, ask = _request(m, ask), NEVER
        limit = min(due, until)
        first, at = at, _arrived(times, at, known, limit)
        if at > first:
            into = (into + at - first) % size
            expiry = number_at(times, at - 1) + idle if idle else NEVER
        if at < total and number_at(times, at) <= limit:
            break
        if expiry <= limit:
            expiry = NEVER
        if due > until:
            m[QUIET], m[ASK], m[AHEAD] = due, NEVER, at
            break
        m[SEEN] = at - shift
        run_start, run_end, due = due, due + length, NEVER
        m[BUSY] += length
        _note_run(m, run_start, run_end)
        if how == ADD_HANDLERS:
            until += length
        elif how == STOP_AT_ANY or (how == STOP_AT_HANDLER and length > 0):
            stopped = True
            break
    m[NEXT], m[BUFFER_UPTO], m[INTO], m[DUE], m[EXPIRY] = at, at - shift, into, due, expiry
    m[RUN_START], m[RUN_END] = run_start, run_end
    return NEVER if stopped else until


@part
def _advance(m: Ints, until: Value, how: Value) -> Value:
    """Let everything at or before ``until`` happen, and return ``until``.

    With `STOP_AT_HANDLER` only until a handler that takes time has started, with `STOP_AT_ANY` until any has;
    then return `NEVER`. With `ADD_HANDLERS` the time of handlers that run is added to ``until``. What arrives
    and has no effect before the next handler starts may be left for later, but not with `EXACTLY`.
    """
    mode = m[P_MODE]
    if until < m[QUIET] and how != EXACTLY and mode == INTERRUPT:
        return until
    while True:
        if mode == INTERRUPT:
            until = _interrupts(m, until, how)
            if until == NEVER or until < m[QUIET]:
                break
            if m[DUE] != NEVER and m[FIFO_HELD] == m[P_FIFO_BYTES] and not m[P_FLUSH]:
                _overruns(m, min(until, m[DUE]))
        elif m[P_EVENTS] == 0:
            _flow(m, until)
        else:
            until = _events(m, until, how)
            if until == NEVER or until < m[QUIET]:
                break
        limit = min(until, m[DUE], m[EXPIRY])
        if m[NEXT] < m[P_KNOWN] and number_at(m[P_TIMES], m[NEXT]) <= limit:
            _one_arrives(m)
        elif m[EXPIRY] <= until and m[EXPIRY] <= m[DUE]:
            now = m[EXPIRY]
            m[EXPIRY] = NEVER
            asked = m[P_EVENTS] > 0 if mode == DMA else m[FIFO_HELD] > 0
            if asked and m[DUE] == NEVER:
                m[DUE] = _request(m, now)
        elif m[DUE] <= until:
            length = _handle(m)
            if how == ADD_HANDLERS:
                until += length
            elif how == STOP_AT_ANY or (length > 0 and how == STOP_AT_HANDLER):
                until = NEVER
                break
        else:
            break
    if mode == DMA:
        # The reader stood still meanwhile, so the last arrival found the most.
        m[HIGH_WATER] = max(m[HIGH_WATER], min(m[P_BUFFER_BYTES], m[BUFFER_UPTO] - m[BUFFER_RANK]))
    if m[NEXT] == m[P_KNOWN]:
        m[TOUCHED] |= m[P_OPEN]
    return until


@part
def _busy_before(m: Ints, at: Value) -> Value:
    """Return the handler time before ``at``, an instant not before the last handler start."""
    return m[BUSY] - max(0, m[RUN_END] - at)


@part
def _next_change(m: Ints) -> Value:
    """Return when the next arrival, silence or handler start is; an instant before which none counts."""
    if m[QUIET] and m[P_MODE] == INTERRUPT:
        return m[QUIET]
    change = min(m[EXPIRY], m[DUE])
    if m[NEXT] < m[P_KNOWN]:
        return min(change, number_at(m[P_TIMES], m[NEXT]))
    m[TOUCHED] |= m[P_OPEN]
    return change


@part
def _look(m: Ints) -> Value:
    """Return how many bytes a look at this instant finds."""
    if m[P_MODE] == POLLED:
        return m[FIFO_HELD]
    if m[P_MODE] == INTERRUPT:
        if m[P_DRAINS] and m[FIFO_HELD] > 0:
            moved = min(m[FIFO_HELD], m[P_BUFFER_BYTES] - m[BUFFER_HELD])
            _move(m, moved)
            m[HIGH_WATER] = max(m[HIGH_WATER], m[BUFFER_HELD])
            m[LEFT] = max(0, m[LEFT] - moved)
        return m[BUFFER_HELD]
    overtaken = m[BUFFER_UPTO] - m[BUFFER_RANK]
    if overtaken >= m[P_BUFFER_BYTES]:
        overtaken -= overtaken % m[P_BUFFER_BYTES]
        _lost(m, m[BUFFER_RANK], overtaken, LOST_BUFFER)
        m[BUFFER_RANK] += overtaken
    return max(0, (m[SEEN] if m[P_EVENTS] else m[BUFFER_UPTO]) - m[BUFFER_RANK])


@part
def _quiet(m: Ints) -> Value:
    """Return whether a look now would find nothing and change nothing."""
    if m[P_MODE] == DMA:
        unread = m[BUFFER_UPTO] - m[BUFFER_RANK]
        return unread < m[P_BUFFER_BYTES] and (m[SEEN] <= m[BUFFER_RANK] if m[P_EVENTS] else unread == 0)
    if m[P_MODE] == INTERRUPT and m[BUFFER_HELD] > 0:
        return False
    return m[FIFO_HELD] == 0 or (m[P_MODE] == INTERRUPT and m[P_DRAINS] == 0)


@part
def _take(m: Ints, count: Value) -> None:
    """Take bytes, to be gone through with `_taken_run`."""
    queue = FIFO if m[P_MODE] == POLLED else BUFFER
    _run_of(m, queue, count)  # past a range that is used up
    m[TAKE_AT], m[TAKE_RANK] = m[queue + Q_FIRST], m[queue + Q_RANK]
    _drop(m, queue, count)
    if m[LEFT] and m[DUE] == NEVER and count > 0:
        m[DUE] = _request(m, m[NOW])


# --- the core ---------------------------------------------------------------------------------------------


@part
def _stood_still(m: Ints, since: Value, until: Value, before: Value) -> None:
    """Note that the core stood still; ``before`` is the handler time before ``since``."""
    m[WINDOW] += until - since - (_busy_before(m, until) - before)
    if m[P_ROLE] == PASSES_ALONE:
        if m[STALLS] < m[P_STALLS_ROOM]:
            row = m[P_AT_STALLS] + m[STALLS]
            m[row], m[row + m[P_STALLS_ROOM]] = since, until
            m[STALLS] += 1
        else:
            m[FULL] = 1


@part
def _blocked_until(m: Ints, at: Value) -> Value:
    if m[RUN_END] > at:
        return m[RUN_END]
    if m[P_LOOP_ROWS]:
        return _window_end(m, m[P_HANDLER_ROWS], m[P_LOOP_ROWS], at, False)
    return at


@part
def _free_at(m: Ints, at: Value) -> None:
    """Move to the first instant at or after ``at`` at which the core may act."""
    since, before = NEVER, np.int64(0)
    while True:
        _advance(m, at, GO_ON)
        if since != NEVER:
            _stood_still(m, since, at, before)
        end = _blocked_until(m, at)
        if end <= at:
            break
        since, before = at, _busy_before(m, at)
        at = end
    m[NOW] = at


@part
def _spend(m: Ints, left: Value) -> None:
    """Work for a time, not counting what handlers and windows take."""
    at = m[NOW]
    if m[P_LOOP_ROWS] == 0:
        # Without handlers what arrives meanwhile can wait for the next look.
        if at + left > m[QUIET] and (m[P_MODE] == INTERRUPT or m[P_EVENTS]):
            m[NOW] = _advance(m, at + left - 1, ADD_HANDLERS) + 1
        else:
            m[NOW] = at + left
        return
    while left > 0:
        stop = min(at + left, _next_window(m, at))
        if _advance(m, stop - 1, STOP_AT_HANDLER) == NEVER:
            left -= m[RUN_START] - at
            _free_at(m, m[RUN_END])
            at = m[NOW]
        else:
            left -= stop - at
            at = stop
            if left:
                _free_at(m, at)
                at = m[NOW]
    m[NOW] = at


@part
def _time_out(m: Ints, at: Value) -> Value:
    """Move to where a time-out at ``at`` ends a wait; False."""
    since, before = NEVER, np.int64(0)
    while True:
        _advance(m, at, GO_ON)
        if since != NEVER:
            _stood_still(m, since, at, before)
        end = at
        if m[RUN_START] < at < m[RUN_END]:
            end = m[RUN_END]
        elif m[P_LOOP_ROWS]:
            end = _window_end(m, m[P_HANDLER_ROWS], m[P_LOOP_ROWS], at, True)
        if end <= at:
            break
        since, before = at, _busy_before(m, at)
        at = end
    m[NOW] = at
    return False


@part
def _free_before(m: Ints, until: Value) -> Value:
    """Move to where the core may act if that is before ``until``, else to where the time is out."""
    at = m[NOW]
    _advance(m, at, GO_ON)
    while at < until:
        end = _blocked_until(m, at)
        if end == at:
            m[NOW] = at
            return True
        before = _busy_before(m, at)
        _advance(m, end, GO_ON)
        _stood_still(m, at, end, before)
        at = end
        if end > until:
            return _time_out(m, end)
    return _time_out(m, until)


@part
def _wait(m: Ints, until: Value) -> Value:
    """Look all the time until a byte is there; False when ``until`` comes first."""
    # Where only handlers bring something to be found, there is no need to look before the next one starts.
    handlers_only = m[P_MODE] == INTERRUPT and m[P_DRAINS] == 0 and m[P_LOOP_ROWS] == 0
    while True:
        if handlers_only:
            at = until
            if _advance(m, until - 1, STOP_AT_ANY) == NEVER:
                at = m[RUN_START]
        else:
            at = _next_change(m)
        if m[P_LOOP_ROWS]:
            at = min(at, _next_window(m, m[NOW]))
        if at >= until:
            return until < NEVER and _time_out(m, until)
        m[NOW] = at
        if not _free_before(m, until):
            return False
        if _look(m) > 0:
            return True


# --- the parser -------------------------------------------------------------------------------------------


@part
def _piece(m: Ints, first: Value, count: Value) -> None:
    """Note bytes of a stretch that is none of the line's: ``count`` from rank ``first`` on."""
    room = m[P_PIECES_ROOM]
    last = m[P_AT_PIECES] + m[PIECES] - 1
    # Rows of before the checkpoint must stay as they are.
    new = m[PIECES] > m[SAVED + PIECES]
    if new and m[last + 2 * room] == m[BROKENS] and m[last] + m[last + room] == first:
        m[last + room] += count
    elif m[PIECES] < room:
        row = last + 1
        m[row], m[row + room], m[row + 2 * room] = first, count, m[BROKENS]
        m[PIECES] += 1
    else:
        m[FULL] = 1


@part
def _jump(m: Ints, rank: Value) -> None:
    """Note that the byte that comes next is not the one behind the last on the line."""
    if not m[P_DELIMITED]:
        m[UNSYNCED] = 1
    elif m[STRETCH] == 0:
        stops = m[P_AT_STOPS]
        while m[stops + m[STOP]] < rank - 1:
            m[STOP] += 1
        m[BROKEN] = 0 if m[stops + m[STOP]] == rank - 1 else 1
    elif not m[BROKEN]:
        m[BROKEN] = 1
        _piece(m, m[LAST_RANK] - m[STRETCH] + 1, m[STRETCH])


@part
def _to_end(m: Ints, count: Value) -> Value:
    """Go through the bytes taken up to the next message end; return how many that are.

    -1 when no message ends among the next ``count``, which are gone through then.
    """
    done = np.int64(0)
    while done < count:
        length = _taken_run(m, count - done)
        first = m[TAKE_RANK]
        if first != m[LAST_RANK] + 1:
            _jump(m, first)
        stop = np.uint64(m[P_AT_STOPS] + m[STOP])
        while m[stop] < first:
            stop += np.uint64(1)
        m[STOP] = np.int64(stop) - m[P_AT_STOPS]
        last = m[stop]
        if last >= first + length:
            if m[BROKEN]:
                _piece(m, first, length)
            m[STRETCH] += length
            m[LAST_RANK] = first + length - 1
            m[TAKE_RANK] += length
            done += length
            continue
        if m[BROKEN]:
            _piece(m, first, last - first + 1)
        inside, broken = m[STRETCH] + last - first, m[BROKEN]
        done += last - first + 1
        m[TAKE_RANK] = last + 1
        m[LAST_RANK], m[STRETCH], m[BROKEN] = last, 0, 0
        m[END_CODE] = -1 - m[BROKENS] if broken else m[STOP]
        m[BROKENS] += broken
        if inside > 0 or m[P_LINES] or not m[P_DELIMITED]:
            m[END_RANK] = last
            return done
    return np.int64(-1)


@part
def _pass_over_old(m: Ints, count: Value) -> Value:
    """Return after how many of the bytes found the last message but one would end; 0 without one.

    ``take_rank`` is then the last rank before that end.
    """
    queue = FIFO if m[P_MODE] == POLLED else BUFFER
    _run_of(m, queue, count)
    m[TAKE_AT], m[TAKE_RANK] = m[queue + Q_FIRST], m[queue + Q_RANK]
    every = m[P_LINES] or not m[P_DELIMITED]
    stop = np.uint64(m[P_AT_STOPS] + m[STOP])
    if not m[P_DELIMITED] and m[TAKE_RANK] != m[LAST_RANK] + 1:
        m[UNSYNCED] = 1
    stretch, end, before = m[STRETCH], np.int64(0), np.int64(0)
    end_rank, before_rank = np.int64(-1), np.int64(-1)
    done = np.int64(0)
    while done < count:
        length = _taken_run(m, count - done)
        if length < count - done and not m[P_DELIMITED]:
            m[UNSYNCED] = 1
        rank = m[TAKE_RANK]
        behind = rank + length
        while m[stop] < rank:
            stop += np.uint64(1)
        while m[stop] < behind:
            last = m[stop]
            done += last - rank + 1
            if every or stretch + last - rank > 0:
                end, before = done, end
                end_rank, before_rank = last, end_rank
            rank, stretch = last + 1, np.int64(0)
            stop += np.uint64(1)
        stretch += behind - rank
        done += behind - rank
        m[TAKE_RANK] = behind
    m[TAKE_RANK] = before_rank
    return before


@part
def _skip(m: Ints, count: Value, cost: Value) -> None:
    """Pass over bytes taken whose messages are too old to be of use."""
    m[SINCE_END] += count
    left = count
    while True:
        rank, at = m[TAKE_RANK], m[TAKE_AT]
        done = _to_end(m, left)
        _note_passed_over(m, at, rank, left if done < 0 else done)
        if done < 0:
            break
        left -= done
        m[SINCE_END] = left
    cost += count * m[P_SKIP_BYTE_NS]
    _spend(m, cost)
    m[READING_NS] += cost


@part
def _note_passed_over(m: Ints, at: Value, rank: Value, count: Value) -> None:
    """Note bytes taken as passed over, from a rank in a range on."""
    now_at, now_rank = m[TAKE_AT], m[TAKE_RANK]
    m[TAKE_AT], m[TAKE_RANK] = at, rank
    while count > 0:
        length = _taken_run(m, count)
        _lost(m, m[TAKE_RANK], length, PASSED_OVER)
        m[TAKE_RANK] += length
        count -= length
    m[TAKE_AT], m[TAKE_RANK] = now_at, now_rank


@part
def _end_message(m: Ints) -> None:
    m[TOTAL_ENDS] += 1
    if m[P_NOTED] == 0:
        return
    room = m[P_ENDS_ROOM]
    if m[ENDS] < room:
        row = m[P_AT_ENDS] + m[ENDS]
        m[row], m[row + room], m[row + 2 * room] = m[NOW], m[END_RANK], m[END_CODE]
        m[ENDS] += 1
    else:
        m[FULL] = 1


@part
def _parse_whole(m: Ints, count: Value, cost: Value) -> Value:
    """Spend the time of the whole messages at the head of a read; return of how many bytes.

    Those are messages as they were on the line, with no pause among them; ``cost`` is spent with the first.
    """
    rank = m[TAKE_RANK]
    if m[BROKEN] or rank != m[LAST_RANK] + 1 or m[P_PAUSE_EVERY]:
        return np.int64(0)
    length = _taken_run(m, count)
    if m[TAKE_RANK] != rank:
        return np.int64(0)
    behind = rank + length
    stop = np.uint64(m[P_AT_STOPS] + m[STOP])
    while m[stop] < rank:
        stop += np.uint64(1)
    last = m[stop]
    if last >= behind:
        return np.int64(0)
    every = m[P_LINES] or not m[P_DELIMITED]
    windows = m[P_LOOP_ROWS] > 0
    waits = windows or m[P_MODE] == INTERRUPT or m[P_EVENTS] > 0
    byte, message, message_byte = m[P_BYTE_NS], m[P_MESSAGE_NS], m[P_MESSAGE_BYTE_NS]
    since, now, total, ends = m[SINCE_END], m[NOW], m[TOTAL_ENDS], m[ENDS]
    if m[STRETCH] == 0 and not every and last == rank:
        return np.int64(0)  # a delimiter alone
    noted, room = m[P_NOTED] > 0, m[P_ENDS_ROOM]
    at_times = np.uint64(m[P_AT_ENDS])
    at_ranks, at_codes = np.uint64(m[P_AT_ENDS] + room), np.uint64(m[P_AT_ENDS] + 2 * room)
    first, reading = rank, np.int64(0)
    while last < behind and (every or last > rank or rank == first):
        since += last - rank + 1
        cost += (last - rank + 1) * byte + message + message_byte * since
        reading += cost
        if waits and (windows or now + cost > m[QUIET]):
            m[NOW] = now
            _spend(m, cost)
            now = m[NOW]
        else:
            now += cost
        cost, since = np.int64(0), np.int64(0)
        total += 1
        if noted:
            if ends < room:
                place = np.uint64(ends)
                m[at_times + place], m[at_ranks + place] = now, last
                m[at_codes + place] = np.int64(stop) - m[P_AT_STOPS]
                ends += 1
            else:
                m[FULL] = 1
        rank = last + 1
        stop += np.uint64(1)
        last = m[stop]
    m[NOW], m[TOTAL_ENDS], m[ENDS], m[SINCE_END] = now, total, ends, 0
    m[READING_NS] += reading
    m[PARSED] += rank - first
    m[TAKE_RANK], m[LAST_RANK], m[STRETCH] = rank, rank - 1, 0
    m[STOP] = np.int64(stop) - m[P_AT_STOPS]
    return rank - first


@part
def _parse_part(m: Ints, count: Value, cost: Value) -> Value:
    """Spend the time of a read that is a part of a message as it was on the line, without pauses."""
    rank = m[TAKE_RANK]
    if m[BROKEN] or rank != m[LAST_RANK] + 1 or m[P_PAUSE_EVERY]:
        return False
    if _taken_run(m, count) < count or m[TAKE_RANK] != rank:
        return False
    stop = np.uint64(m[P_AT_STOPS] + m[STOP])
    while m[stop] < rank:
        stop += np.uint64(1)
    m[STOP] = np.int64(stop) - m[P_AT_STOPS]
    if m[stop] < rank + count:
        return False
    m[STRETCH] += count
    m[LAST_RANK] += count
    m[TAKE_RANK] += count
    cost += count * m[P_BYTE_NS]
    m[PARSED] += count
    m[SINCE_END] += count
    m[READING_NS] += cost
    _spend(m, cost)
    return True


@part
def _parse(m: Ints, count: Value, cost: Value) -> Value:
    """Spend the time of a read of the bytes taken; return whether its last byte ended a message."""
    whole = _parse_whole(m, count, cost)
    if whole == count:
        return True
    if whole:
        cost = np.int64(0)
        count -= whole
    if _parse_part(m, count, cost):
        return False
    every = m[P_PAUSE_EVERY]
    done, end = np.int64(0), np.int64(-1)
    pausing = ended = False
    seeking = True
    while done < count or pausing:
        ends_here = False
        if pausing:
            cost = m[P_PAUSE_NS]
            m[PAUSE_NS] += cost
        else:
            if seeking:
                end = _to_end(m, count - done)
                if end >= 0:
                    end += done
                seeking = False
            stop = count if end < 0 else end
            if every:
                stop = min(stop, done + every - m[PARSED] % every)
            cost += (stop - done) * m[P_BYTE_NS]
            m[PARSED] += stop - done
            m[SINCE_END] += stop - done
            done = stop
            ends_here = done == end
            if ends_here:
                cost += m[P_MESSAGE_NS] + m[P_MESSAGE_BYTE_NS] * m[SINCE_END]
                m[SINCE_END] = 0
            m[READING_NS] += cost
        _spend(m, cost)
        cost = np.int64(0)
        if ends_here:
            _end_message(m)
            ended = done == count
            seeking = True
        pausing = not pausing and every > 0 and m[PARSED] % every == 0
    return ended


@part
def _discard(m: Ints) -> None:
    """Throw away the bytes since the last message end, and the count of them."""
    if not m[P_DELIMITED]:
        m[UNSYNCED] = 1
    if m[THROWN] < m[P_THROWN_ROOM]:
        row = m[P_AT_THROWN] + m[THROWN]
        m[row], m[row + m[P_THROWN_ROOM]] = m[LAST_RANK], m[TOTAL_ENDS]
        m[THROWN] += 1
    else:
        m[FULL] = 1
    if m[STRETCH] > 0:
        m[BROKEN] = 1
    m[STRETCH] = 0
    m[BROKENS] += 1
    m[SINCE_END] = 0


# --- the reading step -------------------------------------------------------------------------------------


@part
def _next_byte(m: Ints, until: Value) -> Value:
    """Look for the next byte of a message and wait for it; False when the time is out."""
    if m[NOW] >= until or not _free_before(m, until):
        return False
    if _look(m) > 0:
        return True
    if m[P_PATIENCE_NS]:
        until = min(until, m[NOW] + m[P_PATIENCE_NS])
    return _wait(m, until)


@part
def _bytes_alike(m: Ints, most: Value, until: Value) -> Value:
    """Take and parse, one by one, bytes that end no message and that nothing comes between; return how many.

    None is looked for at or after ``until``. The core is free, and a byte is there.
    """
    cost, rank = m[P_CALL_NS] + m[P_BYTE_NS], m[LAST_RANK] + 1
    if m[P_LOOP_ROWS] or m[P_PAUSE_EVERY] or m[LEFT]:
        return np.int64(0)
    queue = FIFO if m[P_MODE] == POLLED else BUFFER
    count = min(most, _run_of(m, queue, most))
    if m[queue + Q_RANK] != rank or (m[P_EVENTS] and m[P_MODE] == DMA):
        return np.int64(0)
    if m[P_MODE] == INTERRUPT:
        until = min(until, m[QUIET])
    elif m[NEXT] < m[P_KNOWN]:
        until = min(until, number_at(m[P_TIMES], m[NEXT]))
    else:
        return np.int64(0)
    stop = np.uint64(m[P_AT_STOPS] + m[STOP])
    while m[stop] < rank:
        stop += np.uint64(1)
    count = min(count, m[stop] - rank)
    if cost:
        count = min(count, (until - m[NOW]) // cost)
    elif until <= m[NOW]:
        return np.int64(0)
    if count < 2:
        return np.int64(0)
    if m[BROKEN]:
        _piece(m, rank, count)
    _drop(m, queue, count)
    m[NOW] += count * cost
    m[READING_NS] += count * cost
    m[LAST_RANK] += count
    m[STRETCH] += count
    m[SINCE_END] += count
    m[PARSED] += count
    return count


@part
def _messages_alike(m: Ints, most: Value) -> Value:
    """Take and parse, byte by byte, whole messages that nothing comes between; return of how many bytes.

    They are as they were on the line. The core is free, and a byte is there.
    """
    rank = m[LAST_RANK] + 1
    if m[P_MODE] != INTERRUPT or m[P_LOOP_ROWS] or m[P_PAUSE_EVERY] or m[LEFT] or m[BROKEN]:
        return np.int64(0)
    count = min(most, _run_of(m, BUFFER, most))
    if m[BUFFER_RANK] != rank:
        return np.int64(0)
    until, behind = m[QUIET], rank + count
    stop = np.uint64(m[P_AT_STOPS] + m[STOP])
    while m[stop] < rank:
        stop += np.uint64(1)
    last = m[stop]
    every = m[P_LINES] or not m[P_DELIMITED]
    if m[STRETCH] == 0 and not every and last == rank:
        return np.int64(0)  # a delimiter alone
    each, message, message_byte = m[P_CALL_NS] + m[P_BYTE_NS], m[P_MESSAGE_NS], m[P_MESSAGE_BYTE_NS]
    since, now, total, ends = m[SINCE_END], m[NOW], m[TOTAL_ENDS], m[ENDS]
    noted, room = m[P_NOTED] > 0, m[P_ENDS_ROOM]
    first, done = rank, False
    while last < behind and (every or last > rank or rank == first):
        length = last - rank + 1
        then = now + length * each + message + message_byte * (since + length)
        # A byte of its own is taken at each instant, and none is taken when a handler starts.
        if then > until or now >= until or (noted and ends == room):
            break
        now, since, done = then, np.int64(0), True
        total += 1
        if noted:
            place = np.uint64(m[P_AT_ENDS] + ends)
            m[place], m[place + np.uint64(room)] = now, last
            m[place + np.uint64(2 * room)] = np.int64(stop) - m[P_AT_STOPS]
            ends += 1
        rank = last + 1
        stop += np.uint64(1)
        last = m[stop]
    if not done:
        return np.int64(0)
    taken = rank - first
    _drop(m, BUFFER, taken)
    m[READING_NS] += now - m[NOW]
    m[NOW], m[TOTAL_ENDS], m[ENDS], m[SINCE_END] = now, total, ends, 0
    m[PARSED] += taken
    m[LAST_RANK], m[STRETCH] = rank - 1, 0
    m[STOP] = np.int64(stop) - m[P_AT_STOPS]
    return taken


@part
def _found(m: Ints) -> Value:
    """Return how many bytes a look has found."""
    if m[P_MODE] == DMA:
        return m[BUFFER_UPTO] - m[BUFFER_RANK]
    return m[FIFO_HELD] if m[P_MODE] == POLLED else m[BUFFER_HELD]


@part
def _read(m: Ints) -> Value:
    """One look and what is read after it; return whether the reading step goes on with another."""
    strategy, per_byte = m[P_STRATEGY], m[P_PER_BYTE]
    left, until, last_skipped, skipped = np.int64(-1), NEVER, np.int64(-1), np.int64(0)
    while left != 0:
        if strategy == WHOLE_MESSAGE and left > 0:
            if not _next_byte(m, until):
                if m[P_DISCARDS]:
                    _discard(m)
                return False
        else:
            _free_at(m, m[NOW])
            found = _look(m)
            if found == 0:
                return False
            if left < 0:
                left = found
                if strategy == AT_MOST:
                    left = min(found, m[P_LIMIT_BYTES])
                elif strategy == WHOLE_MESSAGE:
                    left, until = np.int64(1), m[NOW] + m[P_TIMEOUT_NS]
                elif strategy == NEWEST:
                    skipped = _pass_over_old(m, found)
                    last_skipped = m[TAKE_RANK]
        count = np.int64(1) if per_byte or strategy == WHOLE_MESSAGE else left
        if not skipped and (per_byte or strategy == WHOLE_MESSAGE):
            found = _found(m)
            most, alike = found, np.int64(0)
            if strategy != WHOLE_MESSAGE:
                most = min(found, left)
                alike = _messages_alike(m, most)
            if alike == 0:
                alike = _bytes_alike(m, most, until)
            if alike:
                if strategy != WHOLE_MESSAGE:
                    left -= alike
                continue
        _take(m, count)
        cost, passed = m[P_CALL_NS], np.int64(0)
        if skipped and per_byte:
            passed = np.int64(1 if m[TAKE_RANK] <= last_skipped else 0)
        elif skipped:
            passed = skipped
        if passed:
            _skip(m, passed, np.int64(0) if per_byte else cost)
            cost = np.int64(0)
        ended = False
        if passed < count:
            ended = _parse(m, count - passed, cost)
        if strategy != WHOLE_MESSAGE:
            left -= count
        elif ended:
            left = np.int64(0)
    # Where only handlers bring something to be found, there is nothing before the next one starts.
    alone = m[P_MODE] == INTERRUPT and m[BUFFER_HELD] == 0 and m[NOW] < m[QUIET]
    return strategy == EVERYTHING and not (alone and m[P_LOOP_ROWS] == 0 and m[RUN_END] <= m[NOW])


# --- the passes -------------------------------------------------------------------------------------------


@part
def _start(m: Ints) -> None:
    """Begin a pass, or a reading step on a core of its own."""
    m[PASS_START], m[PASS_HANDLER], m[PASS_WINDOW] = m[NOW], _busy_before(m, m[NOW]), m[WINDOW]
    m[PASS_READING], m[PASS_PAUSE] = m[READING_NS], m[PAUSE_NS]


@part
def _end_pass(m: Ints) -> None:
    """Note a pass, and say when the next one is released."""
    now, start, work = m[NOW], m[PASS_START], m[m[P_AT_WORKS] + m[WORK_AT]]
    if m[PASSES] == m[P_PASSES_ROOM]:
        m[FULL] = 1
    else:
        row, room = m[P_AT_PASSES] + m[PASSES], m[P_PASSES_ROOM]
        reading, pause = m[READING_NS] - m[PASS_READING], m[PAUSE_NS] - m[PASS_PAUSE]
        handler, window = _busy_before(m, now) - m[PASS_HANDLER], m[WINDOW] - m[PASS_WINDOW]
        m[row], m[row + room], m[row + 2 * room] = m[RELEASE], start, now
        m[row + 3 * room], m[row + 4 * room], m[row + 5 * room] = m[WORK_START], work, reading
        m[row + 6 * room] = now - start - work - reading - handler - pause - window
        m[row + 7 * room], m[row + 8 * room], m[row + 9 * room] = handler, pause, window
        m[row + 10 * room] = m[ENDS_BEFORE]
        m[PASSES] += 1
    m[WORK_AT] = m[WORK_AT] + 1 if m[WORK_AT] + 1 < m[P_WORKS] else 0
    if m[P_WHEN_LATE] != FREE:
        following = m[RELEASE] + m[P_PERIOD_NS]
        if m[P_WHEN_LATE] == NEXT_RELEASE and now > following:
            following = _skip_releases(m, following)
        m[RELEASE] = following


@part
def _skip_releases(m: Ints, following: Value) -> Value:
    """Pass over the releases before now; return the first that is not passed over."""
    resumed = m[NOW] + (m[P_PHASE_NS] - m[NOW]) % m[P_PERIOD_NS]
    if resumed > m[P_HORIZON] + 1:
        m[TOUCHED] |= m[P_HORIZON_OPEN]
    for release in range(following, min(resumed, m[P_HORIZON] + 1), m[P_PERIOD_NS]):
        if m[SKIPPED] == m[P_SKIPPED_ROOM]:
            m[FULL] = 1
            break
        m[m[P_AT_SKIPPED] + m[SKIPPED]] = release
        m[SKIPPED] += 1
    return resumed


@part
def _idle_passes(m: Ints) -> Value:
    """Lay down the passes that start at their releases and find nothing; return whether there were some."""
    release, period = m[RELEASE], m[P_PERIOD_NS]
    _advance(m, release, GO_ON)
    if m[RUN_END] > release or not _quiet(m):
        return False
    quiet_until = min(m[P_HORIZON] + 1, _next_change(m) - m[P_BUSIEST_NS], m[P_LIMIT])
    count = -((release - quiet_until) // period)
    if count > 0 and m[PASSES] == m[P_PASSES_ROOM]:
        m[FULL] = 1
    count = min(count, m[P_PASSES_ROOM] - m[PASSES])
    if count <= 0:
        return False
    room = m[P_PASSES_ROOM]
    for k in range(count):
        start, work = release + k * period, m[m[P_AT_WORKS] + m[WORK_AT]]
        row = m[P_AT_PASSES] + m[PASSES]
        m[row], m[row + room], m[row + 2 * room] = start, start, start + work
        m[row + 3 * room], m[row + 4 * room] = start, work
        for column in range(5, 10):
            m[row + column * room] = 0
        m[row + 10 * room] = m[TOTAL_ENDS]
        m[PASSES] += 1
        m[NOW] = start + work
        m[WORK_AT] = m[WORK_AT] + 1 if m[WORK_AT] + 1 < m[P_WORKS] else 0
    m[RELEASE] = release + count * period
    return True


@part
def _released(m: Ints) -> Value:
    """Start the next pass; return `MORE` when it is not known whether there is one, else `DONE`."""
    free = m[P_WHEN_LATE] == FREE
    beyond = not free and m[RELEASE] > m[P_HORIZON]
    if not beyond:
        in_time = not free and m[RELEASE] >= m[NOW]
        if in_time and m[P_BUSIEST_NS] <= m[P_PERIOD_NS] and m[P_LOOP_ROWS] == 0:
            laid_down = _idle_passes(m)
            if laid_down:
                return DONE
        _free_at(m, m[NOW] if free else max(m[NOW], m[RELEASE]))
        if free:
            m[RELEASE] = m[NOW]
            beyond = m[NOW] > m[P_HORIZON]
    if not beyond and m[NOW] < m[P_LIMIT]:
        _start(m)
        m[PLACE] = READING if m[P_ROLE] == ONE_CORE and m[P_READS_FIRST] else WORKING
        return DONE
    if not beyond or m[P_HORIZON_OPEN]:
        return MORE
    m[PLACE] = DRAINING
    return DONE


@part
def _keep(m: Ints) -> None:
    """Make this a checkpoint."""
    for k in range(SAVED):
        m[SAVED + k] = m[k]


@part
def _go_back(m: Ints) -> None:
    """Go back to the checkpoint."""
    for k in range(SAVED):
        m[k] = m[SAVED + k]


@part
def _move_up(m: Ints, queue: Value) -> None:
    """Forget the ranges that a queue no longer holds, at a checkpoint: nobody goes back behind it."""
    first, room, table = m[queue + Q_FIRST], _room_of(m, queue), _at_table(m, queue)
    held = m[queue + Q_END] - first
    if held and 2 * first <= room:
        return
    for k in range(held):
        m[table + k], m[table + room + k] = m[table + first + k], m[table + room + first + k]
    m[queue + Q_FIRST], m[queue + Q_END] = 0, held


@part
def _lacking(m: Ints) -> Value:
    """Return what the run lacks, back at the checkpoint; `DONE` when nothing, with a new checkpoint."""
    lacks = DONE
    if m[FAULT]:
        lacks = STUCK
    elif m[TOUCHED]:
        lacks = MORE
    elif m[UNSYNCED]:
        lacks = LOST_STEP
    elif m[FULL]:
        lacks = ROOM
    if lacks == DONE:
        _move_up(m, FIFO)
        _move_up(m, BUFFER)
        _keep(m)
    else:
        _go_back(m)
    return lacks


@part
def _take_in(m: Ints) -> Value:
    """Take in what arrives before the next pass can look, whenever that is; return what is lacking."""
    if m[NEXT] < m[P_KNOWN]:
        at = m[NOW] if m[P_WHEN_LATE] == FREE else max(m[NOW], m[RELEASE])
        # At the last instant known more can come.
        _advance(m, min(at, number_at(m[P_TIMES], m[P_KNOWN] - 1) - 1), EXACTLY)
        m[TOUCHED] = 0
        lacks = _lacking(m)
        if lacks != DONE:
            return lacks
    return MORE


@part
def _drained(m: Ints) -> Value:
    """Let what is left happen, in steps, so that room is asked for in time; return whether that is all."""
    last = min(m[NEXT] + BETWEEN_CHECKPOINTS, m[P_KNOWN])
    _advance(m, number_at(m[P_TIMES], last) - 1 if last < m[P_KNOWN] else NEVER - 1, EXACTLY)
    return last == m[P_KNOWN]


@part
def _end_step(m: Ints) -> None:
    """Note a reading step of a core of its own."""
    if m[STEPS] < m[P_STEPS_ROOM]:
        row = m[P_AT_STEPS] + m[STEPS]
        m[row], m[row + m[P_STEPS_ROOM]] = m[PASS_START], m[NOW]
        m[STEPS] += 1
    else:
        m[FULL] = 1
    m[STEP_NS] += m[NOW] - m[PASS_START] - (_busy_before(m, m[NOW]) - m[PASS_HANDLER])


@part
def _near(times: Value, at: Value, stop: Value, gap: Value) -> Value:
    """Return the first character from ``at`` on whose next one comes less than a gap later, else ``stop``."""
    while at + 8 <= stop:
        near = np.int64(0)
        for k in range(8):
            near |= np.int64(number_at(times, at + k + 1) - number_at(times, at + k) < gap)
        if near:
            break
        at += 8
    while at < stop and number_at(times, at + 1) - number_at(times, at) >= gap:
        at += 1
    return at


@part
def _as_they_come(m: Ints) -> Value:
    """Let a core of its own read bytes of a DMA buffer that are parsed before the next ones come.

    Each is then a step, from its arrival on. Return whether there were some. The last character known is
    left, because nobody can tell what comes behind it.
    """
    at, times, strategy = m[NEXT], m[P_TIMES], m[P_STRATEGY]
    rank, last = at - m[SHIFT], min(m[P_KNOWN] - 1, m[m[P_AT_DROPS] + m[DROP]])
    if m[P_MODE] != DMA or m[P_EVENTS] or m[P_PAUSE_EVERY] or strategy == WHOLE_MESSAGE or at >= last:
        return False
    if m[BROKEN] or m[BUFFER_RANK] != rank or m[BUFFER_UPTO] != rank or m[LAST_RANK] + 1 != rank:
        return False
    if number_at(times, at) < m[NOW]:
        return False
    room, place = m[P_STEPS_ROOM], np.uint64(m[P_AT_STEPS])
    steps, ends, ends_room, total = m[STEPS], m[ENDS], m[P_ENDS_ROOM], m[TOTAL_ENDS]
    at_ends, noted = np.uint64(m[P_AT_ENDS]), m[P_NOTED] > 0
    each, message, message_byte = m[P_CALL_NS] + m[P_BYTE_NS], m[P_MESSAGE_NS], m[P_MESSAGE_BYTE_NS]
    every = m[P_LINES] or not m[P_DELIMITED]
    since, stretch, reading, now = m[SINCE_END], m[STRETCH], np.int64(0), m[NOW]
    first, shift, stop = at, m[SHIFT], np.uint64(m[P_AT_STOPS] + m[STOP])
    while m[stop] < rank:
        stop += np.uint64(1)
    last = min(last, at + room - steps)
    while at < last:
        begun = at
        at = _near(times, at, min(last, m[stop] + shift), each + 1)
        if at > begun:
            _note_alike(m, begun, at, place + np.uint64(steps), room, np.int64(0), each)
            count = at - begun
            steps += count
            since += count
            stretch += count
            reading += count * each
            now = number_at(times, at - 1) + each
        if at == last or at - shift < m[stop]:
            break
        ending = every or stretch > 0
        cost = each
        if ending:
            cost += message + message_byte * (since + 1)
        start = number_at(times, at)
        if number_at(times, at + 1) - start <= cost or (ending and noted and ends == ends_room):
            break
        since, stretch, now = since + 1, np.int64(0), start + cost
        reading += cost
        m[place + np.uint64(steps)], m[place + np.uint64(room + steps)] = start, now
        steps += 1
        if ending:
            since = np.int64(0)
            total += 1
            if noted:
                row = at_ends + np.uint64(ends)
                m[row], m[row + np.uint64(ends_room)] = now, at - shift
                m[row + np.uint64(2 * ends_room)] = np.int64(stop) - m[P_AT_STOPS]
                ends += 1
        stop += np.uint64(1)
        at += 1
    if at == first:
        return False
    rank = at - shift
    m[NEXT], m[BUFFER_UPTO], m[BUFFER_RANK], m[LAST_RANK], m[NOW] = at, rank, rank, rank - 1, now
    m[STEPS], m[ENDS], m[TOTAL_ENDS], m[SINCE_END], m[STRETCH] = steps, ends, total, since, stretch
    m[STOP] = np.int64(stop) - m[P_AT_STOPS]
    m[PARSED] += at - first
    m[READING_NS] += reading
    m[STEP_NS] += reading
    m[HIGH_WATER] = max(m[HIGH_WATER], 1)
    if m[P_IDLE_NS]:
        silent = number_at(times, at - 1) + m[P_IDLE_NS]
        m[EXPIRY] = silent if silent > now else NEVER
    return True


@part
def _as_handlers_bring_them(m: Ints) -> None:
    """Let a core of its own read what handlers bring, step by step, as long as all is taken in one read.

    The buffer is empty. It goes on until a checkpoint is due, and leaves the place where the core then is.
    """
    before = m[SAVED + NEXT] + _between_steps(m)
    while m[NEXT] <= before:
        if _advance(m, NEVER - 1, STOP_AT_ANY) != NEVER:
            m[PLACE] = DRAINING
            break
        at = m[RUN_START]
        _advance(m, at, GO_ON)
        while m[RUN_END] > at:
            at = m[RUN_END]
            _advance(m, at, GO_ON)
        m[NOW] = at
        found = m[BUFFER_HELD]
        if found:
            _start(m)
            _take(m, found)
            _parse(m, found, m[P_CALL_NS])
            if m[P_STRATEGY] == EVERYTHING and (m[BUFFER_HELD] or m[NOW] >= m[QUIET] or m[RUN_END] > m[NOW]):
                m[PLACE] = READING
                break
            _end_step(m)
        if m[FAULT] + m[TOUCHED] + m[UNSYNCED] + m[FULL] or m[BUFFER_HELD] or m[RUN_END] > m[NOW]:
            break


@part
def _between_steps(m: Ints) -> Value:
    """Return after how many characters a core of its own gets a checkpoint; not many where they may end."""
    return BETWEEN_CHECKPOINTS if m[P_KNOWN] - m[NEXT] > 2 * BETWEEN_CHECKPOINTS else BETWEEN_STEPS


@kernel_of_parts
def receive(m: Ints) -> Value:
    """Run the model until it is done or lacks something; return `DONE` or what is lacking.

    ``m`` holds the state as named in `STATE`, a copy of it, the settings as named in `SETTINGS`, and the
    tables those tell the places of: windows (period, phase, length; those of handlers first), ranks by
    character, stops, FIFO and buffer (ranks); and of results, whose rows are counted in the state: runs
    (start, end), passes (as `passes.PassTable`, but the last column counts ends), skipped (release), ends
    (time, rank, stop or -1 - number of the broken stretch), steps, stalls (start, end), thrown (last rank,
    ends before), and pieces of broken stretches (rank, count, number of the stretch); no end tells of those
    that came to nothing. Where all handlers are ``uniform``, runs have no ends.
    """
    _keep(m)
    in_steps = m[P_STRATEGY] <= SNAPSHOT and m[P_PER_BYTE] == 0 and m[P_MODE] == INTERRUPT
    in_steps &= m[P_DRAINS] == 0 and m[P_LOOP_ROWS] == 0
    while True:
        place = m[PLACE]
        if (
            place == AT_RELEASE
            or place >= ALONE
            or (place == READING and m[NEXT] - m[SAVED + NEXT] > BETWEEN_CHECKPOINTS)
        ):
            lacking = m[FAULT] + m[TOUCHED] + m[UNSYNCED] + m[FULL]
            # Steps of a core of its own can be so short that a checkpoint takes longer.
            if place != ALONE or lacking or m[NEXT] - m[SAVED + NEXT] > _between_steps(m):
                lacks = _lacking(m)
                if lacks != DONE:
                    return lacks
        if place == AT_RELEASE:
            if _released(m) == MORE:
                _go_back(m)
                return _take_in(m)
        elif place == READING:
            if _read(m):
                continue
            if m[P_ROLE] == READER:
                _end_step(m)
                m[PLACE] = ALONE
            elif m[P_READS_FIRST]:
                _free_at(m, m[NOW])
                m[PLACE] = WORKING
            else:
                m[PLACE] = ENDING
        elif place == WORKING:
            m[WORK_START], m[ENDS_BEFORE] = m[NOW], m[TOTAL_ENDS]
            _spend(m, m[m[P_AT_WORKS] + m[WORK_AT]])
            m[PLACE] = READING if m[P_ROLE] == ONE_CORE and not m[P_READS_FIRST] else ENDING
        elif place == ENDING:
            _end_pass(m)
            m[PLACE] = AT_RELEASE
        elif place == ALONE:
            if _as_they_come(m):
                continue
            _free_at(m, m[NOW])
            found = _look(m)
            if found == 0 and in_steps:
                _as_handlers_bring_them(m)
            elif found > 0 or _wait(m, NEVER):
                _start(m)
                m[PLACE] = READING
            else:
                m[PLACE] = DRAINING
        elif _drained(m):
            return _lacking(m)
