"""The picture of an order: what is shaded is blocked, the route ends at its ends, and boxes hold the route."""

from __future__ import annotations

from pathlib import Path
from random import Random
from xml.etree import ElementTree

import numpy as np
import pytest

from profiles import Limits
from sequencer import load_machine
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import Grid, Ordering
from sequencer.ordering.projected import layers
from sequencer.report.course import Course
from sequencer.report.order_map import OrderMap
from sequencer.report.order_view import order_svg

CASE = Path(__file__).parents[1] / "cases" / "ordering" / "machine.yaml"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def ordering() -> Ordering:
    machine = load_machine(CASE)
    return Ordering(machine, Grid(machine, {3: 32}))


def classes(text: str) -> list[str]:
    return [element.get("class", "") for element in ElementTree.fromstring(text).iter()]


def test_the_picture_has_a_map_of_each_two_axes_and_the_bodies_along_the_way(ordering: Ordering) -> None:
    found = ordering.find("stow", "under_low")
    text = order_svg(ordering, found, "stow", "under_low")
    root = ElementTree.fromstring(text)
    words = [element.text for element in root.iter(f"{SVG}text")]
    assert "stow to under_low" in words
    assert [word for word in words if word in ("lift [m]", "slide [m]", "wrist [deg]")] == [
        "lift [m]", "slide [m]", "lift [m]", "wrist [deg]", "slide [m]", "wrist [deg]",
    ]  # fmt: skip
    assert sum(kind == "course" for kind in classes(text)) == 4  # three maps and the legend
    assert "blocked-some" in classes(text)
    assert text == order_svg(ordering, found, "stow", "under_low")


def test_the_route_starts_and_ends_where_it_should_and_stays_in_certified_boxes(ordering: Ordering) -> None:
    found = ordering.find("feeder", "top_out")
    course = Course(ordering, found.plan)
    goal = ordering.machine.presets["top_out"].positions
    assert course.positions(found.duration) == pytest.approx(goal)
    assert course.positions(0.0) == pytest.approx(ordering.machine.presets["feeder"].positions)
    boxes = [(np.array(low) - 1e-9, np.array(high) + 1e-9) for low, high in found.plan.boxes()]
    for step in range(200):
        place = np.array(course.place(found.duration * step / 199))
        assert any(((low <= place) & (place <= high)).all() for low, high in boxes)


def test_shaded_cells_are_those_that_no_place_or_some_place_of_the_others_makes_free(ordering: Ordering) -> None:
    """Held against the grid's own question about single cells."""
    grid, source = ordering.grid, Random(3)
    low, high = [0.4, 0.1, -0.5], [0.8, 0.3, 0.5]
    for across, up, other in ((0, 1, 2), (2, 0, 1)):
        (layer,) = layers(grid, across, up, low, high)
        assert layer.every.shape == (32, 32)
        step = (grid.high[other] - grid.low[other]) / 32
        places = np.arange(low[other], high[other] + 0.5 * step, 0.5 * step).clip(None, high[other])
        seen = set()
        for _ in range(300):
            column, row = source.randrange(32), source.randrange(32)
            at = [0.0, 0.0, 0.0]
            at[across] = 0.5 * (layer.across[column] + layer.across[column + 1])
            at[up] = 0.5 * (layer.up[row] + layer.up[row + 1])
            free = []
            for place in places:
                at[other] = float(place)
                free.append(grid.free(at, at))
            assert layer.every[column, row] == (not any(free))
            assert layer.some[column, row] == (any(free) and not all(free))
            seen.add((bool(layer.every[column, row]), bool(layer.some[column, row])))
        assert (False, True) in seen


def test_a_machine_without_bodies_has_its_keep_outs_and_its_words_beside_the_map() -> None:
    axes = {
        name: Axis(name, "linear", Limits(1.0, 4.0), (0.0, 1.0), Mount(), Tolerance(0.005, following=0.01))
        for name in ("along", "across")
    }
    presets = {"a": Preset("a", {"along": 0.1, "across": 0.1}), "b": Preset("b", {"along": 0.9, "across": 0.9})}
    rules = (KeepOut("corner", (("along", (0.0, 0.4)), ("across", (0.3, 1.0)))),)
    ordering = Ordering(Machine("two slides", axes, presets=presets, interlocks=rules))
    found = ordering.find("a", "b")
    text = order_svg(ordering, found, "a", "b")
    assert "keep-out" in classes(text)
    assert "blocked" not in classes(text)
    assert "From the side" not in text
    view = OrderMap(Course(ordering, found.plan), axes["along"], axes["across"], 500.0, ("a", "b"))
    assert view.height < 560.0
    still = ordering.find("a", "a")
    assert "nothing moves" in order_svg(ordering, still, "a", "a")
