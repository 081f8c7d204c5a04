"""Value changes and rows of levels out of text, compiled.

A kernel reads as long as everything is as plain as nearly all of such files is. It stops in front of anything
else; that is then read by the plain form, which also finds what is wrong with it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget._jit import helper, kernel

__all__ = [
    "ENDED",
    "FINER",
    "FULL",
    "LONGEST_CODE",
    "OTHER",
    "PADDING",
    "PASSED_OVER",
    "PLAIN",
    "SPREAD",
    "TIMES",
    "level_rows",
    "vcd_changes",
]

PADDING = 32
"""Bytes of zero behind a text, because eight are read at a time."""
ENDED, FULL, OTHER, FINER = 0, 1, 2, 3
"""Why a kernel stopped: no whole token or row is left, no room is left, something for the plain form, a time
with more decimal places than thought."""
PASSED_OVER, PLAIN, TIMES = -1, -2, -3
"""Instead of the number of a trace: nobody asked for it; a change for the plain form; a column of times."""
LONGEST_CODE = 7  # identifier codes up to here fit into a word, with the white space behind them
MOST_DIGITS = 18  # decimal digits that fit 64 bits whatever they are

ZERO, ONE, TWO, THREE, EIGHT = np.uint64(0), np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(8)
SIXTEEN, SIXTY_FOUR = np.uint64(16), np.uint64(64)
ALL_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
BYTE = np.uint64(0xFF)
EVERY, HIGH = np.uint64(0x0101010101010101), np.uint64(0x8080808080808080)
DIGIT_ZEROS, ABOVE_NINE = np.uint64(0x3030303030303030), np.uint64(0x7676767676767676)
NOWHERE = np.uint64(1 << 32)
# What stands behind the time of a row: a byte for the comma, the level 0, the line end; which bit makes it 1.
LOW, LOW_AND_RETURN, LEVEL_BIT = np.uint64(0x0A3000), np.uint64(0x0A0D3000), np.uint64(0x0100)
SPACES = np.uint64(0x2121212121212121)  # one more than a blank, in every byte
PAIRS = np.uint64(0x000000FF000000FF)
FIRST_PAIRS, LAST_PAIRS = np.uint64(0x000F424000000064), np.uint64(0x0000271000000001)
POWERS = np.array([10**k for k in range(9)], dtype=np.int64)
SPREAD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 by the golden ratio: mixes the bits of a code

BLANKS = np.zeros(256, dtype=np.uint8)
BLANKS[[9, 10, 11, 12, 13, 32]] = 1
NO_LEVEL = 3
LEVELS = np.full(256, NO_LEVEL, dtype=np.uint8)
LEVELS[[ord("0"), ord("1")]] = [0, 1]
LEVELS[[ord(sign) for sign in "xXzZ"]] = 2
HASH, LETTER_B, LETTER_R, LETTER_S = (np.uint8(ord(sign)) for sign in "#brs")
LETTER_E = np.uint8(ord("e"))
LOWER = np.uint8(0x20)
BLANK, NEW_LINE, RETURN = np.uint8(32), np.uint8(10), np.uint8(13)
PLUS, MINUS, ZERO_SIGN, NINE_DIGIT = np.uint8(43), np.uint8(45), np.uint8(48), np.uint8(9)
ENDS = np.zeros(256, dtype=np.uint8)  # of a line
ENDS[[10, 13]] = 1
# A cell of one sign; an empty one, which ends with what ends a cell, says `NO_LEVEL`: the same as before.
CELLS = np.full(256, NO_LEVEL, dtype=np.uint8)
CELLS[[ord(sign) for sign in "0lL"]] = 0
CELLS[[ord(sign) for sign in "1hH"]] = 1
CELLS[[ord(sign) for sign in "xXzZ-"]] = 2
# What a cell that nobody asked for may hold without meaning anything for the whole table: no quote, no sign
# that may be a decimal one, nothing that hangs on the encoding.
PASSABLE = np.zeros(256, dtype=np.uint8)
PASSABLE[32:127] = 1
PASSABLE[[ord(sign) for sign in '",']] = 0


@helper
def _load(data: npt.NDArray[np.uint8], at: np.uint64) -> np.uint64:
    """Eight bytes, the first one lowest; the compiler makes one load of it."""
    word = np.uint64(data[at])
    for k in range(1, 8):
        word |= np.uint64(data[at + np.uint64(k)]) << np.uint64(8 * k)
    return word


@helper
def _first(found: np.uint64) -> np.uint64:
    """The place of the lowest byte that is marked in its high bit."""
    return ((((found - ONE) & ~found & EVERY) * EVERY) >> np.uint64(56)) - ONE


@helper
def _no_digits(word: np.uint64) -> np.uint64:
    """Mark the bytes of eight that are no digits, of which the lowest mark is right; ``word`` ^ 0x30..30."""
    return ((word + ABOVE_NINE) | word) & HIGH


@helper
def _number(word: np.uint64) -> np.int64:
    """The number that eight digits make, the first in the lowest byte; ``word`` ^ 0x30..30."""
    word = word * np.uint64(10) + (word >> EIGHT)
    return np.int64(
        ((word & PAIRS) * FIRST_PAIRS + ((word >> np.uint64(16)) & PAIRS) * LAST_PAIRS) >> np.uint64(32)
    )


@helper
def _blanks(word: np.uint64) -> np.uint64:
    """Mark the bytes of eight that are not above a blank, of which the lowest mark is right."""
    return (word - SPACES) & ~word & HIGH


@kernel
def vcd_changes(
    text: npt.NDArray[np.uint8],
    place: int,
    size: int,
    clock: int,
    short_codes: npt.NDArray[np.int32],
    long_codes: npt.NDArray[np.uint64],
    long_entries: npt.NDArray[np.int32],
    scalars: npt.NDArray[np.int32],
    first_bits: npt.NDArray[np.int64],
    sizes: npt.NDArray[np.int64],
    bits: npt.NDArray[np.int32],
    base: npt.NDArray[np.uint8],
    when: npt.NDArray[np.int64],
    level: npt.NDArray[np.uint8],
    traces: npt.NDArray[np.int32],
    times: npt.NDArray[np.int64],
    levels: npt.NDArray[np.uint8],
) -> tuple[np.int64, np.int64, np.int64, np.int64, bool]:
    """Read value changes from ``place`` up to ``size`` (behind it `PADDING`); ``clock`` is the time there.

    ``short_codes`` gives the entry of each identifier code of one sign, a hash table of ``long_codes`` and
    ``long_entries`` that of longer ones, -1 for none. An entry has ``sizes`` bits (0: a real number), from
    ``first_bits`` on in ``bits``, which names the trace of each or `PASSED_OVER`; ``scalars`` is that of a
    variable of one bit, else `PLAIN` or `PASSED_OVER`.

    A trace had ``base`` before ``when``, and has ``level`` since; as long as the time is the same, that may
    change. What became final goes, with its trace, into ``traces``, ``times``, ``levels``. Returns where and
    why it stopped, how many changes became final, the time, and whether a vector was too long.
    """
    at, end, now = np.uint64(place), np.uint64(size), np.int64(clock)
    count, room = ZERO, np.uint64(times.size)
    mask = np.uint64(long_codes.size - 1)
    too_long = False
    reason = np.int64(ENDED)
    # Nearly every time is as long as the one before and begins like that, its hash sign included: so only its
    # last eight digits are read, and what stands before them when it is not the same.
    front, front_mask, front_word, front_number = ZERO, ZERO, ZERO, np.int64(0)
    tail, tail_mask = ZERO, ZERO
    # Where there is one trace, what stands between a time and the next one is nearly always the same, but for
    # the level.
    single = base.size == 1
    between, behind_time, level_at = ZERO, ZERO, ZERO
    usual, usual_mask, usual_size, level_bit = ZERO, ZERO, ZERO, ZERO
    while True:
        while BLANKS[text[at]]:
            at += ONE
        if at >= end:
            break
        sign = text[at]
        if sign == HASH:
            if between == ONE and level_at > behind_time and at - behind_time <= EIGHT:
                usual_size = at - behind_time
                usual_mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * usual_size)
                level_bit = ONE << (EIGHT * (level_at - behind_time))
                usual = _load(text, behind_time) & usual_mask & ~level_bit
            between = ZERO
            if usual_size:
                own_base, own_when, own_level = base[0], when[0], level[0]
                while (_load(text, at) & front_mask) == front_word and count < room:
                    after = at + front
                    word = (_load(text, after) ^ DIGIT_ZEROS) & tail_mask
                    after += tail
                    behind = (_load(text, after) & usual_mask) ^ usual
                    time = front_number + _number(word << (SIXTY_FOUR - EIGHT * tail))
                    if _no_digits(word) | (behind & ~level_bit) or time <= now:
                        break
                    now = time
                    at = after + usual_size
                    new = np.uint8(behind > ZERO)
                    if new != own_level:
                        times[count], levels[count] = own_when, own_level
                        count += np.uint64(own_level != own_base)
                        own_base, own_when, own_level = own_level, now, new
                base[0], when[0], level[0] = own_base, own_when, own_level
                if text[at] != HASH:
                    between = TWO  # not counted from a time
                    continue
            word = _load(text, at) & front_mask
            same: bool | np.bool_ = word == front_word
            if not same:
                parts = (word >> EIGHT) ^ (DIGIT_ZEROS & (front_mask >> EIGHT))
                same = _no_digits(parts) == ZERO
                if same:
                    front_word = word
                    front_number = _number(parts << (SIXTY_FOUR + EIGHT - EIGHT * front)) * POWERS[8]
            word = (_load(text, at + front) ^ DIGIT_ZEROS) & tail_mask
            after = at + front + tail
            if same and tail and _no_digits(word) == ZERO and BLANKS[text[after]]:
                time = front_number + _number(word << (SIXTY_FOUR - EIGHT * tail))
                if time < now:
                    reason = np.int64(OTHER)
                    break
                now, behind_time = time, after
                at = after + ONE
                continue
            after, time, digits = at + ONE, np.int64(0), ZERO
            word = _load(text, after) ^ DIGIT_ZEROS
            found = _no_digits(word)
            while found == ZERO and digits < np.uint64(MOST_DIGITS):
                time = time * POWERS[8] + _number(word)
                after += EIGHT
                digits += EIGHT
                word = _load(text, after) ^ DIGIT_ZEROS
                found = _no_digits(word)
            more = _first(found) if found else EIGHT
            if ZERO < more < EIGHT:
                time = time * POWERS[more] + _number(word << (SIXTY_FOUR - EIGHT * more))
                after += more
                digits += more
            if after >= end:
                break
            if digits == ZERO or digits > np.uint64(MOST_DIGITS) or not BLANKS[text[after]] or time < now:
                reason = np.int64(OTHER)
                break
            if digits < SIXTEEN:
                tail = min(digits, EIGHT)
                tail_mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * tail)
                front = ONE + digits - tail
                front_mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * front)
                front_word, front_number = _load(text, at) & front_mask, time - time % POWERS[tail]
            now, behind_time = time, after
            at = after + ONE
            continue
        between += ONE
        new = LEVELS[sign]
        code = at + ONE
        behind = code  # the digits of a vector
        if new == NO_LEVEL:
            lower = sign | LOWER
            if lower == LETTER_B:
                while LEVELS[text[behind]] != NO_LEVEL:
                    behind += ONE
                if behind == code and behind < end:
                    reason = np.int64(OTHER)
                    break
            elif lower in (LETTER_R, LETTER_S):
                while behind < end and not BLANKS[text[behind]]:
                    behind += ONE
            else:
                reason = np.int64(OTHER)
                break
            if behind >= end:
                break
            if not BLANKS[text[behind]]:
                reason = np.int64(OTHER)
                break
            code = behind
            while BLANKS[text[code]]:
                code += ONE
            if code >= end:
                break
            if lower != LETTER_B:
                while code < end and not BLANKS[text[code]]:
                    code += ONE
                if code >= end:
                    break
                at = code + ONE
                continue
        after = code + ONE
        if BLANKS[text[after]] and not BLANKS[text[code]]:
            entry = short_codes[text[code]]
        else:
            word = _load(text, code)
            found = _blanks(word)
            length = _first(found) if found else EIGHT
            after = code + length
            if after >= end:
                break
            if not found or length == ZERO or not BLANKS[text[after]]:
                reason = np.int64(OTHER)
                break
            # A one behind the code tells it from a longer one that goes on with bytes of zero.
            word = (word & ((ONE << (EIGHT * length)) - ONE)) | (ONE << (EIGHT * length))
            slot = (word * SPREAD) >> np.uint64(32)
            while long_codes[slot & mask] != word and long_codes[slot & mask] != ZERO:
                slot += ONE
            entry = np.int32(-1) if long_codes[slot & mask] == ZERO else long_entries[slot & mask]
        if entry < 0:
            reason = np.int64(OTHER)
            break
        entry = np.uint64(entry)
        if new != NO_LEVEL:
            trace = scalars[entry]
            if trace == PLAIN:
                reason = np.int64(OTHER)
                break
            if trace >= 0 and single and new <= 1:
                level_at = at
            if trace >= 0 and level[np.uint64(trace)] != new:
                if count >= room:
                    reason = np.int64(FULL)
                    break
                own = np.uint64(trace)
                if when[own] != now:
                    traces[count], times[count], levels[count] = trace, when[own], level[own]
                    count += np.uint64(level[own] != base[own])
                    base[own], when[own] = level[own], now
                level[own] = new
        elif sizes[entry]:
            width, held = sizes[entry], np.int64(behind - at - ONE)
            if count + np.uint64(width) > room:
                reason = np.int64(FULL)
                break
            too_long |= held > width
            # Short vectors are extended on the left: by 0 for 0 and 1, by x or z for themselves. Of long
            # ones the last digits count.
            fill = np.uint8(2 if LEVELS[text[at + ONE]] == 2 else 0)
            for k in range(width):
                trace = bits[first_bits[entry] + k]
                if trace < 0:
                    continue
                digit = held - width + k
                new = LEVELS[text[at + ONE + np.uint64(digit)]] if digit >= 0 else fill
                own = np.uint64(trace)
                if level[own] == new:
                    continue
                if when[own] != now:
                    traces[count], times[count], levels[count] = trace, when[own], level[own]
                    count += np.uint64(level[own] != base[own])
                    base[own], when[own] = level[own], now
                level[own] = new
        at = after + ONE
    return np.int64(at), reason, np.int64(count), now, too_long


@helper
def _decimal(
    text: npt.NDArray[np.uint8], at: np.uint64, point: np.uint8
) -> tuple[bool | np.bool_, np.int64, np.int64, np.uint64, np.uint64]:
    """Read a number of any form: blanks, sign, digits, power of ten, blanks.

    Returns whether it is one that fits, its digits as a whole number, the decimal places of that, how many
    digits it has (0 unless there is nothing but digits and a decimal sign), and the place behind it.
    """
    begin = at
    while text[at] == BLANK:
        at += ONE
    minus = text[at] == MINUS
    at += np.uint64(minus or text[at] == PLUS)
    number, digits, fraction, power = np.int64(0), ZERO, ZERO, np.int64(0)
    simple = at == begin
    pointed = False
    while digits <= np.uint64(MOST_DIGITS):
        digit = text[at] ^ ZERO_SIGN
        if digit <= NINE_DIGIT:
            number = number * np.int64(10) + np.int64(digit)
            digits += ONE
            fraction += np.uint64(pointed)
        elif text[at] == point and not pointed:
            pointed = True
        else:
            break
        at += ONE
    good = digits > ZERO and digits <= np.uint64(MOST_DIGITS) and (fraction > ZERO or not pointed)
    if text[at] | LOWER == LETTER_E:
        simple = False
        at += ONE
        down = text[at] == MINUS
        at += np.uint64(down or text[at] == PLUS)
        begin = at
        while text[at] ^ ZERO_SIGN <= NINE_DIGIT and at < begin + THREE:
            power = power * np.int64(10) + np.int64(text[at] ^ ZERO_SIGN)
            at += ONE
        good = good and at > begin
        power = -power if down else power
    while text[at] == BLANK:
        simple = False
        at += ONE
    held = digits if simple else ZERO
    return good, -number if minus else number, np.int64(fraction) - power, held, at


@helper
def _window(
    size: np.uint64, sign_at: np.uint64, sign: np.uint8
) -> tuple[np.uint64, np.uint64, np.uint64, np.uint64, np.uint64]:
    """Say what ``size`` bytes of a number look like, with its decimal sign at ``sign_at`` if that is inside.

    Returns masks: of all of them, what they are beside the values of the digits, of those before the sign, of
    those behind it (all of them without one), and of the sign.
    """
    mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * size) if size else ZERO
    if sign_at >= size:
        return mask, DIGIT_ZEROS & mask, ZERO, mask, ZERO
    before = (ONE << (EIGHT * sign_at)) - ONE
    at_sign = BYTE << (EIGHT * sign_at)
    signs = (DIGIT_ZEROS & mask & ~at_sign) | (np.uint64(sign) << (EIGHT * sign_at))
    return mask, signs, before, mask & ~before & ~at_sign, at_sign


@kernel
def level_rows(
    text: npt.NDArray[np.uint8],
    place: int,
    size: int,
    clock: int,
    sampled: bool,
    places: int,
    delimiter: int,
    decimal: int,
    columns: npt.NDArray[np.int32],
    base: npt.NDArray[np.uint8],
    when: npt.NDArray[np.int64],
    level: npt.NDArray[np.uint8],
    cells: npt.NDArray[np.uint8],
    traces: npt.NDArray[np.int32],
    times: npt.NDArray[np.int64],
    levels: npt.NDArray[np.uint8],
) -> tuple[np.int64, np.int64, np.int64, np.int64, np.int64, np.int64]:
    """Read rows of a table from ``place`` up to ``size`` (behind it `PADDING`).

    ``columns`` says what each column is: a trace, `TIMES`, or `PASSED_OVER`. ``clock`` is the tick of the row
    before; of rows that are ``sampled`` each has the next one, otherwise ticks are times with ``places``
    decimal places. ``cells`` has room for a level of each trace; the other arrays are those of `vcd_changes`.
    Returns where and why it stopped, how many changes became final, the tick, how many lines were read, and
    with `FINER` the decimal places that a time has.
    """
    at, end, now = np.uint64(place), np.uint64(size), np.int64(clock)
    count, room = ZERO, np.uint64(times.size)
    width, kept = np.uint64(columns.size), np.uint64(base.size)
    comma, point = np.uint8(delimiter), np.uint8(decimal)
    reason, lines, finer = np.int64(ENDED), np.int64(0), np.int64(places)
    # Nearly every time has its digits where the row before has them, and begins like that: so only its last
    # eight bytes are read, and what stands before them when it is not the same.
    front, front_mask, front_signs, front_before, front_behind, front_sign = (
        ZERO,
        ZERO,
        ZERO,
        ZERO,
        ZERO,
        ZERO,
    )
    tail, tail_mask, tail_signs, tail_before, tail_behind, tail_sign = ZERO, ZERO, ZERO, ZERO, ZERO, ZERO
    front_word, front_number, front_factor = ZERO, np.int64(0), np.int64(1)
    scale = np.int64(1)
    # So does nearly every row of a time and a level; ``row_end`` is what stands behind the time of a low one.
    usual = not sampled and kept == ONE and width == TWO and columns[0] == TIMES and columns[1] == 0
    row_end, row_end_mask, row_end_size = ZERO, ZERO, ZERO
    while at < end:
        if row_end_size:
            own_base, own_when, own_level = base[0], when[0], level[0]
            while (_load(text, at) & front_mask) == front_word and count < room:
                p = at + front
                word = (_load(text, p) ^ tail_signs) & tail_mask
                p += tail
                behind = (_load(text, p) & row_end_mask) ^ row_end
                if _no_digits(word) | (word & tail_sign) | (behind & ~LEVEL_BIT):
                    break
                word = (word & tail_behind) | ((word & tail_before) << EIGHT)
                tick = (front_number + _number(word << (SIXTY_FOUR - EIGHT * tail))) * scale
                if tick <= now:
                    break
                now = tick
                lines += 1
                at = p + row_end_size
                new = np.uint8(behind >> EIGHT)
                if new != own_level:
                    times[count], levels[count] = own_when, own_level
                    count += np.uint64(own_level != own_base)
                    own_base, own_when, own_level = own_level, now, new
            base[0], when[0], level[0] = own_base, own_when, own_level
        p, tick = at, now
        good: bool | np.bool_ = True
        sign = text[p]
        if sign not in (NEW_LINE, RETURN):
            if count + kept > room:
                reason = np.int64(FULL)
                break
            if sampled:
                tick += 1
            for column in range(width):
                role = columns[column]
                if role == TIMES:
                    word = _load(text, p) & front_mask
                    same: bool | np.bool_ = word == front_word
                    if not same:
                        parts = word ^ front_signs
                        same = (_no_digits(parts) | (parts & front_sign)) == ZERO
                        if same:
                            front_word = word
                            word = (parts & front_behind) | ((parts & front_before) << EIGHT)
                            front_number = _number(word << (SIXTY_FOUR - EIGHT * front)) * front_factor
                    word = (_load(text, p + front) ^ tail_signs) & tail_mask
                    after = p + front + tail
                    same = same and tail > ZERO and (_no_digits(word) | (word & tail_sign)) == ZERO
                    if same and (ENDS[text[after]] or text[after] == comma):
                        word = (word & tail_behind) | ((word & tail_before) << EIGHT)
                        tick = (front_number + _number(word << (SIXTY_FOUR - EIGHT * tail))) * scale
                        p = after
                    else:
                        begin = p
                        good, tick, own_places, digits, p = _decimal(text, p, point)
                        if good and own_places > places:
                            while p < end and text[p] != NEW_LINE:
                                p += ONE
                            finer, good = own_places, False
                            reason = np.int64(FINER if p < end else ENDED)
                            break
                        shift = np.int64(places) - own_places
                        good = good and shift <= MOST_DIGITS
                        bound = np.int64(1)
                        for _ in range(MOST_DIGITS - shift if good else 0):
                            bound *= np.int64(10)
                        good = good and -bound < tick < bound
                        if not good:
                            break
                        number, factor = tick, np.int64(1)
                        for _ in range(shift):
                            factor *= np.int64(10)
                        tick *= factor
                        decimals = np.uint64(max(own_places, np.int64(0)))
                        length = digits + np.uint64(decimals > ZERO)
                        # Only what stays within eighteen digits with the decimal places of all.
                        if (
                            digits > ZERO
                            and decimals < digits
                            and length <= SIXTEEN
                            and np.int64(digits) + shift <= MOST_DIGITS
                        ):
                            scale = factor
                            tail = min(length, EIGHT)
                            front = length - tail
                            sign_at = digits - decimals if decimals else NOWHERE
                            front_mask, front_signs, front_before, front_behind, front_sign = _window(
                                front, sign_at, point
                            )
                            tail_mask, tail_signs, tail_before, tail_behind, tail_sign = _window(
                                tail, sign_at - front, point
                            )
                            front_factor = POWERS[tail - np.uint64(tail_sign != ZERO)]
                            front_word = _load(text, begin) & front_mask
                            front_number = number - number % front_factor
                    good = tick >= now
                elif role == PASSED_OVER:
                    while (
                        not ENDS[text[p]] and text[p] != comma and (PASSABLE[text[p]] or text[p] == decimal)
                    ):
                        p += ONE
                else:
                    while text[p] == BLANK:
                        p += ONE
                    cell = CELLS[text[p]]
                    if cell != NO_LEVEL:
                        p += ONE
                        while text[p] == BLANK:
                            p += ONE
                    elif not ENDS[text[p]] and text[p] != comma:
                        good = False
                    cells[np.uint64(role)] = cell
                if column + ONE < width:
                    good = good and text[p] == comma
                    p += ONE
                if not good:
                    break
        ended = p
        p += np.uint64(text[p] == RETURN)
        if not good or text[p] != NEW_LINE or p >= end:
            if reason != FINER:
                reason = np.int64(ENDED if p >= end else OTHER)
            break
        lines += 1
        at = p + ONE
        if sign in (NEW_LINE, RETURN):
            continue
        now = tick
        if usual and tail:
            row_end_size = TWO + p + ONE - ended
            row_end_mask = ALL_ONES >> (SIXTY_FOUR - EIGHT * row_end_size)
            row_end = np.uint64(comma) | (LOW_AND_RETURN if p > ended else LOW)
        for own in range(kept):
            new = cells[own]
            if new == NO_LEVEL or new == level[own]:
                continue
            if when[own] != now:
                traces[count], times[count], levels[count] = np.int32(own), when[own], level[own]
                count += np.uint64(level[own] != base[own])
                base[own], when[own] = level[own], now
            level[own] = new
    return np.int64(at), reason, np.int64(count), now, lines, finer
