"""From the builder through `compile_routine` and a pack to the runner."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rig import Rig

from sequencer.check.compile import compile_routine
from sequencer.files import load_machine
from sequencer.pack import load_pack, write_pack
from sequencer.routine.builder import RoutineBuilder, flick, move, pulse, set_outputs, wait

LANTERN = Path(__file__).resolve().parents[2] / "demos" / "lantern" / "machine.yaml"


def test_a_built_routine_is_compiled_packed_and_run(tmp_path: Path) -> None:
    """R5, R8, M2: raise, level behind a gate, flick with a release on its milestone, and home, on the demo machine."""
    # It is not checked, so that the supervisor would keep it from all places where a post may stand.
    on = replace(load_machine(LANTERN), bodies={}, clearances=())
    built = RoutineBuilder("throw", on, start="anywhere", timeout="planned + 0.6 s")
    built.parameter("release_lead", value="30 ms", range=("0 ms", "110 ms"))
    built.step("raise", move(lift="0.9 m"))
    built.step("level", move(wrist="0 deg"), together_with="raise", once="lift > 0.4 m")
    built.step("flick", flick(wrist={"through": "58 deg", "speed": "300 deg/s", "to": "84 deg"}))
    built.step("let_go", pulse(rollers="-6 V"), passing=("flick", "through"), lead="release_lead", duration="140 ms")
    built.step("shine", set_outputs(lamp="steady"), after=["flick"])
    built.step("pause", wait("known(piece)"), after=["shine"], timeout="1 s")
    built.step("down", move(lift="0.5 m"), after=["pause", "let_go"])
    write_pack(tmp_path / "robot.pack", [compile_routine(built.build())])
    pack = load_pack(tmp_path / "robot.pack")

    rig = Rig(*pack.routines.values())
    rig.sensors = {"piece": "none"}
    rig.positions |= {"lift": 0.10, "wrist": 1.2217304763960306}
    rig.run(1)
    rig.start("throw", parameters={"release_lead": 0.05})
    rig.run(400)

    assert rig.outcome("throw")[1] == "done"
    assert [event.step for event in rig.kinds("gate")] == ["level"]
    (gate,) = [event.tick for event in rig.kinds("gate")]
    assert gate > rig.starts("raise")[0]
    (event,) = rig.kinds("milestone")
    assert dict(event.values)["late_by"] == pytest.approx(0.0, abs=1e-5)
    assert rig.volts("rollers")[rig.starts("let_go")[0]] == -6.0
    assert rig.points()[-1] == pytest.approx(0.5)
