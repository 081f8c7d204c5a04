# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of frames found by their length. A candidate that fails is given up one byte on."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def _drop(memory, n: int):
    s = ptr32(memory)
    raw = ptr8(int(s) + _RAW_AT)
    left = s[0] - n
    i = 0
    while i < left:
        raw[i] = raw[i + n]
        i += 1
    s[0] = left


@micropython.viper
def _skip(memory) -> int:
    """Drop what cannot begin the sync bytes; return whether something was dropped."""
    s = ptr32(memory)
    at = int(unfit(memory, s[0]))
    if at == 0:
        return 0
    if s[9] == 0:
        s[10] = 1
    _drop(memory, at)
    return 1


@micropython.viper
def _try(memory, octets, now: int) -> int:
    s = ptr32(memory)
    if SYNC_BYTES:
        if int(_skip(memory)):
            return 0
    held = s[0]
    fault = 0
    if held >= SYNC_BYTES and s[10]:
        s[10] = 0
        s[9] = 1
        fault = 0 - NO_SYNC
        s[_COUNTS + NO_SYNC] = s[_COUNTS + NO_SYNC] + 1
    need = int(need_of(memory, held))
    if need > held:
        s[8] = need
        return fault
    if need > 0:
        wrong = int(_check(memory, need - BODY_AT))
        if wrong == 0:
            s[9] = 0
            found = int(_open(memory, octets, need - BODY_AT, now))
            if need == held:
                s[0] = 0
            else:
                _drop(memory, need)
            s[8] = 1
            return found
    else:
        wrong = 0 - need
    if SYNC_BYTES or s[9] == 0:
        s[_COUNTS + wrong] = s[_COUNTS + wrong] + 1
        fault = 0 - wrong
    _drop(memory, 1)
    s[9] = 1
    if SYNC_BYTES:
        _skip(memory)
    s[8] = 1
    return fault


@micropython.viper
def _search(memory, octets, now) -> int:
    s = ptr32(memory)
    if s[0] > s[_COUNTS + HIGH_WATER]:
        s[_COUNTS + HIGH_WATER] = s[0]
    status = 0
    s[8] = 1
    while s[0] >= s[8]:
        found = int(_try(memory, octets, now))
        # A message counts for more than the damage found on the way to it.
        if found > 0 or (status <= 0 and found != 0):
            status = found
    return status


class Receiver(Core):
    """Bytes in, messages out: no allocation; after damage the bytes held are searched again, at most a frame."""

    @micropython.viper
    def push(self, byte: int, now) -> int:
        """Take one byte; return 0, the number of the last message it completed (from 1), or minus a fault."""
        memory = self.memory
        s = ptr32(memory)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + 1
        raw = ptr8(int(s) + _RAW_AT)
        n = s[0]
        raw[n] = byte
        n += 1
        s[0] = n
        if n < s[8]:
            return 0
        return int(_search(memory, self.octets, now))

    @micropython.viper
    def feed(self, data: ptr8, n: int, now) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        memory = self.memory
        s = ptr32(memory)
        raw = ptr8(int(s) + _RAW_AT)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + n
        i = 0
        while i < n:
            held = s[0]
            need = s[8]
            while held < need:
                if i == n:
                    break
                raw[held] = data[i]
                i += 1
                held += 1
            s[0] = held
            if held >= need:
                _search(memory, self.octets, now)
        return n
