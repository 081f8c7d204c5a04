# mypy: ignore-errors
# ruff: noqa
"""What every viper receiver does with messages: one array holds all of them, and what was counted.

On a board finding an attribute, the bytes of an array or a function costs more than ten lines of viper. So a
receiver has one array, and nothing is called on the way of a good message that can stand there itself.
"""

# ---------------------------------------------------------------------------------------------------------
# Words of a receiver's memory: the counters; of each kind which of two slots is the newest, whether it was
# taken, and how often it was written; bytes held; slots of values, with the kind behind them.
_COUNTS = const(12)
_KINDS_AT = const(29)
_RAW_AT = const(4 * (29 + 3 * KINDS))
_VALUES_AT = const(29 + 3 * KINDS + (HELD + 3 >> 2))
_STRIDE = const(PLACES + 1)


@micropython.viper
def _slot(memory, kind: int) -> int:
    """Return the slot a new message of this kind is written to."""
    s = ptr32(memory)
    if s[1]:
        return 2 * kind + (s[_KINDS_AT + 3 * kind] ^ 1)
    at = s[3] + s[4]
    if at >= s[2]:
        at -= s[2]
    if s[4] == s[2]:
        # The oldest goes.
        s[_COUNTS + SUPERSEDED] = s[_COUNTS + SUPERSEDED] + 1
        s[4] = s[4] - 1
        s[3] = s[3] + 1
        if s[3] == s[2]:
            s[3] = 0
    return at


@micropython.viper
def _done(memory, kind: int, slot: int, now: int):
    """Publish the message in a slot."""
    s = ptr32(memory)
    s[_COUNTS + ACCEPTED] = s[_COUNTS + ACCEPTED] + 1
    if s[7]:
        gap = (now - s[6]) & 0x3FFFFFFF
        if gap > s[_COUNTS + LONGEST_GAP]:
            s[_COUNTS + LONGEST_GAP] = gap
    s[6] = now
    s[7] = 1
    if s[1]:
        at = _KINDS_AT + 3 * kind
        if KINDS - 1:
            s[3] = s[3] + 1 - s[at + 1]
            s[11] = kind
        s[_COUNTS + SUPERSEDED] = s[_COUNTS + SUPERSEDED] + s[at + 1]
        s[at] = s[at] ^ 1
        s[at + 2] = s[at + 2] + 1
        s[at + 1] = 1
    else:
        s[_VALUES_AT + slot * _STRIDE + PLACES] = kind
        s[4] = s[4] + 1


class Core:
    """Messages that have arrived, and what was counted. Everything is made here; nothing is allocated later.

    ``newest``: of each kind only the newest message is kept, as set points want it; then `push` may sit in an
    interrupt handler. Otherwise the last ``keep`` messages are kept in order, and `push` and `take` must not
    interrupt each other.
    """

    def __init__(self, newest=True, keep=4):
        slots = 2 * KINDS if newest else keep
        if slots < 1:
            raise ValueError("keep: at least 1")
        self.memory = array("i", [0] * (_VALUES_AT + slots * _STRIDE))
        # Bytes held, newest?, slots, first used, used, sequence number (256: none), moment of the last, any?,
        # bytes needed, lost?, junk?, kind of the last. Where only the newest are kept, of more than one kind,
        # instead of slots: which kind is looked at first; how many were to be taken so far, and were taken.
        for place, value in enumerate(
            (0, 1, 0, 0, 0, 256, 0, 0, 1) if newest else (0, 0, slots, 0, 0, 256, 0, 0, 1)
        ):
            self.memory[place] = value
        self.counters = memoryview(self.memory)[_COUNTS:_KINDS_AT]
        self.octets = bytearray(slots * OCTETS)

    @micropython.viper
    def age(self, now: int) -> int:
        """Return the ticks since the last message was accepted, -1 when there was none.

        0 when it came in a handler after ``now`` was taken. Ticks wrap after 30 bits, as those of
        time.ticks_ms. Enter the safe state when the age grows too large.
        """
        s = ptr32(self.memory)
        if s[7] == 0:
            return -1
        age = (now - s[6]) & 0x3FFFFFFF
        if age > 0x3EFFFFFF:
            return 0
        return age

    @micropython.viper
    def waiting(self) -> int:
        """Return how many messages can be taken."""
        s = ptr32(self.memory)
        if s[1] == 0:
            return s[4]
        kind = 0
        found = 0
        while kind < KINDS:
            found += s[_KINDS_AT + 3 * kind + 1]
            kind += 1
        return found

    @micropython.viper
    def status(self, values):
        """Write the values of the status message into an array("i") of 15 places, each in 16 bits."""
        c = ptr32(self.counters)
        v = ptr32(values)
        v[0] = c[ACCEPTED] & 0xFFFF
        i = 0
        while i < 10:
            # The faults but for TRUNCATED, which only a stream that ends has; then LOST and SUPERSEDED.
            at = i + 1 if i < 4 else i + 2
            v[i + 1] = c[at] & 0xFFFF
            i += 1
        v[11] = c[LOST] & 0xFFFF
        v[12] = c[SUPERSEDED] & 0xFFFF
        v[13] = c[HIGH_WATER] if c[HIGH_WATER] < 0xFFFF else 0xFFFF
        v[14] = c[LONGEST_GAP] if c[LONGEST_GAP] < 0xFFFF else 0xFFFF

    @micropython.viper
    def take(self, values: ptr32, octets) -> int:
        """Copy a message that was not taken yet; return its number from 1, 0 when there is none.

        ``values``: an array("i") of PLACES places. ``octets``: a bytearray of OCTETS bytes, or None where no
        message has blobs or labels.
        """
        s = ptr32(self.memory)
        k = _KINDS_AT
        kind = 0
        if s[1]:
            if KINDS - 1:
                # What comes as often as not is one message, of the kind that came last.
                left = (s[3] - s[4]) & 0x3FFFFFFF
                if left == 0:
                    return 0
                kind = s[11] if left == 1 else s[2]
                k += 3 * kind
                left = KINDS
                while s[k + 1] == 0:
                    left -= 1
                    if left == 0:
                        return 0
                    kind += 1
                    k += 3
                    if kind == KINDS:
                        kind = 0
                        k = _KINDS_AT
                s[2] = kind + 1 if kind + 1 < KINDS else 0
            else:
                if s[k + 1] == 0:
                    return 0
        elif s[4] == 0:
            return 0
        while True:
            turn = s[k + 2]
            if s[1]:
                if KINDS - 1:
                    s[4] = s[4] + s[k + 1]
                # Before it is copied: what an interrupt brings from here on is waiting again.
                s[k + 1] = 0
                slot = (kind << 1) + s[k]
            else:
                slot = s[3]
            # copy
            at = _VALUES_AT + slot * _STRIDE
            i = PLACES
            while i:
                i -= 1
                values[i] = s[at + i]
            # end
            if OCTETS:
                bytes_in = ptr8(self.octets)
                bytes_out = ptr8(octets)
                first = slot * OCTETS
                i = OCTETS
                while i:
                    i -= 1
                    bytes_out[i] = bytes_in[first + i]
            # Again when an interrupt wrote a newer one meanwhile.
            if turn == s[k + 2]:
                break
        if s[1] == 0:
            kind = s[_VALUES_AT + slot * _STRIDE + PLACES]
            slot += 1
            s[3] = 0 if slot == s[2] else slot
            s[4] = s[4] - 1
        return kind + 1
