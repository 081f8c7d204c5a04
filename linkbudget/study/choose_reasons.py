"""Why the first candidate is first, what the runner-up does better, and what has to be known of both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkbudget.link.model import Link
from linkbudget.study.choose_figures import Candidate
from linkbudget.study.choose_ranking import Miss, stands_back, unmet
from linkbudget.units import format_count, format_us

__all__ = ["choice_reasons", "missed_text", "size_text"]

WORDS = {
    "wire_time_us.typical": "typical wire time",
    "wire_time_us.maximum": "longest wire time",
    "undetected_per_year": "undetected frames a year",
    "misread_per_year": "misread messages a year",
    "bytes_lost": "bytes lost after one damaged byte",
    "age_us": "worst age",
}
LOOP_REQUIREMENTS = frozenset({"age_us"})


def size_text(candidate: Candidate) -> str:
    """Return the typical bytes of a message, to a tenth."""
    return number(float(candidate.bytes.typical))


def number(value: float) -> str:
    """Return a number with three digits, or whole, as people write it."""
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    text = f"{value:.1f}" if 10 <= abs(value) < 1000 else f"{value:.3g}"
    return text.removesuffix(".0")


def figure_text(column: str, value: float | None) -> str:
    """Return a figure with its unit."""
    if value is None:
        return "no bound"
    return format_us(value) if "_us" in column else number(value)


def missed_text(miss: Miss) -> str:
    """Return which requirement is missed, and by how much."""
    value, limit = figure_text(miss.requirement, miss.value), figure_text(miss.requirement, miss.limit)
    over = "" if miss.over is None else f" ({figure_text(miss.requirement, miss.over)} over)"
    return f"{miss.requirement} is {value}, at most {limit} is asked for{over}"


def choice_reasons(
    link: Link, ranked: Sequence[Candidate], missed: Sequence[Candidate], present: Candidate
) -> Iterator[str]:
    """Yield the reasons of a choice, a sentence or two each; ``ranked`` meet the requirements."""
    if not ranked:
        yield from _none_meets(missed)
        return
    first = ranked[0]
    yield _why_first(first, ranked, link)
    if len(ranked) > 1:
        yield _runner_up(first, ranked[1])
    if first.format.fmt.check is None:
        yield from _without_check(first, ranked)
    else:
        yield from _check_left_out(first, ranked)
    yield from _against_present(first, ranked, present)
    yield from _told_apart(first, present)


def _none_meets(missed: Sequence[Candidate]) -> Iterator[str]:
    hopeless = unmet(missed)
    if not hopeless:
        yield "Each requirement is met by some candidate, and no candidate meets them all."
    for miss in hopeless:
        told = f"The lowest is that of {miss.candidate}: {missed_text(miss)}."
        yield f"No candidate meets {miss.requirement}. {told}"
        if miss.requirement in LOOP_REQUIREMENTS:
            yield (
                "The age is that of the budget: [loop], [reading] and [parser] decide it as much as the "
                "format does. What no format can mend, another way of reading may."
            )


def _why_first(first: Candidate, ranked: Sequence[Candidate], link: Link) -> str:
    rivals = [one for one in ranked if stands_back(one) == stands_back(first)]
    others = format_count(len(rivals), "candidate")
    others += " with a check" if len(rivals) < len(ranked) else ""
    limits = " that meet the requirements which a format decides" if link.require else ""
    text = (
        f"{first.name} is first: of the {others}{limits}, none has a shorter typical wire time "
        f"({size_text(first)} bytes, {format_us(float(first.wire_time.typical) * 1e6)})."
    )
    tied = [one for one in rivals[1:] if one.wire_time.typical == first.wire_time.typical]
    if tied:
        text += f" It shares that with {tied[0].name}{_decided(first, tied[0])}."
    return text


def _decided(first: Candidate, second: Candidate) -> str:
    """Return what sets the first of two equally short candidates before the second."""
    mine, yours = first.figures(), second.figures()
    for column in ("wire_time_us.maximum", "undetected_per_year", "bytes_lost", "misread_per_year"):
        if mine[column] != yours[column]:
            told = f"{figure_text(column, mine[column])} against {figure_text(column, yours[column])}"
            return f" and is before it in {WORDS[column]}, {told}"
    return ", and with it every figure of the order"


def _runner_up(first: Candidate, second: Candidate) -> str:
    more = float(second.bytes.typical - first.bytes.typical)
    longer = format_us(float(second.wire_time.typical - first.wire_time.typical) * 1e6)
    cost = f"costs {_bytes(more)} ({longer}) more" if more else "is as short"
    if more < 0:
        cost = f"saves {_bytes(-more)}"
    mine, yours = first.figures(), second.figures()
    better = [
        f"{_words(column)} ({figure_text(column, yours[column])} against {figure_text(column, mine[column])})"
        for column in mine
        if _less(yours.get(column), mine[column])
    ]
    if first.format.joined and not second.format.joined:
        better.append("fields that each have bits of their own (no division)")
    told = f"does better in {'; '.join(better)}" if better else "does better in no figure"
    return f"The runner-up, {second.name}, {cost} and {told}."


def _less(one: float | None, other: float | None) -> bool:
    return one is not None and (other is None or one < other)


def _words(column: str) -> str:
    return WORDS.get(column, column.replace("error.", "largest error of "))


def _bytes(count: float) -> str:
    return f"{number(count)} byte{'' if count == 1 else 's'}"


def _check_left_out(first: Candidate, ranked: Sequence[Candidate]) -> Iterator[str]:
    """Yield what the best format without a check would save and cost, where those rank behind."""
    bare = next((one for one in ranked if stands_back(one)), None)
    if bare is None:
        return
    saved = first.bytes.typical - bare.bytes.typical
    shorter = format_us(float(first.wire_time.typical - bare.wire_time.typical) * 1e6)
    told = f"save {_bytes(float(saved))} ({shorter}) a message" if saved > 0 else "save nothing"
    passing, checked = bare.undetected_per_year, first.undetected_per_year
    if passing is None or checked is None:
        cost = "let damage through: how much, nobody can say without rates and line.bit_error_rate"
    else:
        cost = (
            f"let {number(passing)} damaged frames a year pass instead of {number(checked)}; a bound on "
            "undetected_per_year or misread_per_year in [require] would decide whether that is good enough"
        )
    yield f"Leaving the check out would {told} with {bare.name} and {cost}."


def _without_check(first: Candidate, ranked: Sequence[Candidate]) -> Iterator[str]:
    if first.undetected_per_year is None:
        told = "What damage it lets through is not known"
    else:
        told = (
            f"It has no check: {number(first.undetected_per_year)} damaged frames a year pass, and "
            f"{number(first.misread_per_year or 0)} messages are believed with a wrong value"
        )
    checked = next((one for one in ranked if one.format.fmt.check is not None), None)
    other = ""
    if checked is not None:
        passing = checked.undetected_per_year
        rest = "" if passing is None else f", {number(passing)} undetected a year"
        other = f" The first with a check is {checked.name}: {size_text(checked)} bytes{rest}."
    yield f"{told}; undetected_per_year or misread_per_year in [require] would bound that.{other}"


def _against_present(first: Candidate, ranked: Sequence[Candidate], present: Candidate) -> Iterator[str]:
    if first is present:
        yield "It is the present format: nothing has to change."
        return
    if present.meets:
        place = next(index for index, one in enumerate(ranked, 1) if one is present)
        yield f"The present format, {present.name}, takes place {place} with {size_text(present)} bytes."
    else:
        rows = [
            Miss(present.name, row.name, row.limit, row.value)
            for row in present.requirements
            if row.met is False
        ]
        told = "; ".join(missed_text(miss) for miss in rows)
        yield f"The present format, {present.name}, is out: {told}."
    changes = "The sender must change." if first.sender_must_change else "The sender can stay as it is."
    if first.receive_cost_us is None:
        yield (
            f"{changes} What receiving costs is known for the present format at most, from [parser]; measure "
            "the new parser before you count on its time."
        )
        return
    now = "" if present.receive_cost_us is None else f", {format_us(present.receive_cost_us)} at present"
    yield f"{changes} Receiving a typical message costs {format_us(first.receive_cost_us)}{now} (measured)."


def _told_apart(first: Candidate, present: Candidate) -> Iterator[str]:
    marks = {one.name: one.layout for one in present.format.codec.messages}
    added = [
        f"{one.name} {'id' if one.layout.id is not None else 'key'} "
        f"{one.layout.key if one.layout.id is None else one.layout.id}"
        for one in first.format.codec.messages
        if (one.layout.id, one.layout.key) != (marks[one.name].id, marks[one.name].key)
    ]
    if added:
        yield f"So that its messages can be told apart, it gives {', '.join(added)}."
