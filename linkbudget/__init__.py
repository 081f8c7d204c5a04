"""Throughput and framing of serial links: byte-time budgets, framed codecs, captures replayed.

Start with `Link.load`, which reads the description of a link. From there: `byte_budget` says what its
messages cost, `choose_format` what other formats would, `Link.codec` turns messages into bytes and back
(`Deframer` finds them in a stream), `load_bytes` and `replay` hold a recording against the control loop,
`whatif` and `stress` vary that, `generate` writes code for both ends, and `LinkPair` is a virtual link to
test with.

>>> from linkbudget import Link, UartLine
>>> UartLine.parse("115200 8N1").character_time
Fraction(1, 11520)

Times that end in ``_ns`` are whole nanoseconds; those in ``_s`` and ``_us`` are floats; exact values are
fractions and say so. What the caller asked for and cannot be raises `SettingsError`; every error of the
library is a `LinkBudgetError`. Verdicts are of a model, not of the mechanism.

Every public name is importable from here and loaded when it is first used (PEP 562), so that
``import linkbudget`` stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkbudget.bridge import layout_from_construct as layout_from_construct
    from linkbudget.bridge import layout_to_construct as layout_to_construct
    from linkbudget.budget.bytetime import ByteBudget as ByteBudget
    from linkbudget.budget.bytetime import byte_budget as byte_budget
    from linkbudget.capture.files import load_bytes as load_bytes
    from linkbudget.capture.files import load_levels as load_levels
    from linkbudget.capture.files import open_bytes as open_bytes
    from linkbudget.capture.files import open_capture as open_capture
    from linkbudget.capture.files import save_capture as save_capture
    from linkbudget.capture.recorder import Limits as Limits
    from linkbudget.capture.recorder import Recording as Recording
    from linkbudget.capture.recorder import record as record
    from linkbudget.check.advice import CrcStrength as CrcStrength
    from linkbudget.check.advice import Recommendation as Recommendation
    from linkbudget.check.advice import recommend_crc as recommend_crc
    from linkbudget.check.algorithms import CrcAlgorithm as CrcAlgorithm
    from linkbudget.check.algorithms import crc_algorithm as crc_algorithm
    from linkbudget.check.strength import hamming_distance_lengths as hamming_distance_lengths
    from linkbudget.check.strength import undetected_probability as undetected_probability
    from linkbudget.check.strength import undetected_weights as undetected_weights
    from linkbudget.codec import Codec as Codec
    from linkbudget.codec import decode_messages as decode_messages
    from linkbudget.codegen import generate as generate
    from linkbudget.cost.board_fit import BoardFit as BoardFit
    from linkbudget.cost.board_fit import fit_board as fit_board
    from linkbudget.cost.board_script import board_script as board_script
    from linkbudget.cost.counted import Compared as Compared
    from linkbudget.cost.counted import compare_counted as compare_counted
    from linkbudget.cost.fit import CostFit as CostFit
    from linkbudget.cost.fit import Samples as Samples
    from linkbudget.cost.fit import fit_costs as fit_costs
    from linkbudget.cost.markers import MarkerFit as MarkerFit
    from linkbudget.cost.markers import fit_markers as fit_markers
    from linkbudget.cost.measure import ParserCost as ParserCost
    from linkbudget.cost.measure import measure_parser as measure_parser
    from linkbudget.cost.target import CFunction as CFunction
    from linkbudget.cost.target import TargetCosts as TargetCosts
    from linkbudget.cost.target import target_costs as target_costs
    from linkbudget.errors import CaptureError as CaptureError
    from linkbudget.errors import Fault as Fault
    from linkbudget.errors import FrameError as FrameError
    from linkbudget.errors import LinkBudgetError as LinkBudgetError
    from linkbudget.errors import LinkBudgetWarning as LinkBudgetWarning
    from linkbudget.errors import ParserError as ParserError
    from linkbudget.errors import SettingsError as SettingsError
    from linkbudget.errors import TargetError as TargetError
    from linkbudget.frame.bulk import FrameTable as FrameTable
    from linkbudget.frame.bulk import deframe_all as deframe_all
    from linkbudget.frame.deframer import Deframer as Deframer
    from linkbudget.frame.deframer import Frame as Frame
    from linkbudget.frame.deframer import Reason as Reason
    from linkbudget.frame.deframer import Rejected as Rejected
    from linkbudget.frame.delimiting.cobs import cobs_decode as cobs_decode
    from linkbudget.frame.delimiting.cobs import cobs_encode as cobs_encode
    from linkbudget.frame.delimiting.cobs import cobs_max_encoded_length as cobs_max_encoded_length
    from linkbudget.frame.delimiting.hdlc import hdlc_decode as hdlc_decode
    from linkbudget.frame.delimiting.hdlc import hdlc_encode as hdlc_encode
    from linkbudget.frame.delimiting.slip import slip_decode as slip_decode
    from linkbudget.frame.delimiting.slip import slip_encode as slip_encode
    from linkbudget.frame.format import FrameFormat as FrameFormat
    from linkbudget.link.model import Link as Link
    from linkbudget.message.encodings import encoding as encoding
    from linkbudget.message.fields import Blob as Blob
    from linkbudget.message.fields import Choice as Choice
    from linkbudget.message.fields import Counter as Counter
    from linkbudget.message.fields import Flag as Flag
    from linkbudget.message.fields import Integer as Integer
    from linkbudget.message.fields import Label as Label
    from linkbudget.message.fields import Optional_ as Optional_
    from linkbudget.message.fields import Real as Real
    from linkbudget.message.fields import Repeat as Repeat
    from linkbudget.message.fields import Scaled as Scaled
    from linkbudget.message.layout import MessageLayout as MessageLayout
    from linkbudget.replay.long import LongReplay as LongReplay
    from linkbudget.replay.loop_margin import LoopMargin as LoopMargin
    from linkbudget.replay.loop_margin import proportional_loop as proportional_loop
    from linkbudget.replay.loop_margin import second_order_loop as second_order_loop
    from linkbudget.replay.result import Replay as Replay
    from linkbudget.replay.run import replay as replay
    from linkbudget.report.html.page import save_html as save_html
    from linkbudget.rig.clock import RealClock as RealClock
    from linkbudget.rig.clock import VirtualClock as VirtualClock
    from linkbudget.rig.clock import patched_time as patched_time
    from linkbudget.rig.endpoints import Receiver as Receiver
    from linkbudget.rig.endpoints import Sender as Sender
    from linkbudget.rig.faults import Faults as Faults
    from linkbudget.rig.messages import MessageReader as MessageReader
    from linkbudget.rig.messages import Received as Received
    from linkbudget.rig.pair import Boot as Boot
    from linkbudget.rig.pair import LinkPair as LinkPair
    from linkbudget.rig.terminal import TerminalEnd as TerminalEnd
    from linkbudget.rig.wire import Holding as Holding
    from linkbudget.study.batch import replay_each as replay_each
    from linkbudget.study.batch_result import Batch as Batch
    from linkbudget.study.choose import FormatChoice as FormatChoice
    from linkbudget.study.choose import choose_format as choose_format
    from linkbudget.study.deliveries import Deliveries as Deliveries
    from linkbudget.study.deliveries import match_frames as match_frames
    from linkbudget.study.exchanges import Exchanges as Exchanges
    from linkbudget.study.exchanges import pair_requests as pair_requests
    from linkbudget.study.frame_stress import FrameStress as FrameStress
    from linkbudget.study.frame_stress import stress_frames as stress_frames
    from linkbudget.study.headroom import Headroom as Headroom
    from linkbudget.study.headroom import headroom as headroom
    from linkbudget.study.infer import Inference as Inference
    from linkbudget.study.infer import infer as infer
    from linkbudget.study.infer import infer_link as infer_link
    from linkbudget.study.stress import Stress as Stress
    from linkbudget.study.stress import stress as stress
    from linkbudget.study.whatif import WhatIf as WhatIf
    from linkbudget.study.whatif import whatif as whatif
    from linkbudget.traffic.align import Alignment as Alignment
    from linkbudget.traffic.align import align as align
    from linkbudget.traffic.bridged import behind_bridge as behind_bridge
    from linkbudget.traffic.characters import decode_characters as decode_characters
    from linkbudget.traffic.estimate import LineEstimate as LineEstimate
    from linkbudget.traffic.estimate import estimate_line as estimate_line
    from linkbudget.traffic.levels import Edges as Edges
    from linkbudget.traffic.levels import LevelCapture as LevelCapture
    from linkbudget.traffic.stream import ByteCapture as ByteCapture
    from linkbudget.units import SizeRange as SizeRange
    from linkbudget.wire.baud import BaudSetting as BaudSetting
    from linkbudget.wire.baud import baud_setting as baud_setting
    from linkbudget.wire.baud import closest_setting as closest_setting
    from linkbudget.wire.baud_table import BaudTable as BaudTable
    from linkbudget.wire.baud_table import baud_table as baud_table
    from linkbudget.wire.margin import Margin as Margin
    from linkbudget.wire.margin import sampling_margin as sampling_margin
    from linkbudget.wire.margin_ends import UartEnd as UartEnd
    from linkbudget.wire.margin_ends import ends_margin as ends_margin
    from linkbudget.wire.tolerance import RateError as RateError
    from linkbudget.wire.tolerance import Tolerance as Tolerance
    from linkbudget.wire.uart import UartLine as UartLine
    from linkbudget.wire.usb_bridge import UsbBridge as UsbBridge

_HOMES = {
    "bridge": ("layout_from_construct", "layout_to_construct"),
    "budget.bytetime": ("ByteBudget", "byte_budget"),
    "capture.files": ("load_bytes", "load_levels", "open_bytes", "open_capture", "save_capture"),
    "capture.recorder": ("Limits", "Recording", "record"),
    "check.advice": ("CrcStrength", "Recommendation", "recommend_crc"),
    "check.algorithms": ("CrcAlgorithm", "crc_algorithm"),
    "check.strength": ("hamming_distance_lengths", "undetected_probability", "undetected_weights"),
    "codec": ("Codec", "decode_messages"),
    "codegen": ("generate",),
    "cost.board_fit": ("BoardFit", "fit_board"),
    "cost.board_script": ("board_script",),
    "cost.counted": ("Compared", "compare_counted"),
    "cost.fit": ("CostFit", "Samples", "fit_costs"),
    "cost.markers": ("MarkerFit", "fit_markers"),
    "cost.measure": ("ParserCost", "measure_parser"),
    "cost.target": ("CFunction", "TargetCosts", "target_costs"),
    "errors": (
        "CaptureError",
        "Fault",
        "FrameError",
        "LinkBudgetError",
        "LinkBudgetWarning",
        "ParserError",
        "SettingsError",
        "TargetError",
    ),
    "frame.bulk": ("FrameTable", "deframe_all"),
    "frame.deframer": ("Deframer", "Frame", "Reason", "Rejected"),
    "frame.delimiting.cobs": ("cobs_decode", "cobs_encode", "cobs_max_encoded_length"),
    "frame.delimiting.hdlc": ("hdlc_decode", "hdlc_encode"),
    "frame.delimiting.slip": ("slip_decode", "slip_encode"),
    "frame.format": ("FrameFormat",),
    "link.model": ("Link",),
    "message.encodings": ("encoding",),
    "message.fields": (
        "Blob",
        "Choice",
        "Counter",
        "Flag",
        "Integer",
        "Label",
        "Optional_",
        "Real",
        "Repeat",
        "Scaled",
    ),
    "message.layout": ("MessageLayout",),
    "replay.long": ("LongReplay",),
    "replay.loop_margin": ("LoopMargin", "proportional_loop", "second_order_loop"),
    "replay.result": ("Replay",),
    "replay.run": ("replay",),
    "report.html.page": ("save_html",),
    "rig.clock": ("RealClock", "VirtualClock", "patched_time"),
    "rig.endpoints": ("Receiver", "Sender"),
    "rig.faults": ("Faults",),
    "rig.messages": ("MessageReader", "Received"),
    "rig.pair": ("Boot", "LinkPair"),
    "rig.terminal": ("TerminalEnd",),
    "rig.wire": ("Holding",),
    "study.batch": ("replay_each",),
    "study.batch_result": ("Batch",),
    "study.choose": ("FormatChoice", "choose_format"),
    "study.deliveries": ("Deliveries", "match_frames"),
    "study.exchanges": ("Exchanges", "pair_requests"),
    "study.frame_stress": ("FrameStress", "stress_frames"),
    "study.headroom": ("Headroom", "headroom"),
    "study.infer": ("Inference", "infer", "infer_link"),
    "study.stress": ("Stress", "stress"),
    "study.whatif": ("WhatIf", "whatif"),
    "traffic.align": ("Alignment", "align"),
    "traffic.bridged": ("behind_bridge",),
    "traffic.characters": ("decode_characters",),
    "traffic.estimate": ("LineEstimate", "estimate_line"),
    "traffic.levels": ("Edges", "LevelCapture"),
    "traffic.stream": ("ByteCapture",),
    "units": ("SizeRange",),
    "wire.baud": ("BaudSetting", "baud_setting", "closest_setting"),
    "wire.baud_table": ("BaudTable", "baud_table"),
    "wire.margin": ("Margin", "sampling_margin"),
    "wire.margin_ends": ("UartEnd", "ends_margin"),
    "wire.tolerance": ("RateError", "Tolerance"),
    "wire.uart": ("UartLine",),
    "wire.usb_bridge": ("UsbBridge",),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__version__ = "0.1.0"
__all__ = ["__version__", *sorted(_HOME_OF)]


def __getattr__(name: str) -> object:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{home}"), name)
    # The room that has the name of its main function is here by now: it can be called, so it stays.
    return globals().setdefault(name, value)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
