# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of frames that end in a delimiter byte."""


# ---------------------------------------------------------------------------------------------------------
class Receiver(Core):
    """Bytes in, messages out: no allocation, bounded work for each byte."""

    @micropython.viper
    def push(self, byte: int, now: int) -> int:
        """Take one byte; return 0, the number of a message it completed (from 1), or minus a fault."""
        s = ptr32(self.state)
        c = ptr32(self.counters)
        c[RECEIVED] = c[RECEIVED] + 1
        n = s[0]
        if byte == DELIMITER:
            s[0] = 0
            return int(self._end(n, now))
        # One byte above the limit is kept, to know that the stretch is too long.
        if n <= LONGEST_STRETCH:
            raw = ptr8(self.raw)
            raw[n] = byte
            s[0] = n + 1
        return 0

    @micropython.viper
    def feed(self, data, n: int, now: int) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        s = ptr32(self.state)
        c = ptr32(self.counters)
        d = ptr8(data)
        raw = ptr8(self.raw)
        held = s[0]
        i = 0
        while i < n:
            byte = d[i]
            i += 1
            if byte == DELIMITER:
                if held > 0 or EMPTY_IS_FRAME:
                    self._end(held, now)
                held = 0
            elif held <= LONGEST_STRETCH:
                raw[held] = byte
                held += 1
        s[0] = held
        c[RECEIVED] = c[RECEIVED] + n
        return n

    @micropython.viper
    def _end(self, n: int, now: int) -> int:
        if n == 0 and not EMPTY_IS_FRAME:
            return 0
        c = ptr32(self.counters)
        if n > c[HIGH_WATER]:
            c[HIGH_WATER] = n
        if n > LONGEST_STRETCH:
            return int(self._fault(TOO_LONG))
        size = int(unstuff(self.raw, n))
        if size < 0:
            return int(self._fault(BAD_STUFFING))
        fault = int(self._check(size))
        if fault:
            return int(self._fault(fault))
        return int(self._open(size, now))
