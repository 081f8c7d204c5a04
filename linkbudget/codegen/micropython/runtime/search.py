# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of frames found by their length. A candidate that fails is given up one byte on."""


# ---------------------------------------------------------------------------------------------------------
class Receiver(Core):
    """Bytes in, messages out: no allocation; after damage the bytes held are searched again, at most a frame."""

    @micropython.viper
    def push(self, byte: int, now: int) -> int:
        """Take one byte; return 0, the number of the last message it completed (from 1), or minus a fault."""
        s = ptr32(self.state)
        c = ptr32(self.counters)
        c[RECEIVED] = c[RECEIVED] + 1
        raw = ptr8(self.raw)
        n = s[0]
        raw[n] = byte
        s[0] = n + 1
        if n + 1 < s[8]:
            return 0
        return int(self._search(now))

    @micropython.viper
    def feed(self, data, n: int, now: int) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        s = ptr32(self.state)
        c = ptr32(self.counters)
        raw = ptr8(self.raw)
        d = ptr8(data)
        i = 0
        while i < n:
            held = s[0]
            raw[held] = d[i]
            i += 1
            s[0] = held + 1
            if held + 1 >= s[8]:
                self._search(now)
        c[RECEIVED] = c[RECEIVED] + n
        return n

    @micropython.viper
    def _search(self, now: int) -> int:
        s = ptr32(self.state)
        c = ptr32(self.counters)
        if s[0] > c[HIGH_WATER]:
            c[HIGH_WATER] = s[0]
        status = 0
        s[8] = 1
        while s[0] >= s[8]:
            found = int(self._try(now))
            # A message counts for more than the damage found on the way to it.
            if found > 0 or (status <= 0 and found != 0):
                status = found
        return status

    @micropython.viper
    def _try(self, now: int) -> int:
        s = ptr32(self.state)
        if int(self._skip()):
            return 0
        held = s[0]
        fault = 0
        if held >= SYNC_BYTES and s[10]:
            s[10] = 0
            s[9] = 1
            fault = int(self._fault(NO_SYNC))
        need = int(need_of(self.raw, held))
        if need > held:
            s[8] = need
            return fault
        if need > 0:
            wrong = int(self._check(need - BODY_AT))
            if wrong == 0:
                s[9] = 0
                found = int(self._open(need - BODY_AT, now))
                self._drop(need)
                s[8] = 1
                return found
        else:
            wrong = 0 - need
        if SYNC_BYTES > 0 or s[9] == 0:
            fault = int(self._fault(wrong))
        self._drop(1)
        s[9] = 1
        self._skip()
        s[8] = 1
        return fault

    @micropython.viper
    def _skip(self) -> int:
        """Drop what cannot begin the sync bytes; return whether something was dropped."""
        s = ptr32(self.state)
        at = int(unfit(self.raw, s[0]))
        if at == 0:
            return 0
        if s[9] == 0:
            s[10] = 1
        self._drop(at)
        return 1

    @micropython.viper
    def _drop(self, n: int):
        s = ptr32(self.state)
        raw = ptr8(self.raw)
        left = s[0] - n
        i = 0
        while i < left:
            raw[i] = raw[i + n]
            i += 1
        s[0] = left
