"""What the generated receiver promises beside decoding, and what C cannot express."""

from __future__ import annotations

import subprocess
from fractions import Fraction

import pytest
from c_codecs import FLAGS, SANITIZERS, Case, tool

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import describe
from linkbudget.errors import FrameError, TargetError
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Choice, Counter, Integer, Label, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

BEANS = MessageLayout(
    "beans",
    (Counter("tick", 8), Integer("score", -5, 100), Choice("kind", ("whole", "split", "stone"))),
    id=1,
)
STOP = MessageLayout("stop", (), id=2)

PROGRAM = r"""
#include <stdio.h>
#include <string.h>
#include "s.h"

#define EXPECT(condition) if (!(condition)) { printf("line %d: " #condition "\n", __LINE__); return 1; }

static size_t frame_of(uint8_t tick, uint8_t sequence, uint8_t *frame)
{
    s_beans_t beans = {0};

    beans.tick = tick;
    return s_encode_beans(&beans, sequence, frame, S_MAX_FRAME);
}

int main(void)
{
    static s_receiver state;
    uint8_t frame[S_MAX_FRAME];
    uint8_t two[2u * S_MAX_FRAME];
    s_beans_t beans = {0};
    s_stop_t stop = {0};
    s_message message;
    uint8_t big[S_MAX_FRAME + 256u];
    size_t n;
    size_t i;

    s_start(&state, 100u);
    EXPECT(s_age(&state, 100u) == UINT32_MAX);
    EXPECT(s_take_beans(&state, &beans) == 0);

    /* Set points out of range are refused by the encoder, whichever they are. */
    EXPECT(s_encode_beans(&beans, 0u, frame, sizeof frame) > 0u);
    beans.score = -6;
    EXPECT(s_encode_beans(&beans, 0u, frame, sizeof frame) == 0u);
    beans.score = 101;
    EXPECT(s_encode_beans(&beans, 0u, frame, sizeof frame) == 0u);
    beans.score = 0;
    beans.kind = 3u;
    EXPECT(s_encode_beans(&beans, 0u, frame, sizeof frame) == 0u);

    /* No byte is written beyond the capacity, and too small a one is told. */
    n = frame_of(7u, 0u, frame);
    for (i = 0u; i < n; i++) {
        uint8_t small[S_MAX_FRAME];

        memset(small, 0xEE, sizeof small);
        beans.kind = 0u;
        EXPECT(s_encode_beans(&beans, 0u, small, i) == 0u);
        EXPECT(small[i] == 0xEEu);
    }

    /* The newest is taken, once. */
    n = frame_of(1u, 0u, two);
    n += frame_of(2u, 1u, &two[n]);
    EXPECT(s_feed(&state, two, n, sizeof two, 200u) == n);
    EXPECT(s_take_beans(&state, &beans) == 1 && beans.tick == 2u);
    EXPECT(s_take_beans(&state, &beans) == 0);
    EXPECT(s_count(&state, S_GOT_BEANS) == 2u);
    EXPECT(s_most_waiting(&state) == n);
    EXPECT(s_age(&state, 205u) == 5u);
    EXPECT(s_longest_gap(&state) == 0u);
    EXPECT(s_high_water(&state) == 7u); /* sequence, layout, id, 17 bits, check */

    /* A limit of bytes leaves the rest for the next pass. */
    n = frame_of(3u, 4u, frame);
    EXPECT(s_feed(&state, frame, n, n - 1u, 300u) == n - 1u);
    EXPECT(s_take_beans(&state, &beans) == 0);
    EXPECT(s_feed(&state, &frame[n - 1u], 1u, 5u, 301u) == 1u);
    EXPECT(s_take_beans(&state, &beans) == 1 && beans.tick == 3u);
    EXPECT(s_lost(&state) == 2u);
    EXPECT(s_longest_gap(&state) == 101u);

    /* Every kind of message has places of its own. */
    n = s_encode_stop(&stop, 5u, frame, sizeof frame);
    for (i = 0u; i < n; i++) {
        (void)s_push(&state, frame[i], 400u);
    }
    n = frame_of(9u, 6u, frame);
    for (i = 0u; i < n; i++) {
        (void)s_push(&state, frame[i], 500u);
    }
    EXPECT(s_take_stop(&state, &stop) == 1);
    EXPECT(s_take_beans(&state, &beans) == 1 && beans.tick == 9u);

    /* While a message is read, the next two do not touch it. */
    i = state.at_beans.newest;
    state.at_beans.reading = (uint8_t)i;
    n = frame_of(10u, 7u, frame);
    EXPECT(s_feed(&state, frame, n, n, 600u) == n);
    n = frame_of(11u, 8u, frame);
    EXPECT(s_feed(&state, frame, n, n, 600u) == n);
    EXPECT(state.kept_beans[i].tick == 9u);
    state.at_beans.reading = 2u;
    EXPECT(s_take_beans(&state, &beans) == 1 && beans.tick == 11u);

    /* What was accepted was taken, waits, or nobody took it in time: ticks 2 and 10 were written over. */
    EXPECT(s_superseded(&state) == 2u);
    n = frame_of(11u, 9u, frame);
    EXPECT(s_feed(&state, frame, n, n, 600u) == n);
    EXPECT(s_superseded(&state) == 2u);
    n = frame_of(11u, 10u, frame);
    EXPECT(s_feed(&state, frame, n, n, 600u) == n);
    EXPECT(s_superseded(&state) == 3u);
    EXPECT(s_take_beans(&state, &beans) == 1);
    EXPECT(s_superseded(&state) == 3u);

    /* An id that no message has: sequence, layout, id, and the check of the three. */
    {
        static const uint8_t strange[] = {0x05u, 11u, 9u, 3u, 0x58u, 0u};

        EXPECT(s_unknown(&state) == 0u);
        EXPECT(s_feed(&state, strange, sizeof strange, 9u, 600u) == sizeof strange);
        EXPECT(s_unknown(&state) == 1u);
        EXPECT(s_count(&state, S_REFUSED) == 1u);
    }

    /* The clock may wrap; silence of half its range stays silence. */
    EXPECT(s_age(&state, 600u + 0x7FFFFFFFu) == 0x7FFFFFFFu);
    EXPECT(s_age(&state, 600u + 0x80000000u) == UINT32_MAX);
    EXPECT(s_age(&state, 601u) == UINT32_MAX);

    /* An interrupt may take a message after the loop took the time: that one is new, and no silence. */
    n = frame_of(12u, 9u, frame);
    EXPECT(s_feed(&state, frame, n, n, 700u) == n);
    EXPECT(s_age(&state, 699u) == 0u);
    EXPECT(s_age(&state, 700u) == 0u);
    EXPECT(s_age(&state, 702u) == 2u);
    EXPECT(s_age(&state, 700u - 0x1000000u) == 0u);
    EXPECT(s_age(&state, 702u) == 2u);
    EXPECT(s_age(&state, 700u - 0x1000001u) == UINT32_MAX);
    n = frame_of(12u, 9u, frame);
    EXPECT(s_feed(&state, frame, n, n, 0xFFFFFFF0u) == n);
    EXPECT(s_age(&state, 0x10u) == 0x20u);

    /* Another layout, and a whole frame. */
    n = frame_of(13u, 10u, frame);
    EXPECT(s_decode(frame, n, &message) == S_GOT_BEANS && message.as.beans.tick == 13u);
    EXPECT(s_decode(frame, 0u, &message) == S_TOO_SHORT);
    EXPECT(s_count(&state, (s_status)200) == 0u);

    /* A frame with 256 bytes more is too long, though lengths are kept in a byte. */
    n = frame_of(14u, 11u, frame);
    memset(big, 0x55, sizeof big);
    memcpy(big, frame, n - 1u);
    EXPECT(s_decode(big, n - 1u + 256u, &message) == S_TOO_LONG);
    puts("good");
    return 0;
}
"""


