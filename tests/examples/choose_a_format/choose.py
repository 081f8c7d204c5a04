"""Which format should the lane messages have, and what does it buy?"""

from pathlib import Path

from linkbudget import Link, byte_budget, choose_format, generate

link = Link.load(Path(__file__).with_name("lanes.toml"))
before = byte_budget(link).messages[0]
first = choose_format(link).first
wire_ms = float(before.wire_time.maximum) * 1000
print(f"now:    {before.bytes.maximum} bytes at most, {wire_ms:.2f} ms on the wire")
print(f"choose: {first.name}, {first.bytes.maximum} bytes at most")

changes = {"message[0].encoding": "packed-bits", "frame.delimiting": "cobs", "frame.crc": "CRC-16/IBM-3740"}
framed = link.replace(**changes)
for target in ("c", "micropython"):
    files = generate(framed, target, direction="to-controller")
    print(f"{target}: {', '.join(sorted(files))}")
