"""Every kind of fault that logs for tuning have: made in a log that is otherwise good, found, named, mended or refused.

The kinds were collected from public reports on other programs; each test is named after its number in the list of
`sequencer.logs.remark`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sequencer import load_machine
from sequencer.files import FileErrors
from sequencer.logs import Log, LogRefused, Remark, columns, load_mapping, read_log
from sequencer.logs.remark import FAULTS
from sequencer.trace import TraceError

MACHINE = """\
machine: bench
axes:
  lift:
    {kind: linear, travel: [0 m, 1.2 m], limits: {velocity: 2 m/s, acceleration: 9 m/s2}, tolerance: {position: 8 mm}}
  arm:
    kind: rotary
    travel: [-90 deg, 90 deg]
    limits: {velocity: 400 deg/s, acceleration: 4000 deg/s2}
    tolerance: {position: 2 deg}
"""
MAPPING = """\
log: bench
time: {column: t, unit: ms}
columns:
  lift.measured: {column: height, unit: mm}
  lift.ordered: {column: wanted, unit: mm}
  lift.speed: {column: rate, unit: mm/s}
  lift.volts: {column: drive, unit: V}
  arm.measured: {column: angle, unit: deg}
  battery: {column: bus, unit: V}
"""
Columns = dict[str, np.ndarray]
ROWS = 500


def good() -> Columns:
    """Ten seconds at 50 Hz of an axis that is moved both ways, fast and slow, with a little noise."""
    chance = np.random.default_rng(3)
    t = np.arange(ROWS) * 0.02
    # An axis that goes and stands and goes the other way, at several speeds.
    speed = 400.0 * np.sin(1.9 * t) * np.sin(0.7 * t) + 120.0 * np.sin(5.3 * t)
    way = 600.0 + np.cumsum(speed) * 0.02 - np.mean(np.cumsum(speed) * 0.02)
    drive = 0.008 * speed + 0.6 * np.sign(speed) + 0.002 * np.gradient(speed, 0.02) + 1.1
    return {
        "t": 1000.0 * t,
        "height": way + chance.normal(0.0, 0.2, ROWS),
        "wanted": way + 3.0,
        "rate": speed + chance.normal(0.0, 1.0, ROWS),
        "drive": drive + chance.normal(0.0, 0.02, ROWS),
        "angle": 40.0 * np.sin(0.9 * t) + chance.normal(0.0, 0.05, ROWS),
        "bus": 12.0 + chance.normal(0.0, 0.05, ROWS),
    }


def as_text(made: Columns) -> str:
    lines = [",".join(made)]
    lines += [",".join(f"{value:.6f}" for value in row) for row in zip(*made.values(), strict=True)]
    return "\n".join(lines) + "\n"


Read = Callable[..., Log]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Reads a log of columns, or of a text, through a mapping on the machine."""

    def reads(made: Columns | str, mapping: str = MAPPING, on: str = MACHINE) -> Log:
        (tmp_path / "machine.yaml").write_text(on)
        (tmp_path / "log.csv").write_text(made if isinstance(made, str) else as_text(made))
        (tmp_path / "map.yaml").write_text(mapping)
        machine = load_machine(tmp_path / "machine.yaml")
        return read_log(tmp_path / "log.csv", load_mapping(tmp_path / "map.yaml"), machine)

    return reads


def only(log: Log, fault: str) -> Remark:
    """The one remark of the log, which must be of that fault."""
    (remark,) = log.remarks
    assert remark.fault == fault
    return remark


def refusal(read: Read, made: Columns | str, fault: str, mapping: str = MAPPING) -> Remark:
    with pytest.raises(LogRefused) as caught:
        read(made, mapping)
    found = [remark for remark in caught.value.remarks if remark.fault == fault]
    assert found, caught.value.remarks
    return found[0]


def without(made: Columns, rows: object) -> Columns:
    return {name: np.delete(values, rows) for name, values in made.items()}  # type: ignore[call-overload]


