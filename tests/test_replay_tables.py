"""A replay as tables: columns, units, nulls, and that they say what the result says."""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pandas
import pyarrow
import pytest
from test_replay import lines, link

from linkbudget.errors import SettingsError
from linkbudget.replay import tables
from linkbudget.replay.run import replay
from linkbudget.traffic.stream import FRAMING

COLUMNS = {
    "passes": [
        "release_ns", "start_ns", "end_ns", "work_start_ns",
        "work_ns", "reading_ns", "waiting_ns", "handler_ns", "pause_ns", "window_ns", "missed",
    ],
    "messages": [
        "name", "first_character", "bytes", "start_ns", "arrival_ns", "fate", "used_ns", "age_ns",
    ],
    "uses": ["in_pass", "message", "name", "time_ns", "age_ns", "misread"],
}  # fmt: skip


@pytest.fixture(scope="module")
def result():
    """Six lines, about two in a period; each takes 1.9 ms to parse, so that passes are late."""
    return replay(
        link(parser={"message_us": 1900}, loop={"phase_us": 500, "work_us": [1000, 2000]}),
        lines(6, 2400, at_us=77, body=b'{"x":5}\n'),
        phases=1,
    )


def test_every_table_has_its_columns_in_both_forms(result):
    assert list(tables.TABLES) == list(COLUMNS)
    for table, columns in COLUMNS.items():
        frame, arrow = result.to_pandas(table), result.to_arrow(table)
        assert list(frame.columns) == arrow.column_names == columns
        assert len(frame) == arrow.num_rows > 0
        assert frame.attrs["time_zero_ns"] == result.time_zero_ns == 77_000
        assert arrow.schema.metadata == {b"time_zero_ns": b"77000"}
        for name in columns:
            assert name in tables.__doc__
            values = [None if value is pandas.NA else value for value in frame[name].tolist()]
            assert values == arrow[name].to_pylist()
            if name.endswith("_ns") or name in ("bytes", "first_character", "in_pass", "message"):
                assert arrow.schema.field(name).type == pyarrow.int64()
                assert str(frame[name].dtype) in ("int64", "Int64")


def test_passes_add_up_to_what_the_result_says(result):
    frame = result.to_pandas()
    spent = frame[["work_ns", "reading_ns", "waiting_ns", "handler_ns", "pause_ns", "window_ns"]].sum(axis=1)
    assert (spent == frame["end_ns"] - frame["start_ns"]).all()
    assert frame["missed"].sum() + result.run.skipped.size == result.run.missed_deadlines > 0
    assert (frame["end_ns"] - frame["start_ns"]).max() / 1e3 == result.longest_pass_us


def test_messages_and_uses_refer_to_each_other(result):
    messages, uses = result.to_pandas("messages"), result.to_pandas("uses")
    assert messages["fate"].value_counts().to_dict() == {
        fate: count for fate, count in result.messages.items() if fate != "sent" and count
    }
    used = messages[messages["fate"] == "used"]
    assert 0 < len(used) < len(messages)
    assert used["used_ns"].tolist() == uses["time_ns"].tolist()
    assert messages[messages["fate"] != "used"]["used_ns"].isna().all()
    assert used.index.tolist() == uses["message"].tolist()
    assert (messages["bytes"] == 8).all()
    assert messages["start_ns"].tolist() == [2_400_000 * at for at in range(6)]
    work_starts = result.to_pandas()["work_start_ns"].to_numpy()
    assert work_starts[uses["in_pass"].to_numpy()].tolist() == uses["time_ns"].tolist()
    assert uses["age_ns"].max() / 1e3 == result.age_us["max"]
    assert not uses["misread"].any()


def test_a_data_frame_is_the_callers_own(result):
    frame = result.to_pandas()
    frame.loc[0, "start_ns"] = -1
    assert result.passes.start[0] >= 0


def test_a_misread_is_told():
    """The driver drops a digit with a framing error: 12 becomes 1, which is accepted and used."""
    capture = lines(2, 20_000, body=b'{"x":12}\n')
    flagged = replace(capture, flags=np.where(np.arange(len(capture)) == 6, FRAMING, 0))
    result = replay(link(receiver={"errored": {"framing": "drop"}}), flagged, phases=1)
    assert result.to_pandas("messages")["fate"].tolist() == ["misread", "used"]
    assert result.to_pandas("uses")["misread"].tolist() == [True, False]


def test_an_unknown_table_is_named(result):
    with pytest.raises(
        SettingsError, match="no table 'pases'; allowed: passes, messages, uses; did you mean 'passes'"
    ):
        result.to_pandas("pases")


@pytest.mark.parametrize(("form", "module"), [("pandas", "pandas"), ("arrow", "pyarrow")])
def test_without_the_extra_one_line_names_the_command(result, monkeypatch, form, module):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(SettingsError) as caught:
        getattr(result, f"to_{form}")()
    assert str(caught.value) == (
        f"{module} is not installed, and to_{form}() needs it: pip install 'linkbudget[{form}]' brings it"
    )


def test_a_replay_without_passes_has_empty_tables():
    with pytest.warns(UserWarning, match="no pass"):
        empty = replay(link(loop={"phase_us": 10**7}), lines(1), phases=1)
    assert len(empty.to_pandas()) == empty.to_arrow("uses").num_rows == 0
    assert empty.to_pandas("messages")["used_ns"].isna().tolist() == [True]
    assert np.issubdtype(empty.to_pandas()["start_ns"].dtype, np.int64)
