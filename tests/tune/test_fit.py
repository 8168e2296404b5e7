"""An axis fitted from a session, and what is proposed for the machine's file."""

from __future__ import annotations

from dataclasses import replace
from math import degrees
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer import Trace, TraceError, read_trace
from sequencer.errors import ModelError
from sequencer.files import load_machine
from sequencer.trace import Header, Measured, Ordered, Row
from sequencer.tune.axis_fit import ModelFit
from sequencer.tune.delay import Delay
from sequencer.tune.driven_motion import declared, driven_motions, drives_of
from sequencer.tune.fit import fit_axis
from sequencer.tune.proposal import Proposal, difference, edited
from sequencer.tune.reached import Reached
from sequencer.units import FORCE, LENGTH, MASS, TIME

LANTERN = Path(__file__).parents[2] / "demos" / "lantern"
CLEAN = {"lift": 1e-4, "wrist": 1e-4}


@pytest.fixture(scope="module")
def exercised(bench: Any) -> Any:
    return bench.session("exercise", 5, CLEAN)[0]


@pytest.mark.parametrize("axis", ["lift", "wrist"])
def test_the_plant_is_found_again(bench: Any, exercised: Any, axis: str) -> None:
    fit = fit_axis([exercised], bench.machine, axis)
    assert isinstance(fit.model, ModelFit), fit.model
    true = declared(bench.machine, axis)
    forces = max(true["coulomb"], true["gravity"])
    print(*fit.words(), sep="\n")
    assert fit.model.value("inertia") == pytest.approx(true["inertia"], rel=0.03)
    assert fit.model.value("coulomb") == pytest.approx(true["coulomb"], rel=0.05)
    assert fit.model.value("gravity") == pytest.approx(true["gravity"], abs=0.03 * forces)
    assert fit.model.value("viscous") == pytest.approx(true["viscous"], rel=0.15, abs=0.05)
    assert isinstance(fit.delay, Delay)
    assert 0.01 <= fit.delay.delay <= 0.031


def test_a_machine_that_is_heavier_and_rougher_than_its_file_is_told_so(bench: Any) -> None:
    lift = bench.machine.axes["lift"]
    load = replace(lift.load, mass=10.8, coulomb=30.0)
    true = replace(bench.machine, axes={**bench.machine.axes, "lift": replace(lift, load=load)})
    trace, _ = bench.session("exercise", 6, CLEAN, machine=true)
    fit = fit_axis([trace], bench.machine, "lift")
    found = {proposal.path: proposal.values for proposal in fit.proposals}
    assert found["axes.lift.load.mass"] == (pytest.approx(10.8, abs=0.4),)
    assert found["axes.lift.load.coulomb"] == (pytest.approx(30.0, abs=1.5),)
    assert "axes.lift.load.centre" not in found


def test_a_centre_of_mass_that_is_farther_out_is_told_so(bench: Any) -> None:
    wrist = bench.machine.axes["wrist"]
    load = replace(wrist.load, centre=(0.20, 0.03))
    true = replace(bench.machine, axes={**bench.machine.axes, "wrist": replace(wrist, load=load)})
    trace, _ = bench.session("exercise", 7, CLEAN, machine=true)
    fit = fit_axis([trace], bench.machine, "wrist")
    (centre,) = [proposal.values for proposal in fit.proposals if proposal.path.endswith("centre")]
    assert centre == (pytest.approx(0.20, abs=0.006), pytest.approx(0.03, abs=0.006))


def test_a_piece_that_is_held_counts_as_a_piece_and_not_as_the_axis(bench: Any) -> None:
    trace, _ = bench.session("exercise", 8, CLEAN, piece="lantern")
    fit = fit_axis([trace], bench.machine, "lift")
    assert isinstance(fit.model, ModelFit)
    assert fit.model.value("inertia") == pytest.approx(declared(bench.machine, "lift")["inertia"], rel=0.03)


def test_moves_beside_a_neighbours_are_left_out() -> None:
    """In the demo the wrist mostly turns while the lift goes up."""
    machine, trace = load_machine(LANTERN / "machine.yaml"), read_trace(LANTERN / "logs/attempts_2.csv")
    found = driven_motions([trace], machine, "wrist")
    assert 0 < found.left_out < found.moves
    lift = trace.series("lift.speed")
    times, speeds = np.array(lift.times), np.array(lift.values, dtype=float)
    assert len(found.motions) > 5
    for motion in found.motions:
        inside = (times >= motion.times[0]) & (times <= motion.times[-1])
        assert np.abs(speeds[inside]).max() < 0.04