def test_a_good_log_has_nothing_to_remark_and_is_read_in_si(read: Read) -> None:
    log = read(good())
    assert log.remarks == ()
    trace = log.trace
    assert (trace.header.axes, trace.header.period) == ((("lift", "linear"), ("arm", "rotary")), 20_000_000)
    measured = trace.series("lift.measured")
    assert measured.values[100] == pytest.approx(good()["height"][100] / 1000.0, abs=1e-9)
    assert measured.times[100] == pytest.approx(2.0)
    assert trace.series("arm").values[7] == pytest.approx(np.radians(good()["angle"][7]), abs=1e-8)
    assert trace.series("lift.volts").values[3] == pytest.approx(good()["drive"][3], abs=1e-6)
    assert trace.rows[0].battery == pytest.approx(12.0, abs=0.3)


def test_every_kind_of_fault_has_its_test() -> None:
    named = {name[5:8].upper() for name in globals() if name.startswith("test_f")}
    assert named == set(FAULTS)


def test_f01_irregular_sampling_is_told_and_each_stamp_is_used_as_it_is(read: Read) -> None:
    made = good()
    made["t"] += np.random.default_rng(1).uniform(-6.0, 6.0, ROWS)
    log = read(made)
    remark = next(remark for remark in log.remarks if remark.fault == "F01")
    assert (remark.outcome, "periods run from" in remark.words) == ("left", True)
    assert log.trace.rows[5].now_ns == pytest.approx(1e6 * (made["t"][5] - made["t"][0]), abs=2000)


def test_f02_doubled_and_unordered_stamps_are_sorted_and_the_first_of_each_kept(read: Read) -> None:
    made = good()
    order = np.arange(ROWS)
    order[[40, 41]] = order[[41, 40]]
    made = {name: values[order] for name, values in made.items()}
    made = {name: np.insert(values, 90, values[89]) for name, values in made.items()}
    log = read(made)
    assert [remark.fault for remark in log.remarks] == ["F02", "F02"]
    assert all(remark.outcome == "mended" for remark in log.remarks)
    assert log.trace.series("lift").values == read(good()).trace.series("lift").values


def test_f03_a_clock_that_starts_again_is_refused_with_its_row(read: Read) -> None:
    made = good()
    made["t"] = np.concatenate((made["t"][:300], made["t"][:200]))
    assert "from row 301 on the clock starts again" in refusal(read, made, "F03").words


def test_f04_a_clock_that_was_set_is_set_back_where_the_motion_goes_on(read: Read) -> None:
    made = good()
    made["t"][205:] += 874_000.0
    log = read(made)
    assert "the clock jumps by 874 s while the motion goes on" in only(log, "F04").words
    assert log.trace.duration == pytest.approx(9.98, abs=1e-6)


def test_f05_a_stamp_from_elsewhere_is_left_out(read: Read) -> None:
    made = good()
    made["t"] += 1.7e12
    made["t"][77] = 0.0
    log = read(made)
    assert [(remark.fault, remark.outcome) for remark in log.remarks] == [("F05", "mended"), ("F07", "left")]
    assert len(log.trace.rows) == ROWS - 1


def test_f06_values_that_are_no_numbers_stay_unknown(read: Read) -> None:
    made = good()
    made["drive"][30:42] = np.nan
    log = read(made)
    assert "12 of 500 values are no numbers" in only(log, "F06").words
    assert log.trace.series("lift.volts").values[35] == 0.0
    made = good()
    made["height"][30:42] = np.nan
    assert read(made).trace.series("lift.measured").values[30:42] == (None,) * 12


def test_f07_missing_samples_are_counted_and_nothing_is_put_in_their_place(read: Read) -> None:
    log = read(without(good(), slice(200, 215)))
    remark = only(log, "F07")
    assert "about 15 samples are missing in 1 places, at most 320 ms after row 200" in remark.words
    assert len(log.trace.rows) == ROWS - 15


