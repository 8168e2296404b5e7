"""The law of trace files: what is written is read back, to the last bit."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

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
    write_csv,
)

_numbers = st.one_of(st.floats(), st.integers(-(10**30), 10**30))
_optional_numbers = st.one_of(st.none(), _numbers)
_texts = st.text(max_size=12)
_values = st.one_of(st.none(), st.booleans(), _numbers, _texts)
_ages = st.integers(0, 10**12)
_measured = st.one_of(
    st.none(),
    st.builds(
        Measured,
        _optional_numbers,
        _optional_numbers,
        _optional_numbers,
        st.booleans(),
        _ages,
        st.one_of(st.none(), _texts),
    ),
)
_ordered = st.one_of(
    st.none(),
    st.builds(Ordered, st.sampled_from(["track", "effort", "hold", "brake", "off"]), *[_numbers] * 5),
)
_plain = st.recursive(
    st.one_of(st.none(), st.booleans(), _numbers, _texts),
    lambda inner: st.one_of(st.lists(inner, max_size=3).map(tuple), st.dictionaries(_texts, inner, max_size=2)),
    max_leaves=5,
)
_requests = st.lists(st.builds(lambda name, rest: (name, *rest), _texts, st.lists(_plain, max_size=3)), max_size=2).map(
    tuple
)
_events = st.lists(
    st.builds(
        TraceEvent,
        st.integers(0, 10**6),
        st.integers(0, 10**15),
        _texts,
        _texts,
        _texts,
        _texts,
        st.lists(st.tuples(_texts, _values), max_size=3).map(tuple),
    ),
    max_size=2,
).map(tuple)
_several = st.lists(_optional_numbers, max_size=3).map(tuple)
_parts = st.lists(st.builds(PartsRead, _texts, _several, _several), max_size=2).map(tuple)
_labels = st.lists(st.tuples(st.integers(1, 99), st.sampled_from(["made", "missed"])), max_size=2).map(tuple)
_names = st.lists(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=6), max_size=2, unique=True)


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    header = Header(
        draw(_texts),
        draw(_texts),
        draw(st.integers(1, 10**9)),
        tuple((name, draw(st.sampled_from(["linear", "rotary", "spin"]))) for name in draw(_names)),
        tuple((name, draw(st.sampled_from(["", "m", "rad"]))) for name in draw(_names)),
        tuple((name, "") for name in draw(_names)),
        tuple(draw(st.lists(_texts, max_size=2))),
        tuple(draw(st.lists(st.tuples(_texts, _texts), max_size=2))),
        tuple(draw(st.lists(st.tuples(_texts, _texts, _texts, _texts), max_size=1))),
        draw(_labels),
        draw(_texts),
    )
    rows = []
    tick = now = 0
    for _ in range(draw(st.integers(0, 3))):
        tick += draw(st.integers(1, 5))
        now += draw(st.integers(1, 10**10))
        rows.append(
            Row(
                tick,
                now,
                draw(st.booleans()),
                tuple(draw(_measured) for _ in header.axes),
                tuple(draw(_ordered) for _ in header.axes),
                tuple(draw(st.one_of(st.none(), st.tuples(_values, _ages))) for _ in header.sensors),
                tuple(draw(_values) for _ in header.outputs),
                draw(_optional_numbers),
                draw(_requests),
                draw(_events),
                draw(_parts),
            )
        )
    return Trace(header, tuple(rows))


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(trace=traces())
def test_a_written_trace_is_read_back_exactly(trace: Trace, tmp_path: Path) -> None:
    path = tmp_path / "session.csv"
    write_csv(path, trace)
    found = read_trace(path)
    assert found.header == trace.header
    assert _exactly(found.rows) == _exactly(trace.rows)
    assert not list(tmp_path.glob(".*.part"))


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(trace=traces(), data=st.data())
def test_a_damaged_file_is_read_or_refused_but_never_breaks_the_reader(
    trace: Trace, data: st.DataObject, tmp_path: Path
) -> None:
    path = tmp_path / "session.csv"
    write_csv(path, trace)
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(content) - 1))
        content[place : place + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    path.write_bytes(bytes(content))
    try:
        read_trace(path, cut_end=data.draw(st.booleans()))
    except TraceError as error:
        assert str(error).startswith(f"{path}:")  # noqa: PT017 that it does not raise is as good


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=traces(), data=st.data())
def test_many_rows_are_read_as_exactly_as_few(first: Trace, data: st.DataObject, tmp_path: Path) -> None:
    """Blocks of lines are read column by column; whatever is odd in one of them must come back all the same."""
    if not first.rows:
        return
    count = data.draw(st.sampled_from([40, 1023, 1024, 1025]))
    plain = first.rows[0]
    rows = [plain._replace(tick=plain.tick + n, now_ns=plain.now_ns + n, battery=12.0 + n / 7) for n in range(count)]
    for odd in first.rows:
        place = data.draw(st.integers(0, count - 1))
        rows[place] = odd._replace(tick=rows[place].tick, now_ns=rows[place].now_ns)
    path = tmp_path / "long.csv"
    write_csv(path, Trace(first.header, tuple(rows)))
    assert _exactly(read_trace(path).rows) == _exactly(tuple(rows))


@pytest.mark.parametrize("value", [0.1, -0.0, 5e-324, 1.7976931348623157e308, math.pi, 1e22, 1e16])
def test_a_number_keeps_every_bit(value: float, tmp_path: Path) -> None:
    header = Header("m", "", 20_000_000, (), (("gauge", "m"),))
    write_csv(tmp_path / "t.csv", Trace(header, (Row(0, 0, True, (), (), ((value, 0),), (), None),)))
    found = read_trace(tmp_path / "t.csv").rows[0].sensors[0]
    assert found is not None
    assert isinstance(found[0], float)
    assert found[0].hex() == value.hex()


def _exactly(value: Any) -> Any:
    """Floats by their bits (so that nan is itself and -0.0 is not 0.0), everything else with its type."""
    if isinstance(value, float):
        return ("nan",) if math.isnan(value) else (value.hex(),)
    if isinstance(value, tuple):
        return tuple(_exactly(item) for item in value)
    if isinstance(value, dict):
        return {key: _exactly(item) for key, item in value.items()}
    return (type(value).__name__, value)