def test_what_was_reached_is_told_beside_what_was_ordered(bench: Any, exercised: Any) -> None:
    had = fit_axis([exercised], bench.machine, "lift").reached
    assert isinstance(had, Reached)
    assert had.velocity == (pytest.approx(-1.1, rel=0.05), pytest.approx(1.3, rel=0.05))
    assert had.ordered_velocity == (pytest.approx(-1.1, rel=0.02), pytest.approx(1.3, rel=0.02))
    assert had.acceleration[1] == pytest.approx(had.ordered_acceleration[1], rel=0.15)
    assert (had.short("velocity"), had.moves) == ((None, None), 6)


def test_a_lift_that_does_not_reach_its_speed_is_given_the_one_that_it_reaches(bench: Any, exercised: Any) -> None:
    slow = replace(
        exercised,
        rows=tuple(
            row._replace(
                measured=(
                    row.measured[0]._replace(
                        position=0.8 * row.measured[0].position, speed=0.8 * row.measured[0].speed
                    ),
                    *row.measured[1:],
                )
            )
            for row in exercised.rows
        ),
    )
    fit = fit_axis([slow], bench.machine, "lift")
    (limit,) = [proposal for proposal in fit.proposals if proposal.path == "axes.lift.limits.velocity"]
    assert limit.values == (pytest.approx(-0.88, rel=0.05), pytest.approx(1.04, rel=0.05))


def test_the_sure_deceleration_is_at_most_what_the_limits_allow(bench: Any, exercised: Any) -> None:
    fit = fit_axis([exercised], bench.machine, "lift")
    assert fit.sure_deceleration is not None
    up, down = fit.sure_deceleration
    assert 0.0 < up <= 6.0
    assert 0.0 < down <= 5.0


def test_radians_declared_as_degrees_and_other_machines_are_refused(bench: Any, exercised: Any) -> None:
    wrong = replace(
        exercised,
        rows=tuple(
            row._replace(
                measured=(
                    row.measured[0],
                    row.measured[1]._replace(position=degrees(row.measured[1].position)),
                    *row.measured[2:],
                )
            )
            for row in exercised.rows
        ),
    )
    with pytest.raises(TraceError, match=r"wrist reads .* degrees declared as radians .* another machine"):
        fit_axis([wrong], bench.machine, "wrist")
    with pytest.raises(ModelError, match="no axis 'lyft'; did you mean 'lift'"):
        fit_axis([exercised], bench.machine, "lyft")
    with pytest.raises(TraceError, match="a spin"):
        fit_axis([exercised], bench.machine, "rollers")


def test_without_currents_there_is_a_delay_and_no_model(bench: Any, exercised: Any) -> None:
    bare = replace(
        exercised,
        rows=tuple(
            row._replace(measured=tuple(read._replace(current=None) for read in row.measured)) for row in exercised.rows
        ),
    )
    fit = fit_axis([bare], bench.machine, "lift")
    assert isinstance(fit.delay, Delay)
    assert isinstance(fit.model, str)
    assert "neither the current nor the applied voltage" in fit.model
    assert fit.as_json()["model"] == {"refused": fit.model}


def test_without_actuators_efforts_are_amperes_and_no_load_is_proposed(bench: Any, exercised: Any) -> None:
    lift = replace(bench.machine.axes["lift"], actuators=(), position=None)
    machine = replace(bench.machine, axes={**bench.machine.axes, "lift": lift})
    fit = fit_axis([exercised], machine, "lift")
    assert isinstance(fit.model, ModelFit)
    assert not any(".load." in proposal.path for proposal in fit.proposals)
    assert any("in amperes" in note for note in fit.notes)


def test_proposals_change_their_numbers_in_their_units_and_nothing_else(bench: Any) -> None:
    text = bench.file.read_text()
    done = edited(
        text,
        [
            Proposal("axes.lift.load.mass", (8.25,), MASS, "fitted"),
            Proposal("axes.lift.load.counterbalance", (60.0, 68.0), FORCE, "fitted"),
            Proposal("axes.lift.latency", (0.012, 0.0), TIME, "measured"),
            Proposal("axes.lift.limits.velocity", (None, 1.2), (1, 0, -1, 0, 0), "reached"),
            Proposal("axes.wrist.limits.velocity", (-6.0, 6.5), (0, 0, -1, 0, 1), "reached", single=6.0),
            Proposal("axes.wrist.load.centre", (0.17, 0.0), LENGTH, "fitted"),
        ],
        "machine.yaml",
    )
    assert done.not_written == ()
    changed = [(old, new) for old, new in zip(text.splitlines(), done.text.splitlines(), strict=True) if old != new]
    assert [new for _, new in changed] == [
        changed[0][0].replace("1.3 m/s]", "1.2 m/s]"),
        changed[1][0].replace("[10 ms, 30 ms]", "[12 ms, 0 ms]"),
        changed[2][0].replace("7.8 kg", "8.25 kg").replace("[58 N, 66 N]", "[60 N, 68 N]"),
        changed[3][0].replace("420 deg/s", "343.8 deg/s"),
        changed[4][0].replace("[0.16 m, 0 m]", "[0.17 m, 0 m]"),
    ]
    assert difference(text, done.text, "machine.yaml").count("\n+") == 6


