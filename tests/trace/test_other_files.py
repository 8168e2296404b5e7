"""Traces as Parquet and MCAP files: read back exactly, and refused in a sentence where they are none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sequencer.trace import (
    Header,
    Measured,
    Ordered,
    PartsRead,
    Row,
    Trace,
    TraceError,
    TraceEvent,
    read_trace,
    relabel,
    write_trace,
)

pytest.importorskip("pyarrow", reason="the extra 'logs' is not installed")
pytest.importorskip("mcap", reason="the extra 'logs' is not installed")

DEMO = Path(__file__).parents[2] / "demos/lantern/logs"
ENDINGS = pytest.mark.parametrize("ending", ["parquet", "mcap"])
HEADER = Header("m", "ab", 20_000_000, (("lift", "linear"),), (("piece", ""), ("gap", "m")), (("lamp", ""),))


def odd() -> Trace:
    """Values of several kinds in one column, numbers at the edges of floats and beyond 64 bits, words like values."""
    rows = (
        Row(0, -5, True, (None,), (None,), (("true", 0), None), ("dark",), None),
        Row(
            1,
            7,
            False,
            (Measured(0.1, -0.0, 5e-324, False, 3, 'a "b"'),),
            (Ordered("track", 1, 2.5),),
            ((True, 1), (0.5, 0)),
            (1.5,),
            float("inf"),
            (("request", "hang", {"spot": "ridge"}),),
            (TraceEvent(1, 7, "note", text="x"),),
            (PartsRead("lift", (0.1, None), (1,)),),
        ),
        Row(2, 10**30, True, (Measured(10**25, 1.0),), (Ordered("off"),), ((None, 2), (1, 0)), (None,), 12.5),
    )
    return Trace(HEADER, rows)


@ENDINGS
def test_a_trace_is_read_back_exactly(ending: str, tmp_path: Path) -> None:
    traces = [odd(), Trace(HEADER), read_trace(DEMO / "attempts_1.csv")]
    if ending == "mcap":
        # Times of that container are whole numbers of 64 bits without a sign; ours within it stay as they are.
        rows = (*odd().rows[:2], odd().rows[2]._replace(now_ns=10**15))
        traces[0] = Trace(HEADER, rows)
    for trace in traces:
        write_trace(tmp_path / f"t.{ending}", trace)
        found = read_trace(tmp_path / f"t.{ending}")
        assert found == trace
        assert repr(found.rows[:50]) == repr(trace.rows[:50])
    assert not list(tmp_path.glob(".*.part"))


@ENDINGS
def test_a_label_is_written_into_it(ending: str, tmp_path: Path) -> None:
    write_trace(tmp_path / f"t.{ending}", read_trace(DEMO / "attempts_1.csv"))
    relabel(tmp_path / f"t.{ending}", {1: "made"})
    assert read_trace(tmp_path / f"t.{ending}").runs()[0].label == "made"


def test_any_data_frame_library_sees_typed_columns(tmp_path: Path) -> None:
    import pyarrow.parquet

    write_trace(tmp_path / "t.parquet", read_trace(DEMO / "attempts_1.csv"))
    table = pyarrow.parquet.read_table(tmp_path / "t.parquet")
    assert str(table.schema.field("lift.measured [m]").type) == "double"
    assert str(table.schema.field("time [ns]").type) == "int64"
    assert str(table.schema.field("enabled").type) == "bool"


@ENDINGS
@pytest.mark.parametrize("content", [b"", b"PAR1", b"\x89MCAP0\r\n", b"tick,time\n", bytes(range(256)) * 40])
def test_what_is_no_trace_is_refused_in_a_sentence(ending: str, content: bytes, tmp_path: Path) -> None:
    (tmp_path / f"t.{ending}").write_bytes(content)
    with pytest.raises(TraceError, match=rf"t\.{ending}: cannot be read as"):
        read_trace(tmp_path / f"t.{ending}")


@ENDINGS
def test_a_damaged_file_is_refused_or_read_but_never_breaks_the_reader(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"t.{ending}"
    write_trace(path, odd() if ending == "parquet" else Trace(HEADER, odd().rows[:2]))
    whole = path.read_bytes()
    refused = 0
    for place in range(0, len(whole), 7):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0x5A]) + whole[place + 1 :])
        try:
            read_trace(path)
        except TraceError:
            refused += 1
    assert refused > 10


def test_other_files_of_these_kinds_are_told_to_be_no_traces(tmp_path: Path) -> None:
    import pyarrow
    import pyarrow.parquet
    from mcap.writer import Writer

    pyarrow.parquet.write_table(pyarrow.table({"a": [1]}), tmp_path / "t.parquet")
    with pytest.raises(TraceError, match="a Parquet file, but no trace"):
        read_trace(tmp_path / "t.parquet")
    with (tmp_path / "t.mcap").open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.finish()
    with pytest.raises(TraceError, match="an MCAP file, but no trace"):
        read_trace(tmp_path / "t.mcap")
    with pytest.raises(TraceError, match="there is no such file"):
        read_trace(tmp_path / "lost.parquet")


def test_what_unpacks_to_too_much_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trace = read_trace(DEMO / "attempts_1.csv")
    for ending in ("parquet", "mcap"):
        write_trace(tmp_path / f"t.{ending}", trace)
        monkeypatch.setattr(f"sequencer.trace.{ending}_file.MOST_BYTES", 20_000)
        with pytest.raises(TraceError, match="it unpacks to"):
            read_trace(tmp_path / f"t.{ending}")
    assert json.dumps("") == '""'
