from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from sequencer.files import FileErrors, load_machine

MISTAKES = json.loads((Path(__file__).parents[1] / "cases" / "file_mistakes.json").read_text())


def errors_with(lantern: Path, text: str, name: str = "sunday.yaml") -> list[str]:
    overlay = lantern / name
    overlay.write_text(text)
    with pytest.raises(FileErrors) as caught:
        load_machine(lantern / "machine.yaml", [overlay])
    return str(caught.value).replace(f"{lantern}/", "").splitlines()


def test_an_overlay_replaces_values_by_key_and_leaves_the_rest(lantern: Path) -> None:
    plain = load_machine(lantern / "machine.yaml")
    machine = load_machine(lantern / "machine.yaml", [lantern / "saturday.yaml"])
    assert machine.overlays == ("saturday: right chain off; posts on field 2 are 10 mm higher",)
    assert [one.out_of_service for one in machine.axes["lift"].actuators] == [False, True]
    assert machine.presets["ridge"].positions == {"lift": 1.11, "wrist": math.radians(20)}
    assert machine.axes["wrist"] == plain.axes["wrist"]
    assert {name: one for name, one in machine.presets.items() if name != "ridge"} == {
        name: one for name, one in plain.presets.items() if name != "ridge"
    }


def test_overlays_are_laid_on_in_order(lantern: Path) -> None:
    (lantern / "b.yaml").write_text("over: machine.yaml\nbecause: lower\npresets: {ridge: {lift: 1.0 m}}\n")
    machine = load_machine(lantern / "machine.yaml", [lantern / "saturday.yaml", lantern / "b.yaml"])
    assert machine.presets["ridge"].positions["lift"] == 1.0
    assert [text.partition(":")[0] for text in machine.overlays] == ["saturday", "b"]


def test_bodies_are_laid_over_by_name_and_clearances_and_parts_whole(lantern: Path) -> None:
    (lantern / "b.yaml").write_text(
        "over: machine.yaml\nbecause: posts on field 2 are thicker\n"
        "bodies: {post: {range: [0.3 m, 1 m], parts: [[[0.18 m, 0 m], [0.25 m, 0 m], [0.25 m, 1.6 m]]]}}\n"
        "clearances: [{between: [hand, post], margin: 20 mm}]\n"
    )
    machine = load_machine(lantern / "machine.yaml", [lantern / "b.yaml"])
    post = machine.bodies["post"]
    assert (post.range, post.reading, len(post.parts[0])) == ((0.3, 1.0), "range_to_hook", 3)
    assert [(one.between, one.margin) for one in machine.clearances] == [(("hand", "post"), 0.02)]
    assert list(machine.bodies) == ["hand", "stage", "bumper", "post"]


def test_a_list_is_replaced_whole(lantern: Path) -> None:
    (lantern / "b.yaml").write_text("over: machine.yaml\nbecause: less room\naxes: {lift: {travel: [0 m, 1.15 m]}}\n")
    assert load_machine(lantern / "machine.yaml", [lantern / "b.yaml"]).axes["lift"].travel == (0.0, 1.15)


@pytest.mark.parametrize("row", MISTAKES["overlay"], ids=lambda row: row["said"].split(": ")[1])
def test_a_mistake_points_at_the_overlay(lantern: Path, row: dict[str, str]) -> None:
    assert errors_with(lantern, f"over: machine.yaml\nbecause: windy\n{row['text']}\n") == [
        f"sunday.yaml:{row['said']}"
    ]


def test_an_overlay_says_what_it_is_for_and_why(lantern: Path) -> None:
    assert errors_with(lantern, "period: 10 ms\n") == [
        "sunday.yaml:1:1: over: 'over' is missing; the file name of the machine is needed",
        "sunday.yaml:1:1: because: 'because' is missing; a reason in words is needed",
    ]


def test_an_overlay_for_another_machine_is_refused(lantern: Path) -> None:
    assert errors_with(lantern, "over: other.yaml\nbecause: windy\n") == [
        "sunday.yaml:1:7: over: it is made for 'other.yaml', and it was laid over 'machine.yaml'; "
        "lay it over the file that it names, or change 'over'"
    ]
