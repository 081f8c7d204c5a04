"""Runs inside MicroPython: feeds generated viper modules with the collector locked from the first byte.

Started as ``vm_viper.py JOB``; the job is a file of JSON. Prints one line of JSON for each case.
"""

import binascii
import gc
import json
import sys
from array import array

import micropython


def unhex(text):
    return binascii.unhexlify(text)


def hexed(data):
    return binascii.hexlify(data).decode()


def load(path):
    with open(path) as file:
        source = file.read()
    namespace = {"__name__": "generated"}
    exec(source, namespace)
    return namespace


class Log:
    """Room for messages, made before the first byte."""

    def __init__(self, places, octets, most):
        self.kinds = bytearray(most)
        self.values = array("i", [0] * (places * most))
        self.octets = bytearray(octets * most)
        self.count = 0
        self.one = array("i", [0] * places)
        self.some = bytearray(octets)

    def drain(self, receiver):
        while True:
            kind = receiver.take(self.one, self.some)
            if kind == 0:
                return
            places = len(self.one)
            at = self.count * places
            for place in range(places):
                self.values[at + place] = self.one[place]
            octets = len(self.some)
            at = self.count * octets
            for place in range(octets):
                self.octets[at + place] = self.some[place]
            self.kinds[self.count] = kind
            self.count += 1

    def messages(self):
        places, octets = len(self.one), len(self.some)
        return [
            [
                self.kinds[number],
                list(self.values[number * places : (number + 1) * places]),
                hexed(self.octets[number * octets : (number + 1) * octets]),
            ]
            for number in range(self.count)
        ]


def feed_all(receiver, chunks, log, most):
    for now in range(len(chunks)):
        if receiver.feed(chunks[now], len(chunks[now]), now) != len(chunks[now]):
            return 1
        log.drain(receiver)
    return 0


def push_all(receiver, data, log):
    for at in range(len(data)):
        receiver.push(data[at], at)
        log.drain(receiver)
    return 0


def run_stream(module, places, octets, data, sizes, most):
    receiver = module["Receiver"](False, most + 1)
    log = Log(places, octets, most + 1)
    chunks = []
    at = 0
    for size in sizes or []:
        chunks.append(data[at : at + size])
        at += size
    gc.collect()
    micropython.heap_lock()
    failed = feed_all(receiver, chunks, log, most) if sizes is not None else push_all(receiver, data, log)
    micropython.heap_unlock()
    return {"messages": log.messages(), "counters": list(receiver.counters), "failed": failed}


def run_encode(module, name, values, octets, capacity, sequence):
    values, octets, out = array("i", values), unhex(octets), bytearray(capacity)
    encode = module["encode_" + name]
    micropython.heap_lock()
    size = encode(values, octets, out, capacity, sequence)
    micropython.heap_unlock()
    return hexed(out[:size])


def main(path):
    with open(path) as file:
        job = json.load(file)
    for case in job:
        module = load(case["module"])
        places, octets = case["places"], case["octets"]
        streams = [run_stream(module, places, octets, unhex(d), s, m) for d, s, m in case["streams"]]
        print(
            json.dumps({"streams": streams, "frames": [run_encode(module, *one) for one in case["encode"]]})
        )


main(sys.argv[1])
