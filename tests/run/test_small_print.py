"""Small print of what is read, asked for and told. SEMANTICS R16, R35, R39, R40, R42, R44, R49, R50."""

from __future__ import annotations

import enum
from itertools import pairwise
from math import nan
from pathlib import Path
from typing import Any

import pytest
from rig import Rig, checked, derived, flick, machine, move, number_parameter, pulse, put, sensor, started, wait

from sequencer.errors import RequestRefused
from sequencer.ports.readings import AxisReading, Sensed
from sequencer.run import Runner
from sequencer.run.confirmation import Confirmations

BEAM = ["holds", "beam"]


# Read.


@pytest.mark.parametrize("zeroed", ["no", "yes", nan, 0.0, 1, None])
def test_only_true_is_zeroed(zeroed: Any) -> None:
    """R42: as only true enables."""
    rig = Rig(checked(machine(), move("m", {"lift": 0.5})))
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0, zeroed)
    rig.run(2)
    assert [name for name, _ in rig.runner.status().not_zeroed] == ["lift"]
    rig.start()
    rig.run(1)
    assert rig.refusals() == ["lift is not zeroed"]


@pytest.mark.parametrize("age", [-1, -(10**15)])
def test_a_reading_of_the_future_is_no_reading(age: int) -> None:
    """R16: its source counts another time."""
    rig = Rig(checked(machine(more_sensors=[sensor("eye", stale_after=50_000_000)]), move("m", {"lift": 0.5})))
    rig.readings["lift"] = AxisReading(0.0, 0.0, 0.0, True, age)
    rig.sensors["eye"] = Sensed(True, age)
    rig.run(2)
    values = rig.runner._host.values
    assert (values["lift"], values["eye"]) == (None, None)


@pytest.mark.parametrize("given", [lambda tick: Sensed(False, 0), lambda tick: tick % 2 == 0, False])
def test_what_is_derived_from_an_assumed_sensor_is_so_whatever_that_reads(given: Any) -> None:
    """R50."""
    on = machine(more_sensors=[sensor("gone", derived=derived(BEAM))])
    rig = Rig(checked(on, wait("w", 1.0)), beam=given)
    rig.run(2)
    rig.runner.assume("beam", True)
    rig.run(3)
    assert rig.runner._host.values["gone"] is True


# Asked for.


@pytest.mark.parametrize("speed", [1e-310, 5e-324, 1e-9, -1e-200, 1e-7])
def test_a_jog_that_a_filter_lets_die_away_lets_go(speed: float) -> None:
    """R36: and breaks nothing."""
    rig = Rig(checked(machine(), wait("w", 1.0)))
    for asked in (0.5, 0.1, speed, speed):
        rig.runner.jog("lift", asked)
        rig.run(3)
    rig.run(30)
    assert not [event for event in rig.events if event.kind == "fault"]
    assert rig.modes()[-1] == "hold"


@pytest.mark.parametrize(
    ("parameters", "words"),
    [
        ({"h": 10**400}, "h is 1000000000"),
        ({5: 1.0}, "r has no parameter '5'"),
        ({None: 1.0}, "r has no parameter 'None'"),
    ],
)
def test_parameters_of_any_kind_are_refused_in_words(parameters: Any, words: str) -> None:
    """R39."""
    routine = checked(
        machine(), move("m", {"lift": ["at", ["parameter", "h"]]}), parameters=[number_parameter("h", 0.1)]
    )
    with pytest.raises(RequestRefused) as caught:
        Runner(routine).request("r", parameters)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 120


@pytest.mark.parametrize(("name", "value"), [(None, 1), (5, True), ("x", None), ("x", {}), ("x", lambda: 1)])
def test_a_note_that_no_trace_can_hold_is_refused(name: Any, value: Any) -> None:
    """R39."""
    with pytest.raises(RequestRefused, match="it must be true, false, a number or a text"):
        Runner(checked(machine(), wait("w", 1.0))).note(name, value)


