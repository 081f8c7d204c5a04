# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of frames that end in a delimiter byte."""


# ---------------------------------------------------------------------------------------------------------
class Receiver(Core):
    """Bytes in, messages out: no allocation, bounded work for each byte."""

    @micropython.viper
    def push(self, byte: int, now) -> int:
        """Take one byte; return 0, the number of a message it completed (from 1), or minus a fault."""
        memory = self.memory
        s = ptr32(memory)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + 1
        n = s[0]
        if byte == DELIMITER:
            s[0] = 0
            if n or EMPTY_IS_FRAME:
                return int(_end(memory, self.octets, n, now))
            return 0
        # One byte above the limit is kept, to know that the stretch is too long.
        if n <= LONGEST_STRETCH:
            raw = ptr8(int(s) + _RAW_AT)
            raw[n] = byte
            s[0] = n + 1
        return 0

    @micropython.viper
    def feed(self, data: ptr8, n: int, now: int) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        memory = self.memory
        s = ptr32(memory)
        b = ptr8(int(s) + _RAW_AT)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + n
        held = s[0]
        i = 0
        while i < n:
            # fast
            # end
            while i < n:
                byte = data[i]
                i += 1
                if byte == DELIMITER:
                    if held or EMPTY_IS_FRAME:
                        _end(memory, self.octets, held, now)
                    held = 0
                    break
                if held <= LONGEST_STRETCH:
                    b[held] = byte
                    held += 1
        s[0] = held
        return n