def test_f08_degrees_called_radians_are_caught_by_the_travel(read: Read) -> None:
    words = refusal(read, good(), "F08", MAPPING.replace("angle, unit: deg", "angle, unit: rad")).words
    assert "degrees and radians may be mixed up" in words


def test_f08_radians_called_degrees_are_caught_by_the_orders(read: Read) -> None:
    """Too small is inside every travel; what was ordered tells."""
    made = good()
    made["height"] /= 1000.0
    words = refusal(read, made, "F08").words
    assert " times what lift.ordered says; are millimetres and metres mixed up?" in words


def test_f09_a_turned_sign_is_refused_with_the_line_that_mends_it(read: Read) -> None:
    made = good()
    made["height"] = 1200.0 - made["height"]
    assert "write sign: -1" in refusal(read, made, "F09").words
    mended = MAPPING.replace("rate, unit: mm/s", "rate, unit: mm/s, sign: -1").replace(
        "wanted, unit: mm", "wanted, unit: mm, sign: -1"
    )
    assert read(made, mended).remarks == ()


def test_f10_turns_are_counted_through_a_wrap(read: Read) -> None:
    made = good()
    whole = 300.0 * np.sin(0.9 * made["t"] / 1000.0)
    made["angle"] = (whole + 180.0) % 360.0 - 180.0
    unlimited = MAPPING.replace("arm.measured", "wheel.measured")
    wheel = MACHINE[MACHINE.index("  arm:") :].replace("arm:", "wheel:").replace("90 deg", "359 deg")
    machine = MACHINE + wheel
    log = read(made, unlimited, machine)
    remark = next(remark for remark in log.remarks if remark.fault == "F10")
    assert remark.outcome == "mended"
    assert log.trace.series("wheel").values == pytest.approx(np.radians(whole), abs=1e-6)


def test_f11_a_count_that_was_reset_is_not_trusted_from_there_on(read: Read) -> None:
    made = good()
    made["angle"][300:] -= 30.0
    log = read(made)
    remark = only(log, "F11")
    assert "after row 300 it jumps" in remark.words
    zeroed = log.trace.series("arm.zeroed").values
    assert (zeroed[299], zeroed[300], zeroed[-1]) == (True, False, False)


def test_f12_saturation_is_told(read: Read) -> None:
    made = good()
    made["drive"] = np.clip(made["drive"], -2.0, 2.0)
    assert "of its values in motion are at 2 V" in only(read(made), "F12").words


def test_f13_a_motion_that_teaches_nothing_is_told(read: Read) -> None:
    made = good()
    t = made["t"] / 1000.0
    made["height"] = made["wanted"] = 100.0 + 80.0 * t
    made["rate"] = np.full(ROWS, 80.0)
    log = read(made)
    assert any(remark.fault == "F13" and "move it both ways" in remark.words for remark in log.remarks)


def test_f14_a_reading_that_stands_still_while_the_axis_moves_is_unknown(read: Read) -> None:
    made = good()
    made["rate"][60:100] = made["rate"][60]
    log = read(made)
    assert only(log, "F14").quantity == "lift.speed"
    assert set(log.trace.series("lift.speed").values[61:100]) == {None}


def test_f15_a_speed_that_flickers_to_zero_is_unknown_there(read: Read) -> None:
    made = good()
    made["rate"][5::6] = 0.0
    log = read(made)
    assert only(log, "F15").outcome == "mended"
    speeds = log.trace.series("lift.speed").values
    assert sum(speed is None for speed in speeds) > 40
    assert speeds[6] is not None


def test_f16_a_missing_column_is_named_with_the_nearest_one(read: Read) -> None:
    remark = refusal(read, good(), "F16", MAPPING.replace("column: height", "column: heigth"))
    assert remark.words == "there is no column 'heigth'; did you mean 'height'?"