def test_a_resume_is_allowed_from_standstill_on() -> None:
    """R35, R44."""
    rig = started(checked(machine(), move("m", {"lift": 2.0})), ticks=30)
    rig.runner.hold()
    allowed = []
    for _ in range(40):
        rig.run(1)
        allowed.append(next(one for one in rig.runner.allowed() if one.request == "resume"))
    assert allowed[0].why_not == "lift is still coming to rest"
    assert not allowed[0].taken
    assert allowed[-1].taken
    assert sum(before.taken != after.taken for before, after in pairwise(allowed)) == 1


def test_a_confirmation_after_a_line_that_was_cut_short_is_kept(tmp_path: Path) -> None:
    """R49: nor does a byte that is no text hide the others."""
    path = tmp_path / "confirmed"
    path.write_bytes(b'{"hash": "first"}\n\xff\xfe\n{"hash": "cu')
    kept = Confirmations(path)
    assert kept.hashes == {"first"}
    kept.add("second", "r", "somebody")
    kept.add("third", "r", "somebody")
    assert Confirmations(path).hashes == {"first", "second", "third"}


# Told.


@pytest.mark.parametrize(
    ("term", "words"),
    [
        (["holds", "gone"], "gone; beam is missing since tick 0"),
        ([">", "lift.current", 1.0], "lift.current > 1 A; lift.current is not read"),
        ([">", "battery", 10.0], "battery > 10 V; battery is not read"),
    ],
)
def test_what_is_not_known_has_a_reason(term: Any, words: str) -> None:
    """R40: derived sensors, currents and the battery too."""
    on = machine(more_sensors=[sensor("gone", derived=derived(BEAM))])
    rig = Rig(checked(on, wait("w", until=term, timeout=5.0)), beam=None)
    rig.readings["lift"] = AxisReading(0.0, 0.0, None)
    rig.start()
    rig.run(3)
    assert rig.runner.status().runs[0].steps[0].waits_for == words


def test_an_assumed_sensor_is_not_called_missing() -> None:
    """R40, R50."""
    rig = Rig(
        checked(machine(), wait("w", until=["and", BEAM, ["holds", "clear"]], timeout=5.0)), beam=None, clear=False
    )
    rig.run(2)
    rig.runner.assume("beam", True)
    rig.start()
    rig.run(3)
    assert rig.runner.status().runs[0].steps[0].waits_for == "beam and clear"


def test_two_runs_that_wait_in_vain_are_both_told() -> None:
    """R40: and neither while the other may still help."""
    on = machine()
    alone = checked(on, wait("v", until=[">", "wrist", 1.0]), name="v")
    rig = Rig(checked(on, wait("w", until=[">", "lift", 1.0]), name="w"), alone, checked(on, wait("x", 2.0), name="x"))
    for name in "wxv":
        rig.start(name)
    rig.run(20)
    assert not rig.kinds("stuck")
    rig.run(100)
    assert [event.run for event in rig.kinds("stuck")] == ["w", "v"]
    assert all(run.hopeless for run in rig.runner.status().runs if run.state == "running")


class Piece(str, enum.Enum):  # noqa: UP042 - as users write it; it calls itself Piece.LANTERN
    NONE = "none"
    LANTERN = "lantern"


def test_a_word_of_the_users_own_class_is_that_word() -> None:
    """R16."""
    rig = Rig(checked(machine(), wait("w", until=["is", "piece", "lantern"], timeout=1.0)), piece=Piece.LANTERN)
    rig.start()
    rig.run(3)
    assert rig.outcome()[1] == "done"


# Phased.


@pytest.mark.parametrize("first", ["pulse", "set"])
@pytest.mark.parametrize("start", [-0.14, -0.05, 0.0, 0.033, 0.12])
def test_a_flick_is_phased_by_its_pulse_whatever_else_it_starts(first: str, start: float) -> None:
    """M3: commanded releases repeat to 0.01 ms."""
    let_go = pulse("go", {"roller": -6.0}, 0.1, passing={"step": "f", "lead": 0.0131})
    other = put("s", {"third": 1.0}, passing={"step": "f", "lead": 0.0277})
    steps = [flick("f", 0.6, 0.5, 0.9), *((let_go, other) if first == "pulse" else (other, let_go))]
    rig = Rig(checked(machine(), *steps))
    rig.positions["wrist"] = start
    rig.start()
    rig.run(150)
    (event,) = rig.kinds("milestone", "go")
    assert abs(dict(event.values)["late_by"]) <= 1e-5
