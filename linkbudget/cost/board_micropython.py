# mypy: disable-error-code="no-untyped-def, no-untyped-call, name-defined, import-not-found"
# ruff: noqa: F821
"""The part of the script for MicroPython that is the same for all links, behind the line of dashes.

`board_script.py` writes what stands above it: imports, DATE, BOARD, MODULE, FORM, MESSAGES, DATA, CHUNKS,
TEXTS, and the class Parser. MicroPython has no annotations in every build, so there are none.
"""

# ---
RUNS = 5
REPEATS = 8
EMPTY = 256


def timed(call, arguments, times):
    """Call with each argument, and add the ticks that took to times."""
    ticks = time.ticks_us
    diff = time.ticks_diff
    found = 0
    gc.collect()
    gc.disable()
    for at in range(len(arguments)):
        argument = arguments[at]
        begin = ticks()
        kind = call(argument)
        times[at] += diff(ticks(), begin)
        if kind:
            found += 1
    gc.enable()
    return found


def nothing(argument):
    """Do what a call does at least; its time is that of looking at the timer."""
    return 0


def medians(rows):
    """Return the median of each column."""
    return [sorted([row[at] for row in rows])[len(rows) // 2] for at in range(len(rows[0]))]


def runs_of(make, arguments):
    """Return the ticks of each argument in each run, all repetitions added up."""
    rows = []
    for _ in range(RUNS):
        times = array("I", [0] * len(arguments))
        call = make()
        for _ in range(REPEATS):
            timed(call, arguments, times)
        rows.append(times)
    return rows


def allocated(call, arguments):
    """Return the bytes that the calls allocate, None where the port does not tell."""
    if not hasattr(gc, "mem_alloc"):
        return None
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    for argument in arguments:
        call(argument)
    after = gc.mem_alloc()
    gc.enable()
    return after - before


def clock_hz():
    """Return the clock of the processor, None where the port does not tell."""
    try:
        import machine

        freq = machine.freq()
    except (ImportError, AttributeError):
        return None
    return freq[0] if isinstance(freq, tuple) else freq


def main():
    """Time everything and print the line."""
    chunks = [DATA[at : at + size] for at, size, _, _ in CHUNKS]
    whole = chunks[:MESSAGES]
    accepted = timed(Parser().read, whole, [0] * MESSAGES)
    rows = runs_of(lambda: Parser().read, chunks)
    empty = [0] * EMPTY
    timed(nothing, empty, empty)
    reference = runs_of(lambda: json.loads, TEXTS)
    told = sys.implementation
    facts = {
        "linkbudget_board": 1,
        "target": "micropython",
        "module": MODULE,
        "form": FORM,
        "board": BOARD,
        "machine": getattr(told, "_machine", sys.platform),
        "version": "MicroPython " + ".".join([str(part) for part in told.version[:3]]),
        "clock_hz": clock_hz(),
        "date": DATE,
        "tick_hz": 1000000,
        "repeats": REPEATS,
        "timer": [sum(empty), EMPTY],
        "accepted": accepted,
        "expected": MESSAGES,
        "allocated_bytes": allocated(Parser().read, whole),
        "runs": [sum(row) for row in rows],
        "json_loads": [sum(row) for row in reference],
        "json_messages": len(TEXTS),
        "columns": ["read_call", "byte", "message", "message_byte"],
    }
    # Printed in pieces: as one string it may not fit into the memory of a small board.
    print(json.dumps(facts)[:-1] + ', "samples": [', end="")
    calls = 0 if FORM == "push" else 1
    for number, ticks in enumerate(medians(rows)):
        _, size, ends, ended = CHUNKS[number]
        print((", " if number else "") + json.dumps([calls, size, ends, ended, ticks]), end="")
    print("]}")


main()
