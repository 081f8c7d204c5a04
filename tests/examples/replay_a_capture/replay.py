"""Where does the shipped text recording spend the controller's time, and what gets the deadline back?"""

from linkbudget import Link, load_bytes, replay
from linkbudget.capture.files import captures_dir

folder = captures_dir()
text = Link.load(folder / "bean-text.toml")
recording = load_bytes(folder / "bean-text.vcd", line=text.line)
result = replay(text, recording, phases=0).to_dict()
print("missed deadlines:", result["missed_deadlines"], "longest pass:", result["longest_pass_us"], "us")
print("most of it:", result["bottleneck"]["what"])

for words, edits in {
    "half the parser's cost": {"parser.byte_us": float(text.parser.byte_us) / 2},
    "16 bytes a pass": {"reading.strategy": "at-most", "reading.limit_bytes": 16},
}.items():
    changed = replay(text.replace(**edits), recording, phases=0).to_dict()
    print(f"{words}: {changed['missed_deadlines']} missed")
