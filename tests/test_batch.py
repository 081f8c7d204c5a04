"""Many captures against many links, in this process: the tables, what is kept, what is passed over."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas
import pyarrow.parquet
import pytest
from batches import FRAMES, rows_of, slow_link, write_recordings

from linkbudget import Batch, Link, SettingsError, load_bytes, open_bytes, replay, replay_each
from linkbudget.capture import finding
from linkbudget.capture.files import captures_dir
from linkbudget.capture.finding import find_captures
from linkbudget.study import batch_columns, batch_job, batch_store
from linkbudget.study.batch_columns import COLUMNS

TEXT = captures_dir() / "bean-text.toml"
SHIPPED = [captures_dir() / f"bean-{name}" for name in ("text.vcd", "frames.vcd", "pty.jsonl")]


def each(links, captures, out, **options) -> Batch:
    return replay_each(links, captures, out, **{"workers": 1, "phases": 2, **options})


@pytest.fixture(scope="module")
def lab(tmp_path_factory) -> Path:
    """Twelve recordings in two folders, some under the same name, and a second link file."""
    folder = tmp_path_factory.mktemp("lab")
    write_recordings(folder / "monday", 6)
    write_recordings(folder / "tuesday", 6, first=6)
    for path in (folder / "tuesday").iterdir():
        path.rename(path.with_name(f"run-{int(path.stem[4:]) - 6:04}.jsonl"))
    slow_link(folder)
    return folder


@pytest.fixture(scope="module")
def beans(lab, tmp_path_factory) -> Batch:
    out = tmp_path_factory.mktemp("out") / "results"
    return each([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], out)


# --- what a row says --------------------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.name)
def test_a_row_says_what_a_replay_of_that_capture_says(path, tmp_path):
    link = TEXT if "text" in path.name else FRAMES
    (row,) = each(link, path, tmp_path / "out").replays
    loaded = Link.load(link)
    document = replay(loaded, load_bytes(path, loaded.line), phases=2).to_dict()
    for name, column in COLUMNS["replays"].items():
        expected = document
        for key in column.source:
            expected = expected[key]
        if column.source:
            assert row[name] == expected, name
    assert row["deadlines"] == document["passes"] + document["skipped"]
    assert row["missed_share"] == document["missed_deadlines"] / row["deadlines"]
    assert row["unmet"] == sum(one["met"] is False for one in document["requirements"])
    assert row["overshoot"] == pytest.approx(max(one["overshoot"] for one in document["motion"]))


def test_shipped_captures_meet_what_their_sidecars_expect(tmp_path):
    # From the sidecars of the captures, which tests/test_captures.py holds against `replay`.
    batch = each([TEXT, FRAMES], SHIPPED[:2], tmp_path / "out", phases=16)
    found = {(Path(row["link"]).stem, Path(row["capture"]).stem): row for row in batch.replays}
    text, frames = found["bean-text", "bean-text"], found["bean-frames", "bean-frames"]
    assert (text["passes"], text["skipped"], text["missed_deadlines"]) == (580, 82, 160)
    assert (frames["passes"], frames["skipped"], frames["missed_deadlines"]) == (661, 0, 0)
    assert (text["longest_pass_us"], frames["longest_pass_us"]) == (12565.506, 1703.0)
    assert (text["phase_missed_min"], text["phase_missed_max"]) == (142, 174)
    assert [row["state"] for row in batch.replays] == ["done", "other traffic", "other traffic", "done"]


def test_large_captures_are_replayed_in_pieces_with_the_same_figures(tmp_path, monkeypatch):
    whole = each(FRAMES, SHIPPED[1], tmp_path / "whole").replays[0]
    monkeypatch.setattr(batch_job, "WHOLE_CHARACTERS", 0)
    monkeypatch.setattr(
        batch_job, "open_bytes", lambda *given, **more: open_bytes(*given, **more, piece_bytes=500)
    )
    pieces = each(FRAMES, SHIPPED[1], tmp_path / "pieces").replays[0]
    # Sums over a path differ in their last digits when they are made piece by piece.
    assert {**pieces, "rms_error": None} == {**whole, "rms_error": None}
    assert pieces["rms_error"] == pytest.approx(whole["rms_error"], rel=1e-9)


def test_tables_have_a_row_for_each_pair_message_requirement_and_joint(beans):
    assert {name: len(rows) for name, rows in beans.tables.items()} == {
        "replays": 24,
        "messages": 24,
        "requirements": 24 * 4,
        "joints": 24 * 4,
    }
    assert {row["state"] for row in beans.replays} == {"done"}
    assert all(list(row) == list(COLUMNS[name]) for name, rows in beans.tables.items() for row in rows)
    one = next(row for row in beans.tables["messages"])
    assert (one["message"], one["direction"], one["sent"]) == ("beans", "to-controller", 30)


def test_parquet_files_hold_the_tables_with_meanings_and_units(beans):
    for name, columns in COLUMNS.items():
        table = pyarrow.parquet.read_table(Path(beans.out) / f"{name}.parquet")
        assert table.to_pylist() == [dict(row) for row in beans.tables[name]]
        assert table.equals(beans.to_arrow(name))
        for field in table.schema:
            told = {
                key.decode(): value.decode()
                for key, value in field.metadata.items()
                if key != b"PARQUET:field_id"
            }
            assert told == {"meaning": columns[field.name].meaning, "unit": columns[field.name].unit}
            assert told["meaning"].endswith(".")
        assert json.loads(table.schema.metadata[b"linkbudget"])["batch"] == name


def test_units_stand_in_the_names_of_columns_and_in_their_metadata():
    for columns in COLUMNS.values():
        for name, column in columns.items():
            for ending, unit in (("_us", "us"), ("_ns", "ns"), ("_ms", "ms"), ("_bytes", "byte")):
                assert (column.unit == unit) == name.endswith(ending), name


def test_pandas_gets_types_that_can_be_missing(beans):
    frame = beans.to_pandas()
    assert frame["missed_deadlines"].dtype == pandas.Int64Dtype()
    assert frame["missed_deadlines"].tolist() == [row["missed_deadlines"] for row in beans.replays]
    assert frame["never_catches_up"].dtype == pandas.BooleanDtype()
    assert frame["error"].isna().all()
    with pytest.raises(SettingsError, match=r"no table 'replay'.*did you mean 'replays'"):
        beans.to_arrow("replay")


def test_the_docstring_says_what_every_column_means():
    for table, columns in COLUMNS.items():
        listed = batch_columns.__doc__.split(f"Columns of ``{table}``:")[1].split("Columns of")[0]
        for name, column in columns.items():
            assert f"- ``{name}`` ({column.kind}" in listed
            assert column.meaning in listed


# --- what is kept -----------------------------------------------------------------------------------------


def test_finished_replays_are_not_done_again(lab, beans, monkeypatch):
    def refuse(job, stopped):
        raise AssertionError(job.path)

    monkeypatch.setattr("linkbudget.study.batch_running.run_job", refuse)
    again = each([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], beans.out)
    assert again.finished_before == 24
    assert rows_of(again) == rows_of(beans)


def test_a_capture_is_known_by_its_content_wherever_it_lies(lab, beans, tmp_path):
    shutil.copytree(lab / "monday", tmp_path / "elsewhere")
    again = each(FRAMES, tmp_path / "elsewhere", beans.out)
    assert again.finished_before == 6
    assert {Path(row["capture"]).parent.name for row in again.replays} == {"elsewhere"}


def test_a_link_is_known_by_its_tables_and_not_by_its_comments(lab, beans, tmp_path):
    path = tmp_path / "commented.toml"
    path.write_text("# to be tried on Monday\n" + FRAMES.read_text(encoding="utf-8"), encoding="utf-8")
    assert each(path, lab / "monday", beans.out).finished_before == 6


@pytest.mark.parametrize(
    "options", [{"phases": 3}, {"baudrate": 115201}, {"format": "8N2"}, {"wrap": 1 << 20}]
)
def test_other_options_are_another_replay(lab, beans, options):
    assert each(FRAMES, lab / "monday" / "run-0000.jsonl", beans.out, **options).finished_before == 0


def test_the_same_content_under_another_suffix_is_another_replay(lab, tmp_path):
    # Plain bytes, as .bin says; a file named .vcd is read as a dump, and is none.
    loaded = load_bytes(lab / "monday" / "run-0000.jsonl", Link.load(FRAMES).line)
    (tmp_path / "night.bin").write_bytes(loaded.data.astype("uint8").tobytes())
    assert len(each(FRAMES, tmp_path / "night.bin", tmp_path / "out").done) == 1
    (tmp_path / "night.bin").rename(tmp_path / "night.vcd")
    batch = each(FRAMES, tmp_path / "night.vcd", tmp_path / "out")
    assert (batch.finished_before, len(batch.failures)) == (0, 1)


def test_another_version_is_another_replay(lab, beans, monkeypatch):
    monkeypatch.setattr("linkbudget.__version__", "9.9.9")
    assert each(FRAMES, lab / "monday" / "run-0000.jsonl", beans.out).finished_before == 0


@pytest.mark.parametrize("harm", ["cut", "changed", "empty", "other key", "a list", "no tables"])
def test_a_kept_replay_that_is_not_whole_is_not_taken(lab, tmp_path, harm):
    capture = lab / "monday" / "run-0000.jsonl"
    first = each(FRAMES, capture, tmp_path / "out")
    (kept,) = (tmp_path / "out" / "finished").rglob("*.json")
    text = kept.read_text()
    harmed = {
        "cut": text[: len(text) // 2],
        "changed": text.replace('"passes": ', '"passes": 1', 1),
        "empty": "",
        "other key": text.replace(kept.stem, "0" * 64),
        "a list": "[]",
        "no tables": json.dumps({"key": kept.stem}),
    }[harm]
    assert harmed != text
    kept.write_text(harmed)
    again = each(FRAMES, capture, tmp_path / "out")
    assert again.finished_before == 0
    assert rows_of(again) == rows_of(first)
    assert kept.read_text() == text


def test_nothing_half_written_stays_behind(lab, beans):
    assert not [path for path in Path(beans.out).rglob("*") if "unfinished" in path.name]


def test_what_cannot_be_written_whole_leaves_what_was_there(tmp_path):
    path = tmp_path / "kept.json"
    path.write_text("before")

    def write_half():
        with batch_store.written_whole(path) as unfinished:
            unfinished.write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_half()
    assert [one.name for one in tmp_path.iterdir()] == ["kept.json"]
    assert path.read_text() == "before"


def test_a_full_disk_is_told_with_the_file_that_it_has_no_room_for(tmp_path):
    def write():
        with batch_store.written_whole(tmp_path / "replays.parquet"):
            raise OSError(
                errno.ENOSPC, "Error writing bytes to file. Detail: [errno 28]"
            )  # as pyarrow has it

    with pytest.raises(OSError, match="No space left on device") as caught:
        write()
    assert caught.value.filename == str(tmp_path / "replays.parquet")


def test_a_batch_is_taken_up_where_its_main_process_was_killed(lab, beans, tmp_path):
    script = f"""
