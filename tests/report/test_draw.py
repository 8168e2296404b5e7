"""Pictures of machines."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import combinations
from xml.etree import ElementTree

import pytest

from profiles import Limits
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.report import machine_svg, machine_text
from sequencer.report.poses import poses
from sequencer.report.svg import text_width

Golden = Callable[[str, str], None]
SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_of_the_machine_is_the_golden_one(lantern_hand: Machine, golden: Golden) -> None:
    golden("machine.svg", machine_svg(lantern_hand))


def test_the_text_of_the_machine_is_the_golden_one(lantern_hand: Machine, golden: Golden) -> None:
    golden("machine.txt", machine_text(lantern_hand))


def test_a_slide_moves_along_its_direction_and_carries_the_wrist(lantern_hand: Machine) -> None:
    found = poses(lantern_hand, {"lift": 1.0, "wrist": math.pi / 2})
    forward, up = math.cos(math.radians(66)), math.sin(math.radians(66))
    assert found["lift"].base == pytest.approx((-0.12, 0.16))
    assert found["lift"].tip == pytest.approx((-0.12 + forward, 0.16 + up))
    assert found["wrist"].base == pytest.approx((-0.02 + forward, 0.18 + up))
    assert found["rollers"].base == pytest.approx((-0.02 + forward, 0.48 + up))


def test_an_angle_from_the_carrier_adds_to_it_and_one_from_the_level_does_not() -> None:
    limits = Limits(1.0, 1.0)

    def angle(measured_from: str) -> float:
        arm = Axis("arm", "rotary", limits, (-3.0, 3.0), tolerance=Tolerance(0.1))
        mount = Mount("arm", (1.0, 0.0), angle_from=measured_from)  # type: ignore[arg-type]
        wrist = Axis("wrist", "rotary", limits, (-3.0, 3.0), mount, Tolerance(0.1))
        found = poses(Machine("m", {"wrist": wrist, "arm": arm}), {"arm": 0.5, "wrist": 0.25})
        assert found["wrist"].base == pytest.approx((math.cos(0.5), math.sin(0.5)))
        return found["wrist"].angle

    assert (angle("carrier"), angle("level")) == pytest.approx((0.75, 0.25))


def test_the_middle_stage_of_a_cascade_moves_its_share() -> None:
    limits = Limits(1.0, 1.0)
    lift = Axis("lift", "linear", limits, (0.0, 1.0), Mount(direction=math.pi / 2), Tolerance(0.01))
    middle = Axis("middle", "spin", limits, mount=Mount("lift", share=0.5))
    assert poses(Machine("m", {"lift": lift, "middle": middle}), {"lift": 0.8})["middle"].base == pytest.approx(
        (0.0, 0.4)
    )


def test_every_preset_and_keep_out_is_in_the_picture_with_its_reason(lantern_hand: Machine) -> None:
    root = ElementTree.fromstring(machine_svg(lantern_hand))
    words = [found.text or "" for found in root.iter(f"{SVG}text")]
    for name in lantern_hand.presets:
        assert words.count(name) == 2
    assert "low_tuck: the hand meets the bumper" in words
    assert "low_lantern when piece is lantern: the lantern meets the bumper" in words


def test_names_of_presets_close_together_do_not_lie_over_each_other(lantern_hand: Machine) -> None:
    crowd = {
        f"place {index}": Preset(f"place {index}", {"lift": 0.5 + 0.04 * (index % 3), "wrist": 0.2 * (index // 3)})
        for index in range(6)
    }
    machine = Machine("crowd", dict(lantern_hand.axes), presets=crowd)
    panel = next(
        group for group in ElementTree.fromstring(machine_svg(machine)).iter(f"{SVG}g") if group.findall(f"{SVG}circle")
    )
    areas = []
    for text in panel.findall(f"{SVG}text"):
        if (text.text or "").startswith("place"):
            x, y = float(text.attrib["x"]), float(text.attrib["y"])
            areas.append((x, y - 9.0, x + text_width(text.text or "", 11.5), y + 2.0))
    assert len(areas) == 6
    for one, two in combinations(areas, 2):
        assert one[2] <= two[0] or two[2] <= one[0] or one[3] <= two[1] or two[3] <= one[1]


def four_axes() -> Machine:
    limits = Limits(1.0, 1.0)
    names = ["slide", "lift", "elbow", "tilt"]
    axes = {
        name: Axis(
            name,
            "linear" if index < 2 else "rotary",
            limits,
            (-1.0, 1.0),
            Mount(names[index - 1] if index else "frame", (0.1, 0.1), 1.5 * index, "carrier"),
            Tolerance(0.1),
        )
        for index, name in enumerate(names)
    }
    box = KeepOut(
        "fold", (("lift", (-1.0, 0.0)), ("elbow", (0.0, 1.0)), ("tilt", (0.0, 1.0))), "the lamp meets the <frame>"
    )
    return Machine("four & more", axes, interlocks=(box,))


def test_four_axes_give_a_map_for_each_of_the_six_pairs() -> None:
    root = ElementTree.fromstring(machine_svg(four_axes()))
    assert len(root.findall(f".//{SVG}rect[@class='travel']")) == 6


def test_a_box_of_three_axes_is_shown_in_part_and_says_when_it_holds() -> None:
    words = " ".join(found.text or "" for found in ElementTree.fromstring(machine_svg(four_axes())).iter(f"{SVG}text"))
    assert "fold when tilt is 0 deg to 57.3 deg: the lamp meets the <frame>" in words


def test_a_machine_of_one_spin_still_makes_a_picture() -> None:
    machine = Machine("spinner", {"rollers": Axis("rollers", "spin", Limits(300.0, 2000.0))})
    assert ElementTree.fromstring(machine_svg(machine)) is not None
    assert (
        machine_text(machine).splitlines()[0]
        == "spinner: 1 axis, 0 sensors, 0 outputs, 0 presets, 0 interlocks, a tick every 20 ms"
    )