def test_the_receiver_keeps_its_promises(tmp_path):
    tool("gcc")
    fmt = FrameFormat("cobs", "CRC-8/SMBUS", 16, sequence=True, layout_id=9)
    case = Case(Codec(fmt, (CodecMessage(BEANS, "packed-bits"), CodecMessage(STOP, "packed-bits"))), "s")
    for name, text in case.files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "main.c").write_text(PROGRAM, encoding="utf-8")
    command = ["gcc", *FLAGS, *SANITIZERS, "-o", "main", "main.c", "s.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[:3000]
    shown = subprocess.run([tmp_path / "main"], capture_output=True, text=True)
    assert shown.stdout == "good\n", shown.stdout + shown.stderr


def refusal(layout: MessageLayout, how: object, fmt: FrameFormat | None = None) -> str:
    with pytest.raises(TargetError) as caught:
        Case(Codec(fmt or FrameFormat(max_payload=200), (CodecMessage(layout, how),)), "s")
    return str(caught.value)


def test_what_c_cannot_express_is_refused_with_its_path():
    wide = MessageLayout("beans", (Repeat("lane", (Integer("at", 0, 1 << 64),), 2),))
    assert refusal(wide, "packed-bits").startswith("beans.lane.at: needs more than 64 bits")
    many = MessageLayout("beans", (Integer("a", 0, 1 << 40), Integer("b", 0, 1 << 40)))
    joined = {"name": "packed-bits", "join": "all"}
    assert refusal(many, joined).startswith("beans.a × beans.b: joined they need 81 bits")
    real = MessageLayout("beans", (Real("x"),))
    assert refusal(real, "delimited").startswith("beans.x: target c writes no real numbers as text")
    third = MessageLayout("beans", (Scaled("x", 0, Fraction(7, 3), 1),))
    assert refusal(third, "delimited").startswith("beans.x.maximum: has no exact decimals")
    document = MessageLayout("beans", (Integer("x", 0, 9),))
    assert refusal(document, "tagged-varint").startswith("beans.encoding: target c does not write tagged-")


def test_names_that_would_meet_are_refused():
    one = MessageLayout("a", (Repeat("b_c", (Integer("x", 0, 9),), 2),), id=1)
    other = MessageLayout("a_b", (Repeat("c", (Integer("x", 0, 9),), 2),), id=2)
    with pytest.raises(TargetError, match=r"s_a_b_c_t: two things get this name in C"):
        Case(Codec(FrameFormat(), (CodecMessage(one), CodecMessage(other))), "s")


@pytest.mark.parametrize(
    ("encoding", "names", "field", "meets"),
    [
        ("packed-bits", ("take_beans", "beans_t"), Integer("x", 0, 9), "s_take_beans_t"),
        ("json-object", ("take_beans", "beans_t"), Integer("x", 0, 9), "s_take_beans_t"),
        ("packed-bits", ("read_beans", "beans_t"), Integer("x", 0, 9), "s_read_beans_t"),
        ("packed-bits", ("encode_beans", "beans_t"), Integer("x", 0, 9), "s_encode_beans_t"),
        ("packed-bits", ("bad",), Choice("header", ("check", "none")), "S_BAD_HEADER_CHECK"),
        ("packed-bits", ("got", "x_y"), Choice("x", ("y", "none")), "S_GOT_X_Y"),
        ("json-object", ("got", "x_y"), Choice("x", ("y", "none")), "S_GOT_X_Y"),
    ],
)
def test_names_of_the_link_that_would_meet_names_of_the_runtime_are_refused(encoding, names, field, meets):
    keyed = encoding == "json-object"
    layouts = [
        MessageLayout(name, (field,), **({"key": name} if keyed else {"id": place}))
        for place, name in enumerate(names)
    ]
    fmt = FrameFormat("newline", None, 60) if keyed else FrameFormat()
    codec = Codec(fmt, tuple(CodecMessage(layout, encoding) for layout in layouts))
    with pytest.raises(TargetError, match=rf"{meets}: two things get this name in C; rename a message"):
        CTarget().generate(describe(codec, "to-controller", "s", RESERVED), {"check": "small"})


def test_fields_may_be_called_what_compilers_and_headers_define(tmp_path):
    """Without -std=c99 more words are taken; a header of C may stand in front of ours."""
    tool("gcc")
    names = (
        "typeof",
        "asm",
        "i386",
        "AVR",
        "INT8_MAX",
        "UINT_LEAST16_MAX",
        "SIZE_MAX",
        "UINT32_C",
        "stdin",
        "EOF",
    )
    layout = MessageLayout("beans", tuple(Integer(name, 0, 9) for name in names), id=1)
    codec = Codec(FrameFormat(), (CodecMessage(layout),))
    for name, text in (
        CTarget().generate(describe(codec, "to-controller", "s", RESERVED), {"check": "small"}).items()
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
    for standard, defined in (("gnu99", ("i386=1", "AVR=1")), ("gnu2x", ("stdin=(get())",))):
        given = [f"-D{one}" for one in defined]
        command = [
            "gcc",
            f"-std={standard}",
            *given,
            "-include",
            "stdio.h",
            "-fsyntax-only",
            "s.c",
            "s_example.c",
        ]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_names_of_the_runtime_are_changed_and_told():
    """What begins as the names of the runtime do would get the prefix of the direction with them."""
    layout = MessageLayout("lb_beans", (Integer("lb_line", 0, 9), Choice("LB_kind", ("lb_a", "int"))), id=1)
    case = Case(Codec(FrameFormat(), (CodecMessage(layout),)), "s")
    told = {renamed.path: renamed.ident for renamed in case.spec.renamed}
    assert told == {
        "lb_beans": "n_lb_beans",
        "lb_beans.lb_line": "n_lb_line",
        "lb_beans.LB_kind": "n_LB_kind",
        "lb_beans.LB_kind 'lb_a'": "n_lb_a",
        "lb_beans.LB_kind 'int'": "int_",
    }
    assert "uint8_t n_lb_line; /* 0 to 9 */" in case.files["s.h"]


@pytest.mark.parametrize("encoding", ["packed-bits", "json-object"])
def test_messages_may_be_called_what_the_receiver_calls_its_members(tmp_path, encoding):
    tool("gcc")
    names = ("level", "line", "last", "body", "counts", "at", "value", "state", "place", "text", "silent")
    keyed = encoding == "json-object"
    # A label that is always empty needs no function of its own.
    empty = () if keyed else (Label("note", 0, 0),)
    layouts = [
        MessageLayout(name, (Integer("x", -3, 9), Scaled("mm", 0, 96, Fraction(2, 5)), *empty), **chosen)
        for name, chosen in ((name, {"key": name} if keyed else {"id": i}) for i, name in enumerate(names))
    ]
    fmt = FrameFormat("newline", None, 60) if keyed else FrameFormat("cobs", "CRC-16/IBM-3740", 16)
    codec = Codec(fmt, tuple(CodecMessage(layout, encoding) for layout in layouts))
    files = CTarget().generate(describe(codec, "to-controller", "s", RESERVED), {"check": "small"})
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    command = ["gcc", *FLAGS, "-fsyntax-only", "s.c", "s_example.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("encoding", ["packed-bits", "packed-bytes", "delimited"])
@pytest.mark.parametrize(
    "field",
    [
        Repeat("lanes", Label("note", 9), 0),
        Repeat("lanes", (Scaled("x", 0, 9, 0.1), Counter("tick", 40), Blob("mask", 3)), 0),
        Repeat("lanes", (Integer("x", 0, 9), Choice("kind", ("whole", "split")), Label("note", 5)), 1),
        Integer("always", 5, 5),
        Choice("kind", ("whole",)),
        Label("note", 0),
    ],
    ids=lambda field: type(field).__name__,
)
def test_what_nothing_calls_is_left_out(tmp_path, encoding, field):
    """Warnings are errors, those of functions without a caller too."""
    tool("gcc")
    layout = MessageLayout("beans", (field,))
    codec = Codec(FrameFormat("cobs", max_payload=60), (CodecMessage(layout, encoding),))
    for name, text in Case(codec, "s").files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    command = ["gcc", *FLAGS, "-c", "s.c", "s_example.c"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


EMPTY_AND_UNKNOWN = """\
#include "s.h"
#include <stdio.h>

int main(void)
{
    static s_receiver receiver;
    int byte;

    s_start(&receiver, 0u);
    while ((byte = getchar()) != EOF) {
        (void)s_push(&receiver, (uint8_t)byte, 0u);
    }
    printf("%u %u", (unsigned)s_unknown(&receiver), (unsigned)s_count(&receiver, S_REFUSED));
    return 0;
}
"""


@pytest.mark.parametrize("sequence", [False, True])
def test_an_empty_payload_is_of_no_kind_we_know(tmp_path, sequence):
    """As an empty line is, in the reference and in every target: it has no id."""
    tool("gcc")
    layouts = [MessageLayout("beans", (Integer("x", 0, 9),), id=1), MessageLayout("stop", (), id=2)]
    codec = Codec(FrameFormat("cobs", max_payload=9, sequence=sequence), tuple(map(CodecMessage, layouts)))
    payloads = [b"", b"\x07", b"\x02", b"\x01\x30", b"", b"\x08\x00", b"\x02\x00"]
    reasons = []
    for payload in payloads:
        try:
            codec.decode_payload(payload)
        except FrameError as error:
            reasons.append(error.reason)
    assert reasons == ["unknown message"] * 4 + ["trailing bytes"]
    for name, text in Case(codec, "s").files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "main.c").write_text(EMPTY_AND_UNKNOWN, encoding="utf-8")
    subprocess.run(["gcc", *FLAGS, "-o", "main", "main.c", "s.c"], cwd=tmp_path, check=True)
    stream = b"".join(codec.fmt.encode(payload, number) for number, payload in enumerate(payloads))
    done = subprocess.run([tmp_path / "main"], input=stream, capture_output=True, check=True)
    assert done.stdout.decode() == f"{reasons.count('unknown message')} {len(reasons)}"


def test_the_same_link_gives_the_same_files():
    codec = Codec(FrameFormat(), (CodecMessage(BEANS),))
    assert Case(codec, "s").files == Case(codec, "s").files


READ = """\
static uint8_t s_read_beans(const uint8_t *p, s_beans_t *out)
{
    {
        unsigned raw = (unsigned)p[1];

        out->tick = (uint8_t)raw;
    }
    const unsigned b2 = p[2];
    {
        unsigned raw = (unsigned)(b2 >> 1);

        if (raw > 105u) {
            return 0;
        }
        out->score = (int8_t)(uint8_t)(raw + (uint8_t)-5);
    }
    const unsigned b3 = p[3];
    if ((b3 & 0x7fu) != 0u) {
        return 0;
    }
    {
        unsigned raw = ((unsigned)(b2 & 0x01u) << 1) | (unsigned)(b3 >> 7);

        if (raw > 2u) {
            return 0;
        }
        out->kind = (uint8_t)raw;
    }
    return 1;
}
"""


def test_the_text_of_a_small_message():
    case = Case(Codec(FrameFormat(), (CodecMessage(BEANS, "packed-bits"),)), "s")
    assert READ in case.files["s.c"]
    assert "int8_t score; /* -5 to 100 */" in case.files["s.h"]
    assert "#define S_BEANS_KIND_STONE 2u" in case.files["s.h"]