def test_what_has_no_place_in_the_file_is_said(bench: Any) -> None:
    text = bench.file.read_text()
    done = edited(text, [Proposal("axes.rollers.load.viscous", (0.01,), (2, 1, -1, 0, -1), "fitted")], "machine.yaml")
    assert done.text == text
    assert done.not_written == (
        "machine.yaml has no axes.rollers.load.viscous; to use what was found add it: 0.01 N.m.s/rad",
    )


def test_an_applied_fit_is_a_machine_that_agrees_with_the_recording(bench: Any, exercised: Any) -> None:
    fits = [fit_axis([exercised], bench.machine, axis) for axis in ("lift", "wrist")]
    text = bench.file.read_text()
    done = edited(text, [proposal for fit in fits for proposal in fit.proposals], "machine.yaml")
    (bench.folder / "fitted.yaml").write_text(done.text)
    machine = load_machine(bench.folder / "fitted.yaml")
    again = [proposal for axis in ("lift", "wrist") for proposal in fit_axis([exercised], machine, axis).proposals]
    assert edited(done.text, again, "fitted.yaml").text == done.text


def foreign(bench: Any, with_current: bool) -> Trace:
    """A log of another program, with the mean voltage that was applied: a lift of 12 kg on a slope, 12 moves."""
    axis = bench.machine.axes["lift"]
    drives = drives_of(axis)
    assert drives is not None
    fine, every = 0.001, 20
    chance = np.random.default_rng(2)
    times = np.arange(0.0, 24.0, fine)
    place = np.full(len(times), 0.3)
    for number in range(12):
        way = (0.25 if number % 2 else -0.25) + chance.uniform(-0.05, 0.05) + (0.3 if number == 0 else 0.0)
        part = np.clip((times - 2.0 * number - 0.2) / chance.uniform(0.6, 1.2), 0.0, 1.0)
        place += way * part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
    speed = np.gradient(place, fine)
    force = 12.0 * np.gradient(speed, fine) + 30.0 * np.sign(speed) * (np.abs(speed) > 1e-6) + 9.0 * speed + 20.0
    current = force / drives.force_per_ampere
    current /= 1.0 - drives.loss * np.sign(current * speed) * (np.abs(speed) > 1e-6)
    volts = current / 2.0 * (12.0 / 132.0) + drives.back_emf * speed
    ticks = np.arange(every, len(times), every)
    means = [
        np.array(
            [
                (values[tick - every : tick + 1].sum() - 0.5 * (values[tick - every] + values[tick])) / every
                for tick in ticks
            ]
        )
        for values in (volts, current)
    ]
    rows = tuple(
        Row(
            number,
            20_000_000 * number,
            True,
            (Measured(float(place[tick]), float(speed[tick]), float(means[1][number]) if with_current else None),),
            (Ordered("effort", 0.0, 0.0, 0.0, float(means[0][number])),),
            (),
            (),
            None,
        )
        for number, tick in enumerate(ticks)
    )
    return Trace(Header("bench", "", 20_000_000, (("lift", "linear"),)), rows)


def test_applied_volts_tell_forces_and_the_drag_of_the_motors_with_them(bench: Any) -> None:
    drives = drives_of(bench.machine.axes["lift"])
    assert drives is not None
    fit = fit_axis([foreign(bench, with_current=False)], bench.machine, "lift")
    assert isinstance(fit.model, ModelFit), fit.model
    assert fit.drive == "volts"
    assert fit.model.value("inertia") == pytest.approx(12.0, rel=0.05)
    assert fit.model.value("viscous") == pytest.approx(9.0 + drives.force_per_volt * drives.back_emf, rel=0.05)
    assert fit.windings is None


def test_current_and_volts_together_tell_resistance_and_back_emf(bench: Any) -> None:
    drives = drives_of(bench.machine.axes["lift"])
    assert drives is not None
    fit = fit_axis([foreign(bench, with_current=True)], bench.machine, "lift")
    assert fit.drive == "current"
    assert fit.windings is not None
    assert fit.windings.resistance == pytest.approx(12.0 / 132.0, rel=1e-3)
    assert fit.windings.back_emf == pytest.approx(drives.back_emf, rel=1e-3)
    assert any(line.strip().startswith("windings: resistance 0.0909") for line in fit.words())
