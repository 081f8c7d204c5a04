# mypy: ignore-errors
# ruff: noqa
"""What every viper receiver does with the bodies it finds."""


# ---------------------------------------------------------------------------------------------------------
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
        self.counters = array("i", [0] * 17)
        # Bytes held, newest?, slots, first used, used, sequence number (256: none), moment of the last, any?,
        # bytes needed, lost?, junk?
        self.state = array("i", [0, 1 if newest else 0, slots, 0, 0, 256, 0, 0, 1, 0, 0])
        self.raw = bytearray(HELD)
        self.values = array("i", [0] * (slots * PLACES))
        self.octets = bytearray(slots * OCTETS)
        # The kind in each slot when all are kept; else which of a kind's two is the newest, whether it was
        # taken, and how often it was written.
        self.kinds = bytearray(slots)
        self.fresh = bytearray(KINDS)
        self.turns = bytearray(KINDS)

    @micropython.viper
    def age(self, now: int) -> int:
        """Return the ticks since the last message was accepted, -1 when there was none.

        Ticks wrap after 30 bits, as those of time.ticks_ms. Enter the safe state when the age grows too large.
        """
        s = ptr32(self.state)
        if s[7] == 0:
            return -1
        return (now - s[6]) & 0x3FFFFFFF

    @micropython.viper
    def waiting(self) -> int:
        """Return how many messages can be taken."""
        s = ptr32(self.state)
        if s[1] == 0:
            return s[4]
        fresh = ptr8(self.fresh)
        kind = 0
        found = 0
        while kind < KINDS:
            found += fresh[kind]
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
    def _slot(self, kind: int) -> int:
        """Return the slot a new message of this kind is written to."""
        s = ptr32(self.state)
        kinds = ptr8(self.kinds)
        if s[1]:
            return 2 * kind + (kinds[kind] ^ 1)
        at = s[3] + s[4]
        if at >= s[2]:
            at -= s[2]
        if s[4] == s[2]:
            # The oldest goes.
            c = ptr32(self.counters)
            c[SUPERSEDED] = c[SUPERSEDED] + 1
            s[4] = s[4] - 1
            s[3] = s[3] + 1
            if s[3] == s[2]:
                s[3] = 0
        return at

    @micropython.viper
    def _done(self, kind: int, slot: int, now: int):
        """Publish the message in a slot."""
        s = ptr32(self.state)
        c = ptr32(self.counters)
        kinds = ptr8(self.kinds)
        c[ACCEPTED] = c[ACCEPTED] + 1
        if s[7]:
            gap = (now - s[6]) & 0x3FFFFFFF
            if gap > c[LONGEST_GAP]:
                c[LONGEST_GAP] = gap
        s[6] = now & 0x3FFFFFFF
        s[7] = 1
        if s[1]:
            fresh = ptr8(self.fresh)
            turns = ptr8(self.turns)
            c[SUPERSEDED] = c[SUPERSEDED] + fresh[kind]
            kinds[kind] = kinds[kind] ^ 1
            turns[kind] = (turns[kind] + 1) & 255
            fresh[kind] = 1
        else:
            kinds[slot] = kind
            s[4] = s[4] + 1

    @micropython.viper
    def take(self, values, octets) -> int:
        """Copy a message that was not taken yet; return its number from 1, 0 when there is none.

        ``values``: an array("i") of PLACES places. ``octets``: a bytearray of OCTETS bytes, or None where no
        message has blobs or labels.
        """
        s = ptr32(self.state)
        kinds = ptr8(self.kinds)
        kind = 0
        if s[1] == 0:
            if s[4] == 0:
                return 0
            slot = s[3]
            kind = kinds[slot]
            self._copy(slot, values, octets)
            s[3] = slot + 1
            if s[3] == s[2]:
                s[3] = 0
            s[4] = s[4] - 1
            return kind + 1
        fresh = ptr8(self.fresh)
        turns = ptr8(self.turns)
        while kind < KINDS:
            if fresh[kind]:
                while True:
                    # Again when an interrupt wrote a newer one meanwhile.
                    turn = turns[kind]
                    fresh[kind] = 0
                    self._copy(2 * kind + kinds[kind], values, octets)
                    if turn == turns[kind]:
                        break
                fresh[kind] = 0
                return kind + 1
            kind += 1
        return 0

    @micropython.viper
    def _copy(self, slot: int, values, octets):
        source = ptr32(self.values)
        target = ptr32(values)
        at = slot * PLACES
        i = 0
        while i < PLACES:
            target[i] = source[at + i]
            i += 1
        if OCTETS > 0:
            bytes_in = ptr8(self.octets)
            bytes_out = ptr8(octets)
            at = slot * OCTETS
            i = 0
            while i < OCTETS:
                bytes_out[i] = bytes_in[at + i]
                i += 1

    @micropython.viper
    def _fault(self, fault: int) -> int:
        c = ptr32(self.counters)
        c[fault] = c[fault] + 1
        return 0 - fault

    @micropython.viper
    def _check(self, size: int) -> int:
        """Return what is wrong with the body of so many bytes that stands at BODY_AT, 0 for nothing."""
        covered = size - CHECK_BYTES
        if covered < LEAD_BYTES:
            return TOO_SHORT
        if covered - LEAD_BYTES > MAX_PAYLOAD:
            return TOO_LONG
        if int(check_ok(self.raw, BODY_AT, covered)) == 0:
            return CHECK
        raw = ptr8(self.raw)
        if LAYOUT_ID >= 0:
            if raw[BODY_AT + LEAD_BYTES - 1] != LAYOUT_ID:
                return LAYOUT
        return 0

    @micropython.viper
    def _open(self, size: int, now: int) -> int:
        """Take an intact body; return the message's number from 1, or the fault as a negative number."""
        raw = ptr8(self.raw)
        s = ptr32(self.state)
        if SEQUENCE:
            if s[5] < 256:
                c = ptr32(self.counters)
                c[LOST] = c[LOST] + ((raw[BODY_AT] - s[5] - 1) & 255)
            s[5] = raw[BODY_AT]
        kind = int(kind_of(self.raw, size - LEAD_BYTES - CHECK_BYTES))
        if kind < 0:
            return int(self._fault(0 - kind))
        slot = int(self._slot(kind))
        if (
            int(
                read_message(
                    kind,
                    self.raw,
                    size - LEAD_BYTES - CHECK_BYTES,
                    self.values,
                    slot * PLACES,
                    self.octets,
                    slot * OCTETS,
                )
            )
            == 0
        ):
            return int(self._fault(REFUSED))
        self._done(kind, slot, now)
        return kind + 1
