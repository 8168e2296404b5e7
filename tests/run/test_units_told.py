"""What the runner says of a rotary axis is in degrees, as files are: SEMANTICS R40, R42, R45, R51."""

from __future__ import annotations

from math import radians

import pytest
from rig import Rig, axis, checked, machine, move, wait

from sequencer.errors import RequestRefused


def test_a_rotary_axis_is_told_in_degrees() -> None:
    """R40: in the status, in refusals and in causes of faults; a reader never converts radians."""
    tolerance = {"following": radians(5.0), "behind": "fault", "position": radians(1.0)}
    on = machine([axis("lift"), axis("wrist", "rotary", tolerance=tolerance)])
    rig = Rig(
        checked(on, move("m", {"wrist": radians(90.0)})),
        checked(on, move("n", {"wrist": 0.0}), name="near", **{"from": "stow", "region": [[1, 1.0, radians(60.0)]]}),
    )
    rig.start("near")
    rig.run(1)
    assert rig.refusals() == [
        "wrist is at 0 deg, 57.3 deg outside the start region of 'stow'; jog it there, or run a routine that ends there"
    ]
    rig.start()
    rig.run(1)
    assert rig.runner.status().runs[0].steps[0].waits_for == "arrival: wrist -90 deg from the goal"
    with pytest.raises(RequestRefused, match=r"jog wrist: 401\.1 deg/s is outside -57\.3 deg/s to 57\.3 deg/s"):
        rig.runner.jog("wrist", 7.0)
    rig.stuck.add("wrist")
    rig.run(60)
    words = rig.runner.status().fault or ""
    assert words.startswith("wrist is 5."), words
    assert words.endswith(" deg away from its set-point; allowed are 5 deg"), words


def test_the_speed_of_a_spin_is_told_as_files_have_it() -> None:
    """R40: in rad/s, in the status and in refusals; nobody thinks of rollers in degrees a second."""
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin", limits=[[-30.0, 30.0], [-90.0, 90.0], None])])
    rig = Rig(checked(on, wait("w", until=[">", "roller.speed", 25.0], timeout=1.0)))
    rig.start()
    rig.run(2)
    assert rig.runner.status().runs[0].steps[0].waits_for.startswith("roller.speed > 25 rad/s")
    with pytest.raises(RequestRefused, match=r"jog roller: 31 rad/s is outside -30 rad/s to 30 rad/s"):
        rig.runner.jog("roller", 31.0)