def test_f17_a_decimal_comma_is_never_taken_for_thousands(read: Read) -> None:
    text = as_text(good()).replace(",", ";").replace(".", ",")
    assert "write decimal: ','" in refusal(read, text, "F17").words
    comma = MAPPING.replace("log: bench\n", "log: bench\ndecimal: ','\n")
    assert read(text, comma).trace.series("lift").values == read(good()).trace.series("lift").values
    assert "decimals come after ','" in refusal(read, as_text(good()).replace(",", ";"), "F17", comma).words


def test_f18_a_file_larger_than_any_is_refused_before_it_is_read(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MOST_BYTES", 20_000)
    assert "at most 0 MB are read, so cut it first" in refusal(read, good(), "F18").words


def test_f19_a_column_of_another_quantity_is_refused_by_its_unit(read: Read) -> None:
    with pytest.raises(FileErrors, match=r"N was found; a voltage \(such as V\) was expected"):
        read(good(), MAPPING.replace("drive, unit: V", "drive, unit: 'N'"))


def test_f19_a_column_that_is_another_one_times_a_number_is_told(read: Read) -> None:
    made = good()
    made["bus"] = 6.0 * made["drive"]
    assert any(remark.fault == "F19" and "at every sample" in remark.words for remark in read(made).remarks)


def test_f20_an_encoder_that_loses_counts_is_not_trusted(read: Read) -> None:
    made = good()
    steps = np.diff(made["height"], prepend=made["height"][0])
    made["height"] = made["height"][0] + np.cumsum(np.where(steps > 0.0, 0.97, 1.0) * steps)
    log = read(made)
    remark = next(remark for remark in log.remarks if remark.fault == "F20")
    assert "away from the integral of its speed" in remark.words
    assert not any(log.trace.series("lift.zeroed").values)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the log is empty"),
        ("t,height,wanted,rate,drive,angle,bus\n", "the log has no sample"),
        ("t,height,wanted,rate,drive,angle,bus\n0,1,1,0,0,0,12\n", "the log has one sample; two are needed"),
        ("t,height,wanted,rate,drive,angle,bus\n0,1,1\n", ":2: 3 cells, where the headings have 7"),
        ("t,height,wanted,rate,drive,angle,bus\n0,1,__import__('os'),0,0,0,12\n", "which is no number"),
        ("t,height,wanted,rate,drive,angle,bus\n0,1,\0,0,0,0,12\n", "which is no number"),
        ("t,height,wanted,rate,drive,angle,bus\n0,1," + "9" * 200_000 + ",0,0,0,12\n", "field larger than field limit"),
        ("t" + "x" * 2_000_000, "field larger than field limit"),
    ],
)
def test_what_is_no_log_ends_in_a_sentence(read: Read, text: str, message: str) -> None:
    with pytest.raises(TraceError) as caught:
        read(text)
    assert message in str(caught.value)


def test_a_log_of_another_machine_is_refused(read: Read) -> None:
    with pytest.raises(ValueError, match=r"bench has no axis 'lyft'; did you mean 'lift'\? Is this the log of another"):
        read(good(), MAPPING.replace("lift.measured", "lyft.measured"))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("lift.volts", "lift.vlots", "'vlots' is nothing that an axis has; did you mean 'volts'?"),
        ("unit: ms", "unit: mz", "unknown unit 'mz'"),
        ("{column: bus, unit: V}", "{column: bus, unit: V, sign: 2}", "2 is no sign"),
        ("{column: bus, unit: V}", "{colum: bus, unit: V}", "unknown key 'colum'; did you mean 'column'?"),
        ("time: {column: t, unit: ms}\n", "", "'time' is missing"),
    ],
)
def test_a_mistake_in_a_mapping_is_named_with_its_line(read: Read, old: str, new: str, message: str) -> None:
    with pytest.raises(FileErrors) as caught:
        read(good(), MAPPING.replace(old, new))
    assert message in str(caught.value)
    assert "map.yaml:" in str(caught.value)
