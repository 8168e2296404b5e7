"""Files of traces: what a person sees in them, and how a damaged one is refused."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from sequencer.ports.orders import AxisOrder, Orders
from sequencer.ports.readings import AxisReading, Readings
from sequencer.trace import (
    Header,
    Measured,
    Ordered,
    PartsRead,
    Row,
    Trace,
    TraceError,
    TraceEvent,
    TraceFile,
    read_trace,
    write_csv,
)

HEADER = Header(
    "lantern hand",
    "ab12",
    20_000_000,
    (("lift", "linear"), ("wrist", "rotary")),
    (("piece", ""), ("range_to_hook", "m")),
    (("lamp", ""),),
    ("saturday.yaml",),
    (("hang", "cd34"),),
    (("hang", "behind", "raise", "seen by two"),),
)


def rows(count: int) -> tuple[Row, ...]:
    return tuple(
        Row(
            tick,
            1_000_000_000 + 20_000_000 * tick,
            True,
            (Measured(0.1 * tick, 0.5, 3.0), None),
            (Ordered("track", 0.1 * tick, 0.5), Ordered("off")),
            (("lantern", 0), (None, 5)),
            ("dark",),
            12.4,
            (("request", "hang", {"spot": "ridge"}),) if tick == 0 else (),
            (TraceEvent(tick, 0, "start", "hang", "raise", 'says "up", then\nstays', (("lift", 0.25),)),)
            if tick == 0
            else (),
        )
        for tick in range(count)
    )


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "session.csv"
    write_csv(path, Trace(HEADER, rows(3)))
    return path


def change(path: Path, old: str, new: str) -> None:
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())


def test_the_headings_carry_the_units(written: Path) -> None:
    with written.open(newline="") as file:
        headings = next(csv.reader(file))
    assert headings[:9] == [
        "tick",
        "time [ns]",
        "enabled",
        "lift.measured [m]",
        "lift.speed [m/s]",
        "lift.current [A]",
        "lift.zeroed",
        "lift.age [ns]",
        "lift.fault",
    ]
    assert "wrist.ordered_acceleration [rad/s2]" in headings
    assert headings[-6:] == ["lamp", "battery [V]", "parts [JSON]", "requests [JSON]", "events [JSON]", "about [JSON]"]


def test_every_line_is_one_tick_even_with_line_breaks_in_texts(written: Path) -> None:
    assert len(written.read_text().splitlines()) == 4


def test_only_the_first_line_says_what_the_trace_is_of(written: Path) -> None:
    with written.open(newline="") as file:
        about = [line[-1] for line in csv.reader(file)]
    assert [bool(cell) for cell in about] == [True, True, False, False]


def test_a_trace_without_a_tick_still_says_what_it_is_of(tmp_path: Path) -> None:
    write_csv(tmp_path / "empty.csv", Trace(HEADER))
    assert read_trace(tmp_path / "empty.csv") == Trace(HEADER)


def test_the_same_trace_is_the_same_file(tmp_path: Path, written: Path) -> None:
    write_csv(tmp_path / "again.csv", read_trace(written))
    assert (tmp_path / "again.csv").read_bytes() == written.read_bytes()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("tick,", "tack,", ":1: a trace begins with the heading 'tick', found 'tack'"),
        (
            "lift.speed [m/s]",
            "lift.speed [mm/s]",
            ":1: column 5 is headed 'lift.speed [mm/s]', where 'lift.speed [m/s]' belongs; "
            "the columns of a trace are not rearranged",
        ),
        ("1,1020000000,true", "1,1020000000,yes", ":3: column 'enabled' has 'yes', which is not true or false"),
        (
            "1,1020000000,true",
            "1,1020000000.5,true",
            ":3: column 'time [ns]' has '1020000000.5', which is not a whole number",
        ),
        (
            "1,1020000000,true",
            "1,1000000000,true",
            ":3: tick 1 at 1000000000 ns does not come after tick 0 at 1000000000 ns",
        ),
        ("1,1020000000,true,", "1,1020000000,true,,", ":3: 38 cells, where the headings have 37"),
        (
            "1,1020000000,true,0.1",
            '1,1020000000,true,"0,1"',
            ":3: column 'lift.measured [m]' has '0,1', which is not a number",
        ),
        (
            '""version"":2',
            '""version"":7',
            ":2: the trace has format 7, and this stepgraph reads up to 2; update stepgraph",
        ),
        (
            '""machine"":',
            '""engine"":',
            ":2: the last cell must say what the trace is of, as JSON: 'machine' is missing",
        ),
    ],
)
def test_a_damaged_line_is_named(written: Path, old: str, new: str, message: str) -> None:
    change(written, old, new)
    with pytest.raises(TraceError) as caught:
        read_trace(written)
    assert str(caught.value) == f"{written}{message}"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            '[[""lift"",0.25]]',
            '{""ab"":1}',
            "the events cannot be read: the values of an event are names with plain values",
        ),
        (
            '[[""lift"",0.25]]',
            '[[""lift"",[1]]]',
            "the events cannot be read: the values of an event are names with plain values",
        ),
        ('[[0,0,""start""', '[[0.5,0,""start""', "the events cannot be read: an event is tick, time and four texts"),
        ('[[""request""', '[7,[""request""', "the requests cannot be read: a list of lists was expected"),
        ('[""saturday.yaml""]', '""saturday.yaml""', "as JSON: the overlays must be a list of texts"),
        ('""axes"":[[""lift"",', '""axes"":[[""lift"",""odd"",', "as JSON: lists of 2 texts were expected"),
        (
            '""labels"":[]',
            '""labels"":[[1,""perhaps""]]',
            "labels are lists of a run's number and made or missed",
        ),
        ('""sensors"":[[""piece"",""""],', '""sensors"":[[""piece"",7],', "as JSON: names must be texts"),
    ],
)
def test_json_of_another_shape_is_refused(written: Path, old: str, new: str, message: str) -> None:
    change(written, old, new)
    with pytest.raises(TraceError) as caught:
        read_trace(written)
    assert str(caught.value).startswith(f"{written}:2: ")
    assert message in str(caught.value)


