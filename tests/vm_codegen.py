# ruff: noqa: UP032
"""Runs inside MicroPython (or CPython): feeds generated modules that use built-ins alone.

Started as ``vm_codegen.py JOB``; the job is a file of JSON. Prints one line of JSON for each case.
"""

import binascii
import json
import sys

FAULTS = (
    "check too_long too_short bad_stuffing truncated bad_length header_check no_sync layout unknown refused "
    "received accepted superseded lost"
)


def unhex(text):
    return binascii.unhexlify(text)


def plain(value):
    if isinstance(value, (bytes, bytearray)):
        return {"hex": "".join(["{:02x}".format(byte) for byte in value])}
    if isinstance(value, (tuple, list)):
        return [plain(part) for part in value]
    return value


def tupled(value, top=True):
    """What `plain` made of a message, as it was: bytes again, and tuples where records are."""
    if isinstance(value, dict):
        if "list" in value:
            return [tupled(part) for part in value["list"]]
        return unhex(value["hex"])
    if isinstance(value, list):
        return tuple([tupled(part) for part in value])
    return value


def load(path):
    with open(path) as file:
        source = file.read()
    namespace = {"__name__": "generated"}
    exec(source, namespace)
    return namespace


def run_stream(module, data, sizes):
    receiver = module["Receiver"](False, len(data) + 1)
    if sizes is None:
        for byte in data:
            receiver.push(byte)
    else:
        at = 0
        for number, size in enumerate(sizes):
            receiver.feed(data[at : at + size], now=number)
            at += size
    found = []
    message = receiver.take()
    while message is not None:
        found.append(plain(message))
        message = receiver.take()
    return {
        "messages": found,
        "counters": {name: getattr(receiver.counters, name) for name in FAULTS.split()},
    }


def refusal(module, message):
    try:
        module["encode"](message)
    except ValueError as error:
        return str(error)
    return None


def main(path):
    with open(path) as file:
        job = json.load(file)
    for case in job:
        module = load(case["module"])
        answer = {
            "streams": [run_stream(module, unhex(data), sizes) for data, sizes in case["streams"]],
            "frames": [plain(module["encode"](tupled(m), sequence))["hex"] for m, sequence in case["encode"]],
            "refused": [refusal(module, tupled(m)) for m in case["refuse"]],
        }
        print(json.dumps(answer))


main(sys.argv[1])
