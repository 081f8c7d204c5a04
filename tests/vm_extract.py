"""Runs inside MicroPython (or CPython): a generated extractor, with the heap locked while it has bytes.

Started as ``vm_extract.py MODULE STREAM END PIECE``: lines that end in the byte END, in pieces of at most
PIECE bytes, by ``push`` when PIECE is 0. Prints for each line what was taken, or "!" and what push came to.

Started with a file of JSON alone, it takes all this from there, the stream in hex digits, and locks nothing:
a port of 32 bits needs larger numbers where there is no native code.
"""

import json
import sys
from array import array

try:
    from micropython import heap_lock, heap_unlock
except ImportError:

    def heap_lock():
        pass

    heap_unlock = heap_lock


def nothing():
    pass


def main(module, data, end, piece, heap_lock=heap_lock, heap_unlock=heap_unlock):
    namespace = {"__name__": "generated"}
    with open(module) as file:
        exec(file.read(), namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    at = 0
    buffer = bytearray(max(piece, 1))
    while at < len(data):
        stop = data.find(bytes([end]), at) + 1
        if stop == 0:
            break
        result = 0
        if piece == 0:
            while at < stop:
                byte = data[at]
                heap_lock()
                result = receiver.push(byte, 0)
                heap_unlock()
                at += 1
        while at < stop:
            size = min(piece, stop - at)
            buffer[:size] = data[at : at + size]
            heap_lock()
            receiver.feed(buffer, size, 0)
            heap_unlock()
            at += size
        heap_lock()
        kind = receiver.take(values, None)
        heap_unlock()
        print(kind, *(list(values) if kind else ["!", result]))
    print(*list(receiver.counters))


if len(sys.argv) == 2:
    with open(sys.argv[1]) as file:
        for one in json.load(file):
            main(one["module"], bytes.fromhex(one["stream"]), one["end"], one["piece"], nothing, nothing)
else:
    with open(sys.argv[2], "rb") as file:
        main(sys.argv[1], file.read(), int(sys.argv[3]), int(sys.argv[4]))