@pytest.mark.parametrize("parts", ['{""lift"":1}', '[[""lift"",[1,""a""],[]]]', "[[7,[],[]]]", "[" * 4000])
def test_parts_of_another_shape_are_refused(tmp_path: Path, parts: str) -> None:
    path = tmp_path / "session.csv"
    row = rows(1)[0]._replace(parts=(PartsRead("lift", (0.1,), (2.5,)),))
    write_csv(path, Trace(HEADER, (row,)))
    change(path, '[[""lift"",[0.1],[2.5]]]', parts)
    with pytest.raises(TraceError, match=r"session\.csv:2: the parts cannot be read"):
        read_trace(path)


def test_a_trace_of_format_1_is_read_and_written_as_it_was(tmp_path: Path) -> None:
    """Format 1 had neither parts nor labels; what robots recorded before is still read."""
    old = replace(HEADER, version=1)
    write_csv(tmp_path / "old.csv", Trace(old, rows(3)))
    text = (tmp_path / "old.csv").read_text()
    assert "parts [JSON]" not in text
    assert "labels" not in text
    found = read_trace(tmp_path / "old.csv")
    assert found == Trace(old, rows(3))
    write_csv(tmp_path / "again.csv", found)
    assert (tmp_path / "again.csv").read_text() == text


def test_a_line_or_a_cell_longer_than_any_tick_is_refused(written: Path) -> None:
    text = written.read_text()
    written.write_text(text.replace("0.1,", "0." + "1" * 140_000 + ",", 1))
    with pytest.raises(TraceError, match="cannot be split into cells: field larger than field limit"):
        read_trace(written)
    written.write_text(text.replace("0.1,", "," * (1 << 22), 1))
    with pytest.raises(TraceError, match="cannot be split into cells: a line has more than 4194304 characters"):
        read_trace(written)


@pytest.mark.parametrize("cell", ["\0", "1_000", " 1", "1 ", "0x1F", "1e400", "٣", "1;2", "__import__('os')"])
def test_a_cell_that_is_nearly_a_number_is_none(written: Path, cell: str) -> None:
    change(written, "1,1020000000,true,0.1,", f"1,1020000000,true,{cell},")
    if cell == "1e400":
        found = read_trace(written).rows[1].measured[0]
        assert found is not None
        assert found.position == float("inf")
        return
    with pytest.raises(TraceError, match=r"column 'lift\.measured \[m\]' has .* which is not a number"):
        read_trace(written)


def test_columns_separated_otherwise_are_explained(written: Path) -> None:
    written.write_text(written.read_text().replace(",", ";"))
    with pytest.raises(TraceError, match="it was saved with ';' between the columns, save it with ','"):
        read_trace(written)


def test_a_cut_end_is_refused_unless_allowed(written: Path) -> None:
    content = written.read_bytes()
    written.write_bytes(content[:-20])
    with pytest.raises(TraceError, match=r"csv:4: the last line is cut off; read it with cut_end=True"):
        read_trace(written)
    assert read_trace(written, cut_end=True).rows == rows(2)


@pytest.mark.parametrize("content", [b"", b"\n", b"\xff\xfe\x00", b"tick\n", b'tick\n"', b"tick\n\n"])
def test_what_is_no_trace_is_refused_with_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "other.csv"
    path.write_bytes(content)
    with pytest.raises(TraceError, match=r"other\.csv:"):
        read_trace(path)


def test_a_missing_file_and_another_ending_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(TraceError, match="there is no such file"):
        read_trace(tmp_path / "none.csv")
    with pytest.raises(
        TraceError, match=r"traces are read from \.csv, \.parquet and \.mcap files, and this is '\.txt'"
    ):
        read_trace(tmp_path / "none.txt")


def test_a_trace_file_keeps_what_was_flushed(tmp_path: Path) -> None:
    machine = {"name": "m", "period": 20_000_000, "axes": [{"name": "lift", "kind": "linear"}], "hash": "ab"}
    path = tmp_path / "live.csv"
    with TraceFile(path, machine) as recorder:
        for tick in range(2):
            recorder.record(
                Readings(tick * 20_000_000, True, {"lift": AxisReading(0.1)}),
                Orders(tick * 20_000_000, {"lift": AxisOrder("hold", 0.1)}, {}),
            )
            recorder.flush()
        assert len(read_trace(path).rows) == 2
    recorder.close()
    with pytest.raises(FileExistsError):
        TraceFile(path, machine)
    with TraceFile(tmp_path / "unused.csv", machine):
        pass
    assert read_trace(tmp_path / "unused.csv").rows == ()
