"""The sampling margin of a line: how much the clocks of its two ends may differ, and how much they do."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import Number, exact, is_finite_number, is_whole_number
from linkbudget.wire.baud_kinds import BaudSetting, plain_number
from linkbudget.wire.margin_rules import MarginRule, Sampling, find_margin_rule
from linkbudget.wire.tolerance import RateError, Tolerance, rate_error
from linkbudget.wire.uart import UartLine

__all__ = ["Margin", "sampling_margin"]

TX, RX, BOTH = "tx", "rx", "both"
FEWEST_LOOKS, MOST_LOOKS = 4, 1024


@dataclass(frozen=True)
class Margin:
    """What a receiver tolerates on a line, and what the two ends use up of it. All shares are exact.

    ``sampling`` says how the receiver looks at a bit, ``rule`` by which rule its tolerance is reckoned.
    ``tx`` is how far the end that writes is off, ``rx`` the one that reads. ``slow_limit`` (negative) and
    ``fast_limit`` bound the deviation: how far the rate of ``tx`` is above that of ``rx``, (1 + tx) / (1 +
    rx) - 1.
    """

    line: UartLine
    sampling: Sampling
    rule: MarginRule
    tx: RateError
    rx: RateError
    slow_limit: Fraction
    fast_limit: Fraction

    @property
    def total_tolerance(self) -> Fraction:
        """What both ends may be off together, as a share: the smaller of the two limits."""
        return min(-self.slow_limit, self.fast_limit)

    @property
    def slowest(self) -> Fraction:
        """The deviation with the sender at its slowest and the receiver at its fastest, as a share."""
        return (1 + self.tx.low) / (1 + self.rx.high) - 1

    @property
    def fastest(self) -> Fraction:
        """The deviation with the sender at its fastest and the receiver at its slowest, as a share."""
        return (1 + self.tx.high) / (1 + self.rx.low) - 1

    @property
    def left(self) -> Fraction:
        """The share of the tolerance left on the side where least is left; negative when it is exceeded."""
        return min(self.fast_limit - self.fastest, self.slowest - self.slow_limit)

    @property
    def ok(self) -> bool:
        """Whether both sides stay within their limits."""
        return self.left >= 0

    @property
    def total_error(self) -> Fraction:
        """The deviation on the side where least is left, a signed share."""
        return self.fastest if self._too_fast_first else self.slowest

    @property
    def limit(self) -> Fraction:
        """The limit on that side, a share without its sign."""
        return self.fast_limit if self._too_fast_first else -self.slow_limit

    @property
    def _too_fast_first(self) -> bool:
        """Whether least is left on the side of a sender that is too fast."""
        return self.fast_limit - self.fastest <= self.slowest - self.slow_limit

    @property
    def shares(self) -> dict[str, Fraction]:
        """What each end takes of the limit on the side where least is left; each end's own half is 1/2.

        Negative for an end that makes up for the other one.
        """
        if self._too_fast_first:
            return {TX: self.tx.high / self.fast_limit, RX: -self.rx.low / self.fast_limit}
        return {TX: self.tx.low / self.slow_limit, RX: -self.rx.high / self.slow_limit}

    @property
    def blame(self) -> str | None:
        """``tx``, ``rx`` or ``both``: which end takes more than half of an exceeded tolerance."""
        if self.ok:
            return None
        shares = self.shares
        over = [end for end, share in shares.items() if share > Fraction(1, 2)]
        if len(over) == 2:
            return BOTH
        return over[0] if over else max(shares, key=lambda end: shares[end])

    @property
    def recommended(self) -> Fraction | None:
        """The share that the manual of this rule advises each end to stay within, None where it does not."""
        return self.rule.recommended(self.sampling)

    def to_dict(self) -> dict[str, object]:
        """Return every figure; shares as floats."""
        advised = self.recommended
        return {
            "ok": self.ok,
            "total_tolerance": float(self.total_tolerance),
            "total_error": float(self.total_error),
            "limit": float(self.limit),
            "left": float(self.left),
            "blame": self.blame,
            "slow_limit": float(self.slow_limit),
            "fast_limit": float(self.fast_limit),
            "recommended_per_end": None if advised is None else float(advised),
            "tx": {**self.tx.to_dict(), "share": float(self.shares[TX])},
            "rx": {**self.rx.to_dict(), "share": float(self.shares[RX])},
            "line": {**self.line.to_dict(), "baudrate": plain_number(exact(self.line.baudrate))},
            "bits": self.sampling.bits,
            "oversampling": self.sampling.oversampling,
            "samples": self.sampling.samples,
            "rule": {
                "name": self.rule.name,
                "text": self.rule.rule,
                "source": self.rule.source,
                "status": self.rule.status,
            },
        }


def sampling_margin(
    line: UartLine,
    tx_error: Number | RateError | BaudSetting | Tolerance = 0,
    rx_error: Number | RateError | BaudSetting | Tolerance = 0,
    oversampling: int | None = 16,
    *,
    samples: int | None = None,
    votes: int | None = None,
    edge: Number | None = None,
    usable: Number = 1,
    rule: str = "half-bit",
    fractional: bool = False,
) -> Margin:
    """Return how much the two ends of a line may differ in rate, and how much of that is left.

    ``tx_error`` and ``rx_error`` say how far each end is off: a signed share (0.02: two per cent too fast), a
    `BaudSetting`, a `Tolerance` of its clock, or a `RateError` of both. ``oversampling``: looks a bit, 4 to
    1024, None for a receiver that looks at the very middle of each bit. ``samples``: how many looks, one look
    apart around the middle, decide a bit (an odd number; 1 unless the rule has another); ``votes``: how many
    of them must be right (default: more than half). ``edge``: share of a bit by which the start edge may lie
    elsewhere than where it is seen (default: one look). ``usable``: share of a bit in which its level can be
    relied on; AN2141 (Maxim; figures from memory) takes 3/4 for an easy line, 1/2 for a hard one. ``rule``
    names a row of `margin_rules.MARGIN_RULES`; rules of manuals take no ``votes``, ``edge`` and ``usable``.
    ``fractional``: the bit is no whole number of looks, which the stm32 rule tells apart.

    Judged is up to the first stop bit; more of them change nothing. Raises `SettingsError` with every fault.

    >>> round(100 * float(sampling_margin(UartLine(115200)).total_tolerance), 2)
    4.61
    """
    row = find_margin_rule(rule)
    faults = [
        *_number_faults(row, oversampling, samples, votes),
        *_share_faults(row, votes, edge, usable),
    ]
    ends = []
    for path, given in (("tx_error", tx_error), ("rx_error", rx_error)):
        try:
            ends.append(rate_error(given, path))
        except SettingsError as error:
            faults += error.faults
    if faults:
        raise SettingsError(faults)
    count = samples or (row.samples[-1] if row.samples else 1)
    late = exact(edge) if edge is not None else Fraction(1, oversampling) if oversampling else Fraction(0)
    sampling = Sampling(
        bits=line.bytesize + (line.parity != "N") + 2,
        oversampling=oversampling,
        samples=count,
        votes=votes or count // 2 + 1,
        edge=late,
        usable=exact(usable),
        fractional=fractional,
    )
    slow, fast = row.limits(sampling)
    if fast <= 0:
        problem = "leaves nothing of a bit: the start edge and the samples take all of its usable part"
        raise SettingsError(Fault("sampling", problem=problem, allowed="more looks a bit, or fewer samples"))
    return Margin(line, sampling, row, ends[0], ends[1], slow, fast)


def _number_faults(row: MarginRule, oversampling: object, samples: object, votes: object) -> list[Fault]:
    faults = []
    if row.oversamplings:
        if not is_whole_number(oversampling) or oversampling not in row.oversamplings:
            allowed = " or ".join(map(str, row.oversamplings)) + f", with rule {row.name!r}"
            faults.append(Fault("oversampling", oversampling, allowed))
    elif oversampling is not None and not is_whole_number(oversampling, FEWEST_LOOKS, MOST_LOOKS):
        allowed = f"{FEWEST_LOOKS} to {MOST_LOOKS}, or None for the very middle of a bit"
        faults.append(Fault("oversampling", oversampling, allowed))
    if samples is None:
        most = 1
    elif not is_whole_number(samples, 1) or samples % 2 == 0:
        faults.append(Fault("samples", samples, "an odd number of samples, 1 or more"))
        return faults
    else:
        most = samples
        if row.samples and samples not in row.samples:
            allowed = " or ".join(map(str, row.samples)) + f", with rule {row.name!r}"
            faults.append(Fault("samples", samples, allowed))
        if oversampling is None and samples > 1:
            faults.append(Fault("samples", samples, "1, where the very middle of a bit is looked at"))
    if votes is not None and not is_whole_number(votes, most // 2 + 1, most):
        faults.append(Fault("votes", votes, f"more than half of {most}, up to all"))
    return faults


def _share_faults(row: MarginRule, votes: object, edge: object, usable: object) -> list[Fault]:
    faults = []
    if edge is not None and not _is_share(edge):
        faults.append(Fault("edge", edge, "a share of a bit from 0 to 1"))
    if not _is_share(usable) or usable == 0:
        faults.append(Fault("usable", usable, "a share of a bit above 0, up to 1"))
    if not row.general:
        given = {"votes": votes, "edge": edge, "usable": None if usable == 1 else usable}
        allowed = f"nothing here: rule {row.name!r} is that of a manual, which has its own"
        faults += [Fault(name, value, allowed) for name, value in given.items() if value is not None]
    return faults


def _is_share(value: object) -> bool:
    return is_finite_number(value) and 0 <= value <= 1  # type: ignore[operator]
