"""Check on honesty: the demo's verdicts, and how they change, as a second simulation predicts them.

`predict` takes the facts of a link file and the characters of a capture and says by the oracle of the tests
what a replay has to say: which requirement is met, and every count behind it.
"""

from __future__ import annotations

import tomllib
from copy import deepcopy
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Any

import pytest
from oracle_receiver import Oracle
from pictures import Picture, capture_of, case_of, differences, motion, summary
from strategies import Scene

from linkbudget import Link, UartLine, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.replay.run import replay

CAPTURES = Path(str(captures_dir()))
WAYS = ("bean-text", "bean-frames")
CHANGES = ("nothing", "half the work", "twice the baud rate", "both", "four times the work")


def facts(way: str) -> dict[str, Any]:
    return tomllib.loads((CAPTURES / f"{way}.toml").read_text(encoding="utf-8"))


def recorded(way: str) -> Scene:
    """The link file and the characters of a shipped capture."""
    document = facts(way)
    capture = load_bytes(CAPTURES / f"{way}.vcd", UartLine(document["line"]["baudrate"]))
    assert capture.starts_ns is not None
    return Scene(
        document,
        capture.times_ns.tolist(),
        capture.data.tolist(),
        capture.flags.tolist(),
        capture.starts_ns.tolist(),
    )


def changed(scene: Scene, change: str) -> Scene:
    """The same reports with a cheaper loop or a quicker line; each report still starts when it was ready."""
    scene = replace(scene, document=deepcopy(scene.document))
    if change in ("half the work", "both"):
        scene.document["loop"]["work_us"] /= 2
    if change == "four times the work":
        scene.document["loop"]["work_us"] *= 4
    if change in ("twice the baud rate", "both"):
        scene.document["line"]["baudrate"] *= 2
        times, starts, ready = [], [], None
        delimiter = ord("\n") if scene.document["frame"]["delimiting"] == "newline" else 0
        for end, start, value in zip(scene.times_ns, scene.starts_ns or [], scene.data, strict=True):
            ready = start if ready is None else ready
            starts.append(ready + (start - ready) // 2)
            times.append(ready + ceil((end - ready) / 2))
            ready = None if value == delimiter else ready
        scene = replace(scene, times_ns=times, starts_ns=starts)
    return scene


def predict(scene: Scene) -> Picture:
    """What a replay of these characters has to say, verdict first."""
    oracle = Oracle(case_of(scene)).simulate()
    joints = motion(oracle, scene)
    figures = summary(oracle, scene) | {"motion": joints}
    values = {
        "missed_deadlines": figures["missed_deadlines"],
        "longest_pass_us": figures["longest_pass_us"],
        "age_us": figures["age_us"]["max"],
        "overshoot": max(joint["overshoot"] for joint in joints),
    }
    limits = scene.document["require"]
    verdict = {name: {"value": values[name], "met": values[name] <= limits[name]} for name in limits}
    return {"verdict": verdict, **figures}


def say(scene: Scene) -> Picture:
    """The same from the library."""
    link = Link.from_dict(scene.document)
    document = replay(link, capture_of(scene, link), phases=1).to_dict()
    verdict = {row["name"]: {"value": row["value"], "met": row["met"]} for row in document["requirements"]}
    return {"verdict": verdict, **document}


def shared(predicted: Picture, said: Picture) -> tuple[Picture, Picture]:
    """The figures that both give."""
    keys = predicted.keys() & said.keys()
    joints = [
        {key: joint[key] for key in mine}
        for mine, joint in zip(predicted["motion"], said["motion"], strict=True)
    ]
    return {key: predicted[key] for key in keys}, {key: said[key] for key in keys} | {"motion": joints}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("way", WAYS)
def test_the_verdict_of_the_demo_is_the_predicted_one(way, change):
    scene = changed(recorded(way), change)
    predicted, said = shared(predict(scene), say(scene))
    assert {"verdict", "passes", "missed_deadlines", "age_us", "time_share"} <= predicted.keys()
    assert differences(predicted, said) == []


def test_the_predictions_differ_from_change_to_change():
    """Else agreeing on them would say little: fewer misses each time, and a verdict that turns."""
    text, frames = recorded("bean-text"), recorded("bean-frames")
    misses = [predict(changed(text, change))["missed_deadlines"] for change in CHANGES[:4]]
    assert misses == sorted(misses, reverse=True)
    assert len(set(misses)) == len(misses)
    assert all(row["met"] for row in predict(frames)["verdict"].values())
    assert not predict(changed(frames, "four times the work"))["verdict"]["missed_deadlines"]["met"]


def test_the_phases_of_the_demo_are_the_predicted_ones():
    """Misses at each of four phases, one run of the oracle each."""
    scene = recorded("bean-text")
    said = replay(Link.from_dict(scene.document), capture_of(scene, Link.from_dict(scene.document)), phases=4)
    sweep = said.to_dict()["phase_sweep"]
    missed = []
    for number in range(4):
        trial = case_of(scene)
        trial.link.loop.phase_ns = number * trial.link.loop.period_ns // 4
        missed.append(sum(Oracle(trial).simulate().missed()))
    assert (sweep["missed_min"], sweep["missed_max"]) == (min(missed), max(missed))