import os, signal
from linkbudget import replay_each
def stop(done, total):
    if done == 5:
        os.kill(os.getpid(), signal.SIGKILL)
if __name__ == "__main__":
    links, captures = {[str(FRAMES), str(lab / "slow.toml")]}, {[str(lab / "monday"), str(lab / "tuesday")]}
    replay_each(links, captures, {str(tmp_path / "out")!r}, workers=2, phases=2, progress=stop)
"""
    (tmp_path / "script.py").write_text(script)
    # Workers that went on without it would keep standard output open, and this would not return.
    ran = subprocess.run([sys.executable, tmp_path / "script.py"], capture_output=True, timeout=300)
    assert ran.returncode == -9, ran.stderr
    assert not (tmp_path / "out" / "replays.parquet").exists()
    again = each([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], tmp_path / "out")
    assert again.finished_before == 5
    assert rows_of(again) == rows_of(beans)


def test_a_folder_that_holds_other_things_is_refused(lab):
    with pytest.raises(SettingsError, match="monday: holds other things"):
        each(FRAMES, lab / "monday", lab / "monday")
    assert not (lab / "monday" / "finished").exists()


def test_a_capture_that_changes_while_it_is_replayed_is_no_result(lab, tmp_path, monkeypatch):
    path = tmp_path / "growing.jsonl"
    path.write_bytes((lab / "monday" / "run-0000.jsonl").read_bytes())
    real = batch_job.run_job

    def grow(job, stopped):
        with path.open("ab") as file:
            file.write(b'{"t_ns": 2000000000, "hex": "00"}\n')
        return real(job, stopped)

    monkeypatch.setattr("linkbudget.study.batch_running.run_job", grow)
    (row,) = each(FRAMES, path, tmp_path / "out").failures
    assert row["error"] == "changed while it was replayed"
    assert not list((tmp_path / "out" / "finished").rglob("*.json"))


# --- what fails, and what is of another link --------------------------------------------------------------


def test_one_failing_capture_is_reported_and_stops_nothing(lab, tmp_path):
    folder = tmp_path / "captures"
    shutil.copytree(lab / "monday", folder)
    (folder / "empty.vcd").touch()
    (folder / "noise.bin").write_bytes(bytes(range(1, 200)))
    (folder / "torn.vcd").write_text("$timescale 1 ns $end $var wire 1 ! tx $end $enddefinitions $end\n#x\n")
    (folder / "two.csv").write_text("time (us),a,b\n0,1,1\n10,0,0\n20,1,1\n")
    batch = each(FRAMES, folder, tmp_path / "out")
    assert len(batch.done) == 6
    errors = {Path(row["capture"]).name: row["error"] for row in batch.failures}
    assert errors == {
        "empty.vcd": "byte 0: the file is empty; expected a capture",
        "noise.bin": errors["noise.bin"],
        "torn.vcd": errors["torn.vcd"],
        "two.csv": "several channels change; choose one of: a, b",
    }
    assert errors["noise.bin"].startswith("no intact frame in 199 characters")
    assert errors["torn.vcd"].startswith("line 2")
    assert not any("\n" in error for error in errors.values())
    assert all(row["passes"] is None and row["capture_sha256"] for row in batch.failures)


def test_what_failed_is_tried_again(lab, tmp_path):
    path = tmp_path / "run.jsonl"
    path.write_text("")
    assert len(each(FRAMES, path, tmp_path / "out").failures) == 1
    assert len(each(FRAMES, path, tmp_path / "out").failures) == 1
    path.write_bytes((lab / "monday" / "run-0001.jsonl").read_bytes())
    assert len(each(FRAMES, path, tmp_path / "out").done) == 1


def test_a_name_in_a_list_that_is_not_there_fails_alone(lab, tmp_path):
    found = find_captures(lab / "monday", listed=[str(tmp_path / "gone.vcd")])
    batch = each(FRAMES, found, tmp_path / "out")
    assert [row["error"] for row in batch.failures] == ["cannot be read: No such file or directory"]
    assert len(batch.done) == 6


def test_traffic_of_no_link_is_a_failure(tmp_path):
    (row,) = each(TEXT, SHIPPED[1], tmp_path / "out").failures
    assert "is a message of the link; is this the link's traffic?" in row["error"]


def test_a_wrong_rate_is_refused_as_by_replay(tmp_path):
    (row,) = each(FRAMES, SHIPPED[1], tmp_path / "out", baudrate=57600).failures
    assert "the capture suggests" in row["error"]


def test_a_fault_of_ours_is_told_as_such_and_stops_nothing(lab, tmp_path, monkeypatch):
    def fail(*given, **more):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(batch_job, "open_bytes", fail)
    batch = each(FRAMES, lab / "monday", tmp_path / "out")
    assert batch.faults_of_ours == len(batch.failures) == 6
    assert batch.failures[0]["error"] == (
        "a fault of ours, not of your input: ZeroDivisionError: division by zero"
    )


def test_an_executor_of_anybody_will_do(lab, beans, tmp_path, recwarn):
    with ThreadPoolExecutor(2) as pool:
        batch = each(
            [FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], tmp_path / "out", executor=pool
        )
        assert pool.submit(int).result() == 0  # it was left open
    assert rows_of(batch) == rows_of(beans)


@pytest.mark.parametrize(
    ("there", "told"),
    [
        (b"{}\n", "a worker found another content in it"),
        (None, "a worker cannot read it: No such file or directory"),
    ],
)
def test_a_worker_that_has_another_file_of_that_name_gives_no_result(lab, tmp_path, there, told):
    path = tmp_path / "run.jsonl"
    path.write_bytes((lab / "monday" / "run-0000.jsonl").read_bytes())

    class ElsewhereExecutor(ThreadPoolExecutor):
        def submit(self, call, job):
            here = path.read_bytes()
            path.unlink() if there is None else path.write_bytes(there)
            done = super().submit(call, job)
            done.result()
            path.write_bytes(here)
            os.utime(path, ns=stamp)
            return done

    stamp = (path.stat().st_atime_ns, path.stat().st_mtime_ns)
    with ElsewhereExecutor(1) as pool:
        (row,) = each(FRAMES, path, tmp_path / "out", executor=pool).failures
    assert row["error"] == f"{told}; workers read captures under the names they have here"
    assert not list((tmp_path / "out" / "finished").rglob("*.json"))


def test_the_same_content_under_two_names_is_replayed_once(lab, tmp_path, monkeypatch):
    folder = tmp_path / "captures"
    folder.mkdir()
    for name in ("first.jsonl", "second.jsonl"):
        shutil.copy(lab / "monday" / "run-0000.jsonl", folder / name)
    jobs = []
    real = batch_job.run_job
    monkeypatch.setattr(
        "linkbudget.study.batch_running.run_job", lambda job, stopped: jobs.append(job) or real(job, stopped)
    )
    batch = each(FRAMES, folder, tmp_path / "out")
    assert len(jobs) == 1
    assert [Path(row["capture"]).name for row in batch.done] == ["first.jsonl", "second.jsonl"]


def test_a_stopped_batch_keeps_what_is_finished(lab, beans, tmp_path):
    done = []
    first = each(
        *([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], tmp_path / "out"),
        progress=lambda count, total: done.append((count, total)),
        stopped=lambda: done[-1][0] >= 7,
    )
    assert (first.partial, first.undone, len(first.replays)) == (True, 17, 7)
    assert done == [(count, 24) for count in range(8)]
    assert pyarrow.parquet.read_table(tmp_path / "out" / "replays.parquet").num_rows == 7
    again = each([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], tmp_path / "out")
    assert again.finished_before == 7
    assert rows_of(again) == rows_of(beans)


def test_a_batch_is_stopped_also_where_all_is_finished(lab, beans):
    asked = []
    batch = each(
        *([FRAMES, lab / "slow.toml"], [lab / "monday", lab / "tuesday"], beans.out),
        stopped=lambda: len(asked) > 3 or bool(asked.append(0)),
    )
    assert batch.partial
    assert 0 < batch.finished_before < 24


def test_what_was_not_done_says_nothing_of_a_link(lab, tmp_path):
    batch = each([FRAMES, TEXT], lab / "monday", tmp_path / "out", stopped=lambda: True)
    assert (batch.undone, batch.unused_links) == (12, ())
    assert each([FRAMES, TEXT], lab / "monday", tmp_path / "out").unused_links == (TEXT.as_posix(),)


# --- what links and captures are named by -----------------------------------------------------------------


def test_faults_of_all_links_and_options_are_told_at_once(lab, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[line]\nbaudrate = -1\n")
    with pytest.raises(SettingsError) as caught:
        each([bad, tmp_path / "none.toml"], lab / "monday", tmp_path / "out")
    assert {"bad.toml", "none.toml"} <= {
        Path(str(fault.file or fault.value)).name for fault in caught.value.faults
    }
    with pytest.raises(SettingsError, match="did you mean 'channel'"):
        each(FRAMES, lab / "monday", tmp_path / "out", chanel="tx")
    with pytest.raises(SettingsError, match="phases"):
        each(FRAMES, lab / "monday", tmp_path / "out", phases=-1)
    assert not (tmp_path / "out").exists()


def test_links_may_be_given_by_name(lab, tmp_path):
    link = Link.load(FRAMES)
    links = {"as it is": link, "twice the work": link.replace(**{"loop.work_us": 3000})}
    batch = each(links, lab / "monday" / "run-0000.jsonl", tmp_path / "out")
    assert [(row["link"], row["longest_pass_us"]) for row in batch.replays] == [
        ("as it is", 1703.0),
        ("twice the work", 3203.0),
    ]


def test_a_folder_is_gone_through_and_nothing_is_lost_silently(lab, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = Path("recordings")
    shutil.copytree(lab / "monday", folder / "monday")
    shutil.copytree(lab / "tuesday", folder / "tuesday")
    (folder / "README.md").write_text("1,2\n3,4\n")
    (folder / "notes.txt").write_text("Flap b was stiff today.\n")
    (folder / "table.txt").write_text("0.0,1\n0.1,0\n0.2,1\n")
    (folder / "run.sidecar.toml").touch()
    (folder / ".hidden").mkdir()
    (folder / "link").symlink_to(lab / "monday", target_is_directory=True)
    each(FRAMES, folder / "monday", folder / "results")
    found = find_captures([folder, "recordings/monday/run-0000.jsonl"], results=batch_store.is_store)
    assert len(found.captures) == 13
    assert {Path(path).name for path in found.captures if "day" not in path} == {"table.txt"}
    assert {one.path: one.why for one in found.passed_over} == {
        "recordings/README.md": finding.DOCUMENT,
        "recordings/notes.txt": finding.UNKNOWN,
        "recordings/run.sidecar.toml": finding.SETTINGS,
        "recordings/.hidden": finding.HIDDEN,
        "recordings/link": finding.LINKED,
        "recordings/results": finding.OURS,
        "recordings/monday/run-0000.jsonl": finding.TWICE,
    }


def test_links_in_circles_are_not_followed_by_patterns(tmp_path, monkeypatch):
    # Two of them: that of glob.glob does not come back within hours.
    for name in ("a", "b", ".c", "out/finished"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "run.vcd").touch()
    (tmp_path / "run.vcd").touch()
    for name in ("a", "b"):
        (tmp_path / name / "top").symlink_to(tmp_path, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    for pattern in ("**/*.vcd", "**", "**/**/run.vcd", f"{tmp_path}/**/*.vcd"):
        found = find_captures(pattern, results=batch_store.is_store)
        names = [os.path.relpath(path) for path in found.captures]
        assert sorted(names) == ["a/run.vcd", "b/run.vcd", "run.vcd"], pattern
        assert {os.path.relpath(one.path): one.why for one in found.passed_over} == {
            ".c": finding.HIDDEN,
            "a/top": finding.LINKED,
            "b/top": finding.LINKED,
            "out": finding.OURS,
        }, pattern
    assert find_captures("a/**/*.vcd").captures == ("a/run.vcd",)


def test_pipes_are_not_waited_for(lab, tmp_path):
    os.mkfifo(tmp_path / "pipe.vcd")
    assert [one.why for one in find_captures(tmp_path).passed_over] == [finding.SPECIAL]
    assert [one.why for one in find_captures(f"{tmp_path}/*").passed_over] == [finding.SPECIAL]
    with pytest.raises(SettingsError, match=r"pipe.vcd: is a pipe or a device"):
        find_captures(tmp_path / "pipe.vcd")
    listed = find_captures(lab / "monday" / "run-0000.jsonl", listed=[str(tmp_path / "pipe.vcd")])
    (row,) = each(FRAMES, listed, tmp_path / "out").failures
    assert row["error"].startswith("cannot be read: a pipe or a device")


def test_a_link_to_nowhere_that_a_pattern_matches_is_not_lost(tmp_path):
    (tmp_path / "gone.vcd").symlink_to(tmp_path / "nowhere")
    assert find_captures(f"{tmp_path}/*").captures == ((tmp_path / "gone.vcd").as_posix(),)


def test_a_folder_that_cannot_be_read_fails_and_is_not_passed_over(lab, tmp_path, monkeypatch):
    shutil.copytree(lab / "monday", tmp_path / "lab" / "monday")
    shut = tmp_path / "lab" / "shut"
    shut.mkdir()
    real = os.scandir

    def scandir(path):  # chmod would not do: whoever runs as root may read everything
        if Path(path) == shut:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    batch = each(FRAMES, tmp_path / "lab", tmp_path / "out")
    assert len(batch.done) == 6
    assert [row["capture"] for row in batch.failures] == [shut.as_posix()]
    assert batch.failures[0]["error"].startswith("cannot be read: ")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse names that are no text")
def test_names_that_are_no_text_are_escaped(lab, tmp_path):
    folder = tmp_path / "captures"
    folder.mkdir()
    content = (lab / "monday" / "run-0000.jsonl").read_bytes()
    for name, data in ((b"caf\xe9.jsonl", content), (b"two\nlines.jsonl", content), (b"no\n\xe9.vcd", b"x")):
        Path(os.fsdecode(os.fsencode(folder) + b"/" + name)).write_bytes(data)
    (folder / os.fsdecode(b"\xe9.txt")).write_text("notes\n")
    batch = each(FRAMES, folder, tmp_path / "out")
    assert sorted(Path(row["capture"]).name for row in batch.done) == [
        "caf\\udce9.jsonl",
        "two\\nlines.jsonl",
    ]
    assert {Path(path).name for path in batch.captures} == {
        Path(row["capture"]).name for row in batch.replays
    }
    (failed,) = batch.failures
    assert Path(failed["capture"]).name == "no\\n\\udce9.vcd"
    assert failed["error"].startswith("line 1: ")
    assert [Path(one.path).name for one in batch.passed_over] == ["\\udce9.txt"]


def test_patterns_and_names_that_stand_for_nothing(lab, tmp_path, monkeypatch):
    monkeypatch.chdir(lab)
    assert len(find_captures("*day/run-000[0-2].jsonl").captures) == 6
    assert len(find_captures("**/*.jsonl").captures) == 12
    with pytest.raises(SettingsError) as caught:
        find_captures(["nothing*.vcd", "gone.vcd", tmp_path])
    assert [fault.problem for fault in caught.value.faults] == [
        "nothing*.vcd: matches no file",
        "gone.vcd: there is no such file",
        f"{tmp_path}: the folder is empty",
    ]


def test_a_named_file_is_taken_whatever_it_is_called(tmp_path):
    (tmp_path / "night.cap").write_bytes(b"beans\n")
    assert find_captures(tmp_path / "night.cap").captures == ((tmp_path / "night.cap").as_posix(),)
    assert find_captures(tmp_path).captures == ()


def test_without_captures_it_is_said_what_there_was(tmp_path):
    (tmp_path / "beans.toml").touch()
    with pytest.raises(SettingsError, match="there is no capture; passed over: 1 a settings file"):
        each(FRAMES, tmp_path, tmp_path / "out")


def test_without_pyarrow_one_line_says_what_is_missing(lab, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(SettingsError, match=r"pyarrow is not installed.*pip install 'linkbudget.arrow.'"):
        each(FRAMES, lab / "monday", tmp_path / "out")


def test_marked_recordings_are_read_beside_their_marks(tmp_path):
    # The other channel is the line, as `replay` finds by itself.
    link = Link.load(FRAMES).replace(**{"markers.channel": "pin", "markers.meaning": "pass-end"})
    text = SHIPPED[1].read_text()
    marked = text.replace("$upscope", "$var wire 1 % pin $end\n$upscope", 1).replace("#0\n", "#0\n1%\n", 1)
    path = tmp_path / "marked.vcd"
    path.write_text(marked + "".join(f"#{40_000_000 + at}\n{at % 2}%\n" for at in range(1, 5)))
    batch = each({"marked": link}, path, tmp_path / "out")
    assert [row["missed_deadlines"] for row in batch.done] == [0], batch.failures
    assert "does not hold the passes marked" in batch.warnings[0]


def test_cpu_count_is_that_which_the_process_may_use():
    from linkbudget.study.batch import available_cpus

    assert 1 <= available_cpus() <= (os.cpu_count() or 1)
