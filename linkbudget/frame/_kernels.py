"""Frames out of a whole stream, compiled: cobs, slip, hdlc and newline, with their check.

The plain form is the deframer: ``delimiting/`` and ``envelope.py`` say what each test means.

The frames go through in batches, one step after the other: stretches between delimiters, bodies, checks,
rows. A function that is given an array counts references to it, which costs as much as a short frame; called
once a batch that is nothing. The few functions called for each word are plain expressions, where the compiler
leaves it out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget._jit import helper, kernel

__all__ = [
    "COBS",
    "FLETCHER16",
    "HDLC",
    "NEWLINE",
    "NO_CHECK",
    "SLACK",
    "SLICED_CRC",
    "SLIP",
    "SUM8",
    "XOR8",
    "delimited_frames",
]

COBS, SLIP, HDLC, NEWLINE = 0, 1, 2, 3
NO_CHECK, SLICED_CRC, SUM8, XOR8, FLETCHER16 = 0, 1, 2, 3, 4
COPIED = 72
"""Bytes copied at once: one step for a payload of 64 with its check, so that no step has to be guessed."""
SLACK = COPIED + 8
"""Bytes of room behind what is written."""
BATCH, BATCH_BYTES = 256, 1 << 13
"""A batch ends with about so many stretches or bytes: what it works on stays in the nearest cache."""
BATCH_STEP = 512  # bytes between looks whether it does
BATCH_ROOM = BATCH + BATCH_STEP // 8
"""The most stretches in a batch."""

# As in `Reason`, from 1; a test holds them to it.
GOOD, BAD_CHECK, TOO_LONG, TOO_SHORT, BAD_STUFFING, TRUNCATED, OTHER_LAYOUT = 0, 1, 2, 3, 4, 5, 9

ZERO, ONE, SEVEN, EIGHT = np.uint64(0), np.uint64(1), np.uint64(7), np.uint64(8)
BYTE, SIXTY_FOUR = np.uint64(0xFF), np.uint64(64)
ALL_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
EVERY, HIGH = np.uint64(0x0101010101010101), np.uint64(0x8080808080808080)
ESC, ESC_END, ESC_ESC = np.uint8(0xDB), np.uint8(0xDC), np.uint8(0xDD)
END = np.uint8(0xC0)
ESCAPE, FLIP, CONTROLS = np.uint8(0x7D), np.uint8(0x20), np.uint8(0x20)
FULL_BLOCK = np.uint64(0xFF)
NOT_STUFFED, NOT_TAKEN = -1, -2  # instead of a body size: bad stuffing, longer than any frame


@helper
def _load(data: npt.NDArray[np.uint8], at: np.uint64) -> np.uint64:
    """Eight bytes, the first one lowest; the compiler makes one load of it."""
    word = np.uint64(data[at])
    for k in range(1, 8):
        word |= np.uint64(data[at + np.uint64(k)]) << np.uint64(8 * k)
    return word


@helper
def _store(data: npt.NDArray[np.uint8], at: np.uint64, word: np.uint64) -> None:
    """Write eight bytes, the lowest first; written out like this the compiler makes one store of it."""
    data[at] = np.uint8(word)
    data[at + np.uint64(1)] = np.uint8(word >> np.uint64(8))
    data[at + np.uint64(2)] = np.uint8(word >> np.uint64(16))
    data[at + np.uint64(3)] = np.uint8(word >> np.uint64(24))
    data[at + np.uint64(4)] = np.uint8(word >> np.uint64(32))
    data[at + np.uint64(5)] = np.uint8(word >> np.uint64(40))
    data[at + np.uint64(6)] = np.uint8(word >> np.uint64(48))
    data[at + np.uint64(7)] = np.uint8(word >> np.uint64(56))


@helper
def _first(found: np.uint64) -> np.uint64:
    """The place of the lowest byte that is marked in its high bit."""
    # The ones below that bit, one for each byte up to it, added up in the highest byte.
    return ((((found - ONE) & ~found & EVERY) * EVERY) >> np.uint64(56)) - ONE


@helper
def _copy(
    source: npt.NDArray[np.uint8],
    at: np.uint64,
    out: npt.NDArray[np.uint8],
    to: np.uint64,
    size: np.uint64,
) -> None:
    """Copy bytes, up to `COPIED` more than asked for: most frames are then one step long."""
    for step in range(ZERO, size, np.uint64(COPIED)):
        for k in range(0, COPIED, 8):
            _store(out, to + step + np.uint64(k), _load(source, at + step + np.uint64(k)))


@helper
def _stretches(
    data: npt.NDArray[np.uint8],
    at: np.uint64,
    delimiter: np.uint8,
    begin: npt.NDArray[np.uint64],
    stop: npt.NDArray[np.uint64],
) -> tuple[np.uint64, np.uint64]:
    """Find the stretches of a batch; return how many, and where the next one begins.

    Words of eight bytes go through without a branch that depends on the data: each is noted, and the note
    counts when there is a delimiter in it.
    """
    size = np.uint64(data.size)
    pattern = EVERY * np.uint64(delimiter)
    place = at
    whole = size - (size - at) % EIGHT  # the words end here
    noted = ZERO
    while noted < ONE or (noted < np.uint64(BATCH) and place < at + np.uint64(BATCH_BYTES)):
        if place >= whole:
            break
        step_end = min(whole, place + np.uint64(BATCH_STEP))
        while place < step_end:
            word = _load(data, place) ^ pattern
            begin[noted] = place
            noted += np.uint64(((word - EVERY) & ~word & HIGH) != ZERO)  # a byte of zero borrows
            place += EIGHT
    count = ZERO
    for note in range(noted):
        if count >= np.uint64(BATCH):
            break  # many in one word; the rest is looked for again
        word = _load(data, begin[note]) ^ pattern
        # What lies above a byte of zero may be marked wrongly, the lowest mark is right.
        found = (word - EVERY) & ~word & HIGH
        first = _first(found)
        stop[count] = begin[note] + first
        count += ONE
        if found & (found - ONE):
            for k in range(first + ONE, EIGHT):
                stop[count] = begin[note] + k
                count += np.uint64((word >> (EIGHT * k)) & BYTE == ZERO)
    if count == ZERO:
        while place < size and data[place] != delimiter:
            place += ONE
        stop[0] = place
        count = np.uint64(place < size)
    begin[0] = at
    for k in range(ONE, count):
        begin[k] = stop[k - ONE] + ONE
    return count, stop[count - ONE] + ONE if count else at


@helper
def _cobs_bodies(
    data: npt.NDArray[np.uint8],
    begin: npt.NDArray[np.uint64],
    stop: npt.NDArray[np.uint64],
    count: np.uint64,
    limit: np.uint64,
    out: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
) -> None:
    """Write the bodies of stretches without zeros one behind the other, and their sizes.

    The bytes keep their places but for the first one; the codes between become zeros. A code FF stands for
    no zero, so what follows it moves up.
    """
    to = ZERO
    for frame in range(count):
        at, end = begin[frame], stop[frame]
        if at == end or end - at > limit:
            size[frame] = 0 if at == end else NOT_TAKEN
            continue
        code = at
        if end - at < FULL_BLOCK and end + np.uint64(COPIED) <= np.uint64(data.size):
            _copy(data, at + ONE, out, to, end - at - ONE)
            code += np.uint64(data[code])
            while code < end:
                out[to + code - at - ONE] = 0
                code += np.uint64(data[code])
            body = end - at - ONE
        else:
            body = ZERO
            while code < end:
                block = np.uint64(data[code])
                for k in range(code + ONE, min(code + block, end)):
                    out[to + body] = data[k]
                    body += ONE
                code += block
                if block != FULL_BLOCK and code < end:
                    out[to + body] = 0
                    body += ONE
        size[frame] = np.int64(body) if code == end else NOT_STUFFED
        if code == end:
            to += body


@helper
def _slip_bodies(
    data: npt.NDArray[np.uint8],
    begin: npt.NDArray[np.uint64],
    stop: npt.NDArray[np.uint64],
    count: np.uint64,
    limit: np.uint64,
    out: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
) -> None:
    """Write the bodies of stretches without END, and their sizes. ESC must be followed by DC or DD."""
    to = ZERO
    for frame in range(count):
        at, end = begin[frame], stop[frame]
        if end - at > limit:
            size[frame] = NOT_TAKEN
            continue
        body, bad = to, False
        while at < end:
            byte = data[at]
            if byte == ESC:
                at += ONE
                bad |= at == end or (data[at] != ESC_END and data[at] != ESC_ESC)
                byte = END if data[at] == ESC_END else ESC
            out[body] = byte
            body += ONE
            at += ONE
        size[frame] = NOT_STUFFED if bad else np.int64(body - to)
        if not bad:
            to = body


@helper
def _hdlc_bodies(
    data: npt.NDArray[np.uint8],
    begin: npt.NDArray[np.uint64],
    stop: npt.NDArray[np.uint64],
    count: np.uint64,
    limit: np.uint64,
    async_map: np.uint64,
    out: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
) -> None:
    """Write the bodies of stretches without flags, and their sizes. An escape must escape something.

    Octets of the map that come unescaped are removed, wherever they stand.
    """
    to = ZERO
    for frame in range(count):
        at, end = begin[frame], stop[frame]
        if end - at > limit:
            size[frame] = NOT_TAKEN
            continue
        body, bad, flip = to, False, np.uint8(0)
        while at < end:
            byte = data[at]
            at += ONE
            if byte < CONTROLS and (async_map >> np.uint64(byte)) & ONE:
                continue
            if byte == ESCAPE:
                bad |= flip != 0
                flip = FLIP
                continue
            out[body] = byte ^ flip
            body += ONE
            flip = np.uint8(0)
        bad |= flip != 0
        size[frame] = NOT_STUFFED if bad else np.int64(body - to)
        if not bad:
            to = body


@helper
def _lines(
    data: npt.NDArray[np.uint8],
    begin: npt.NDArray[np.uint64],
    stop: npt.NDArray[np.uint64],
    count: np.uint64,
    limit: np.uint64,
    before: np.int64,
    out: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
) -> None:
    """Write the lines, and their sizes.

    ``before`` is the byte that must stand in front of the last of a terminator and nowhere else; -1: none.
    """
    to = ZERO
    for frame in range(count):
        at, end = begin[frame], stop[frame]
        if end - at > limit:
            size[frame] = NOT_TAKEN
            continue
        bad = False
        if before >= 0:
            bad = at == end or data[end - ONE] != np.uint8(before)
            end -= np.uint64(not bad)
            for k in range(at, end):
                bad |= data[k] == np.uint8(before)
        if end + np.uint64(COPIED) <= np.uint64(data.size):
            _copy(data, at, out, to, end - at)
        else:
            for k in range(end - at):
                out[to + k] = data[at + k]
        size[frame] = NOT_STUFFED if bad else np.int64(end - at)
        if not bad:
            to += end - at


@helper
def _sliced(table: npt.NDArray[np.uint64], word: np.uint64) -> np.uint64:
    """What eight bytes have become at the end of the last one."""
    register = ZERO
    for k in range(7, -1, -1):  # what hangs on the register before comes last
        register ^= table[np.uint64(256 * (7 - k)) + ((word >> np.uint64(8 * k)) & BYTE)]
    return register


@helper
def _crc_values(
    bodies: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
    count: np.uint64,
    added: np.int64,
    written: np.int64,
    table: npt.NDArray[np.uint64],
    init: np.uint64,
    value: npt.NDArray[np.uint64],
) -> None:
    """Note the register behind each body that is long enough, without its last ``written`` bytes."""
    to = ZERO
    for frame in range(count):
        if size[frame] < added:
            to += np.uint64(max(size[frame], 0))
            continue
        at, end = to, to + np.uint64(size[frame] - written)
        to += np.uint64(size[frame])
        register = init
        odd = (end - at) & SEVEN
        if odd:
            # The first bytes, with zeros in front: those change nothing.
            word = (_load(bodies, at) ^ register) << (SIXTY_FOUR - EIGHT * odd)
            register = (register >> (EIGHT * odd)) ^ _sliced(table, word)
            at += odd
        while at < end:
            register = _sliced(table, _load(bodies, at) ^ register)
            at += EIGHT
        value[frame] = register


@helper
def _turned(word: np.uint64) -> np.uint64:
    """The same bytes in the opposite order."""
    turned = ZERO
    for k in range(8):
        turned |= ((word >> np.uint64(8 * k)) & BYTE) << np.uint64(56 - 8 * k)
    return turned


@helper
def _from_registers(
    value: npt.NDArray[np.uint64],
    count: np.uint64,
    turned: bool,
    shift: np.uint64,
    width: np.int64,
    reflected: bool,
    xorout: np.uint64,
) -> None:
    """Make checks of registers."""
    for frame in range(count):
        check = value[frame]
        if turned:
            check = _turned(check) >> shift
        if reflected:
            register = check
            check = ZERO
            for k in range(width):
                check |= ((register >> np.uint64(k)) & ONE) << np.uint64(width - 1 - k)
        value[frame] = check ^ xorout


@helper
def _sum_values(
    kind: np.int64,
    bodies: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
    count: np.uint64,
    added: np.int64,
    written: np.int64,
    value: npt.NDArray[np.uint64],
) -> None:
    """Note the simple sum of each body that is long enough, without its last ``written`` bytes."""
    to = ZERO
    for frame in range(count):
        low, high = ZERO, ZERO
        if size[frame] >= added:
            for k in range(to, to + np.uint64(size[frame] - written)):
                byte = np.uint64(bodies[k])
                if kind == XOR8:
                    low ^= byte
                elif kind == SUM8:
                    low = (low + byte) & BYTE
                else:
                    low = (low + byte) % BYTE
                    high = (high + low) % BYTE
        value[frame] = high << EIGHT | low
        to += np.uint64(max(size[frame], 0))


@helper
def _written_checks(
    bodies: npt.NDArray[np.uint8],
    size: npt.NDArray[np.int64],
    count: np.uint64,
    added: np.int64,
    check_bytes: np.int64,
    big: bool,
    hex_form: bool,
    value: npt.NDArray[np.uint64],
    fits: npt.NDArray[np.uint8],
) -> None:
    """Note whether each body that is long enough ends with its check."""
    to = ZERO
    size_of_check = np.uint64(check_bytes)
    written = size_of_check + size_of_check if hex_form else size_of_check
    mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * size_of_check)
    for frame in range(count):
        to += np.uint64(max(size[frame], 0))
        if size[frame] < added:
            continue
        expected = value[frame]
        if big:
            expected = _turned(expected) >> (SIXTY_FOUR - EIGHT * size_of_check)
        if not hex_form:
            fits[frame] = (_load(bodies, to - written) ^ expected) & mask == ZERO
            continue
        wrong = ZERO
        for k in range(size_of_check):
            byte = (expected >> (EIGHT * k)) & BYTE
            high, low = byte >> np.uint64(4), byte & np.uint64(15)
            at = to - written + k + k
            wrong |= np.uint64(bodies[at]) ^ (high + np.uint64(48 if high < np.uint64(10) else 55))
            wrong |= np.uint64(bodies[at + ONE]) ^ (low + np.uint64(48 if low < np.uint64(10) else 55))
        fits[frame] = wrong == ZERO


@kernel
def delimited_frames(
    data: npt.NDArray[np.uint8],
    place: int,
    leads: int,
    kind: int,
    delimiter: int,
    before: int,
    limit: int,
    leading: bool,
    async_map: int,
    sequence: bool,
    layout_id: int,
    max_payload: int,
    check_kind: int,
    check_bytes: int,
    big: bool,
    hex_form: bool,
    table: npt.NDArray[np.uint64],
    init: np.uint64,
    turned: bool,
    shift: int,
    width: int,
    reflected: bool,
    xorout: np.uint64,
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    reason: npt.NDArray[np.uint8],
    number: npt.NDArray[np.int16],
    offsets: npt.NDArray[np.int64],
    payload: npt.NDArray[np.uint8],
    rows: int,
) -> tuple[np.int64, np.int64, np.int64]:
    """Fill the columns from row ``rows`` on; return the rows, where it goes on, and ``leads`` there.

    The stream is read from ``place`` on, in front of which ``leads`` delimiters belong to the next frame. It
    goes on at the size of the data when all is done, earlier when the columns may not hold another batch.
    ``offsets[rows]`` says where the payloads go on. ``limit`` is the longest stretch the format can make;
    ``before`` the first byte of a terminator of two, else -1; ``layout_id`` -1 without one; ``check_bytes``
    those of the binary form. The check is as `check.slicing` says.
    """
    at, size, row, room = np.uint64(place), np.uint64(data.size), np.uint64(rows), np.uint64(start.size)
    to, lead = np.uint64(offsets[row]), np.int64(leads)
    header = np.int64(1 if sequence else 0) + np.int64(1 if layout_id >= 0 else 0)
    written = np.int64(check_bytes * (2 if hex_form else 1))
    added = header + written
    begin, stop = np.empty(BATCH_ROOM, dtype=np.uint64), np.empty(BATCH_ROOM, dtype=np.uint64)
    held, value = np.empty(BATCH_ROOM, dtype=np.int64), np.zeros(BATCH_ROOM, dtype=np.uint64)
    fits = np.ones(BATCH_ROOM, dtype=np.uint8)
    bodies = np.empty(BATCH_BYTES + BATCH_STEP + limit + SLACK, dtype=np.uint8)
    while at < size and row + np.uint64(BATCH_ROOM) <= room:
        count, after = _stretches(data, at, np.uint8(delimiter), begin, stop)
        if count == ZERO:
            start[row], end[row], reason[row] = np.int64(at) - lead, np.int64(size), np.uint8(TRUNCATED)
            number[row], offsets[row + ONE] = np.int16(-1), np.int64(to)
            return np.int64(row + ONE), np.int64(size), np.int64(0)
        if kind == COBS:
            _cobs_bodies(data, begin, stop, count, np.uint64(limit), bodies, held)
        elif kind == SLIP:
            _slip_bodies(data, begin, stop, count, np.uint64(limit), bodies, held)
        elif kind == HDLC:
            _hdlc_bodies(data, begin, stop, count, np.uint64(limit), np.uint64(async_map), bodies, held)
        else:
            _lines(data, begin, stop, count, np.uint64(limit), np.int64(before), bodies, held)
        if check_kind == SLICED_CRC:
            _crc_values(bodies, held, count, added, written, table, init, value)
            _from_registers(value, count, turned, np.uint64(shift), np.int64(width), reflected, xorout)
        elif check_kind != NO_CHECK:
            _sum_values(np.int64(check_kind), bodies, held, count, added, written, value)
        if check_kind != NO_CHECK:
            _written_checks(bodies, held, count, added, np.int64(check_bytes), big, hex_form, value, fits)
        read = ZERO
        for frame in range(count):
            if begin[frame] == stop[frame] and kind != NEWLINE:
                lead = np.int64(1 if leading else 0)
                continue
            body = held[frame]
            code = GOOD
            if body < added:
                code = TOO_SHORT
                if body == NOT_STUFFED:
                    code = BAD_STUFFING
                elif body == NOT_TAKEN:
                    code = TOO_LONG
            elif body - added > max_payload:
                code = TOO_LONG
            elif fits[frame] == 0:
                code = BAD_CHECK
            elif layout_id >= 0 and bodies[read + np.uint64(header - 1)] != np.uint8(layout_id):
                code = OTHER_LAYOUT
            start[row], end[row] = np.int64(begin[frame]) - lead, np.int64(stop[frame] + ONE)
            reason[row], number[row] = np.uint8(code), np.int16(-1)
            if code == GOOD:
                if sequence:
                    number[row] = np.int16(bodies[read])
                inside = read + np.uint64(header)
                _copy(bodies, inside, payload, to, np.uint64(body - added))
                to += np.uint64(body - added)
            read += np.uint64(max(body, 0))
            row += ONE
            offsets[row] = np.int64(to)
            lead = np.int64(0)
        at = after
    return np.int64(row), np.int64(at), lead
