# mypy: disable-error-code="no-untyped-def, no-untyped-call, attr-defined, operator"
# ruff: noqa: UP032
"""Runs inside MicroPython: feeds a parser, times it in batches, and prints what `micropython.py` reads.

Started as ``micropython_bench.py JOB``; the job is a file of JSON: the parser's file, the stream in
hexadecimal and the sizes of its chunks, batches (first chunk, number of chunks) of two sizes, texts for
``json.loads`` with batches of their own, the number of runs. Prints ``@N`` before call N of the first run,
``!`` and JSON for each message found in it, ``=`` and JSON at the end, or ``?`` and why nothing can be run.

The chunks of a batch are cut, and memory is collected, before its time begins; collection is off within it.
MicroPython has no annotations in every build, so there are none.
"""

import gc
import json
import sys
import time


def maker(path):
    """Return what makes a fresh parser of a file, by a method of its Parser or its function feed or parse."""
    sys.path.insert(0, path.rpartition("/")[0] or ".")
    with open(path) as file:
        source = file.read()

    def make(method="feed"):
        namespace = {"__name__": "parser"}
        exec(source, namespace)
        if "Parser" in namespace:
            return getattr(namespace["Parser"](), method)
        return namespace.get("feed") or namespace.get("parse")

    return make


def plain(value):
    """Return a value as JSON has it: bytes as a mapping that says so."""
    if isinstance(value, (bytes, bytearray)):
        return {"(bytes)": "".join(["{:02x}".format(byte) for byte in value])}
    if isinstance(value, dict):
        return {key: plain(part) for key, part in value.items()}
    if isinstance(value, tuple):
        return {"(tuple)": [plain(part) for part in value]}
    if isinstance(value, list):
        return [plain(part) for part in value]
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if hasattr(value, "__dict__"):
        return {key: plain(part) for key, part in value.__dict__.items()}
    return repr(value)


def messages_in(answer):
    """Return the messages in what one call returned."""
    if answer is None or answer is False:
        return []
    if isinstance(answer, list):
        return answer
    return list(answer) if hasattr(answer, "__next__") else [answer]


def cut(data, sizes):
    """Return a function that cuts so many chunks from a first one on."""
    starts = [0]
    for size in sizes:
        starts.append(starts[-1] + size)

    def part(first, count):
        return [data[starts[at] : starts[at + 1]] for at in range(first, first + count)]

    return part


def time_batches(feed, part, batches):
    """Return the time of each batch in microseconds and the bytes it allocated."""
    times = []
    allocated = []
    gc.disable()
    for first, count in batches:
        chunks = part(first, count)
        gc.collect()
        before = gc.mem_alloc()
        begin = time.ticks_us()
        for chunk in chunks:
            answer = feed(chunk)
            if hasattr(answer, "__next__"):
                list(answer)
        end = time.ticks_us()
        allocated.append(gc.mem_alloc() - before)
        times.append(time.ticks_diff(end, begin))
    gc.enable()
    return times, allocated


def main(path):
    """Do the job of a file."""
    with open(path) as file:
        job = json.load(file)
    text = job.pop("data")
    data = bytes([int(text[at : at + 2], 16) for at in range(0, len(text), 2)])
    make = maker(job["parser"])
    feed = make()
    if feed is None:
        print("?it has no class Parser with feed, and no function feed or parse")
        return
    part = cut(data, job["sizes"])
    for number in range(len(job["sizes"])):
        print("@" + str(number))
        for message in messages_in(feed(part(number, 1)[0])):
            print("!" + json.dumps(plain(message)))
    texts = job["texts"]

    def text_part(first, count):
        return texts[first : first + count]

    runs = []
    for _ in range(job["runs"]):
        times, allocated = time_batches(make(job["timed"]), part, job["batches"])
        doubled, _ = time_batches(make(job["timed"]), part, job["doubled"])
        reference, _ = time_batches(json.loads, text_part, job["text_batches"])
        runs.append({"times": times, "allocated": allocated, "doubled": doubled, "reference": reference})
    version = sys.implementation.name + " " + ".".join([str(one) for one in sys.implementation.version[:3]])
    machine = getattr(sys.implementation, "_machine", sys.platform)
    print("=" + json.dumps({"runs": runs, "python": version, "machine": machine}))


main(sys.argv[1])
