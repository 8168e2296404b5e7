"""Where bodies are, and how fast the distance of two of them can change."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from scenes import around, by_name, case, deg, hinge, random_tree, reacher, rectangle, roller, slide

from sequencer.clearance.batch import distances
from sequencer.clearance.box import Pair
from sequencer.clearance.polygon import polygon, signed_distance
from sequencer.clearance.tree import Tree
from sequencer.errors import ModelError
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body
from sequencer.machine.machine import Machine
from sequencer.plant.linkage import Body as Mass
from sequencer.plant.linkage import linkages
from sequencer.report.poses import moved, poses

TIP = around(0.3, 0.0, 0.01)


def with_spins(source: random.Random, tree: Tree) -> Tree:
    """The same tree with rollers between some axes and what carries them, mounted with shares of their own."""
    axes = {}
    for axis in tree.axes.values():
        if source.random() < 0.3:
            name = f"rollers of {axis.name}"
            between = Mount(axis.mount.to, (source.uniform(-0.4, 0.4), 0.1), share=axis.mount.share)
            axes[name] = replace(roller(name, "frame", (0.0, 0.0)), mount=between)
            axis = replace(axis, mount=replace(axis.mount, to=name, share=source.choice([1.0, 0.5])))
        axes[axis.name] = axis
    return Tree(axes, tree.bodies.values())


def test_bodies_stand_where_the_drawing_and_the_plant_have_them():
    """Against the poses that the side view is drawn with, and against the energy of height of the plant's linkage,
    which is the height of a mass of 1 kg times gravity."""
    source = random.Random(21)
    turned_in_part = 0
    for _ in range(400):
        tree = with_spins(source, random_tree(source))
        machine = Machine("test", tree.axes)
        carrier = source.choice([axis.name for axis in tree.axes.values() if axis.kind != "spin"])
        hand = Body("hand", carrier, tree.bodies["hand"].parts, share=source.choice([1.0, 0.5]))
        tree = Tree(tree.axes, [hand])
        values = [source.uniform(low, high) for low, high in tree.reach]
        positions = dict(zip(tree.coordinates, values, strict=True))
        turned_in_part += sum(
            axis.mount.share != 1.0 and axis.mount.to in tree.axes and tree.axes[axis.mount.to].kind == "rotary"
            for axis in tree.axes.values()
        )
        origin, angle = poses(machine, positions)[hand.carried_by].carrying(hand.share)
        for part, placed in zip(hand.parts, tree.placed("hand", values), strict=True):
            for point, found in zip(part, placed, strict=True):
                assert found == pytest.approx(moved(origin, angle, point), abs=1e-12)
        if hand.share == 1.0:
            centre = np.mean(hand.parts[0], axis=0)
            height = np.mean(tree.placed("hand", values)[0], axis=0)[1]
            assert height_on_plant(machine, carrier, complex(*centre), positions) == pytest.approx(height, abs=1e-12)
    assert turned_in_part > 100, "trees of which no carrier turns in part show nothing"


def height_on_plant(machine: Machine, carrier: str, centre: complex, positions: dict[str, float]) -> float:
    names = list(machine.axes)
    values = [positions.get(name, 0.7) for name in names]  # rollers turn, and carry nothing along
    for linkage in linkages(machine, gravity=1.0):
        if names.index(carrier) in linkage.coordinates:
            linkage.add(linkage.joint_of(names.index(carrier)), Mass(1.0, centre))
            return linkage.height_energy(values)
    raise AssertionError(f"the plant has no joint for {carrier}")


def test_a_pair_is_as_far_apart_as_its_placed_parts():
    """Through relative motion and through the frame: two ways, one distance."""
    source = random.Random(23)
    for _ in range(300):
        tree = random_tree(source)
        values = [source.uniform(low, high) for low, high in tree.reach]
        placed = [tree.placed(name, values) for name in ("hand", "post")]
        expected = min(signed_distance(polygon(a), polygon(b)).distance for a in placed[0] for b in placed[1])
        assert Pair(tree, "hand", "post").distance(values) == pytest.approx(expected, abs=1e-12)
        assert Pair(tree, "post", "hand").distance(values) == pytest.approx(expected, abs=1e-12)


def test_what_a_spin_carries_does_not_turn():
    tree = Tree(
        by_name(hinge("wrist", (-1.0, 2.0)), roller("rollers", "wrist", (0.3, 0.0))), [Body("wheel", "rollers", (TIP,))]
    )
    found = tree.placed("wheel", tree.values({"wrist": deg(90.0)}))[0]
    assert tree.coordinates == ("wrist",)
    assert np.mean(found, axis=0) == pytest.approx([0.0, 0.6], abs=1e-12)


def test_the_middle_stage_of_a_cascade_makes_half_the_stroke():
    lift = slide("lift", (0.0, 1.2), Mount("frame", (0.0, 0.2), deg(90.0)))
    tree = Tree(by_name(lift), [Body("middle", "lift", (TIP,), share=0.5), Body("top", "lift", (TIP,))])
    values = tree.values({"lift": 1.0})
    assert np.mean(tree.placed("middle", values)[0], axis=0) == pytest.approx([0.3, 0.7])
    assert tree.lipschitz("middle", "top") == pytest.approx([0.5])


def test_distances_never_change_faster_than_the_constants_say():
    source, numbers = random.Random(24), np.random.default_rng(24)
    nearest = 0.0
    for _ in range(300):
        tree = random_tree(source)
        pair = Pair(tree, "hand", "post")
        low, high = (np.array(side) for side in zip(*tree.reach, strict=True))
        one = numbers.uniform(low, high, (200, len(low)))
        other = np.clip(one + numbers.normal(0.0, 0.02, one.shape), low, high)
        change = np.abs(distances(pair, one) - distances(pair, other))
        allowed = np.abs(one - other) @ np.array(pair.lipschitz)
        assert (change <= allowed + 1e-12).all()
        nearest = max(nearest, float((change / np.maximum(allowed, 1e-9)).max()))
    assert nearest > 0.9, "constants so loose would be of no use"


def test_a_slide_counts_1_and_a_hinge_its_farthest_point():
    tree = reacher(Body("rail", "frame", (rectangle(1.2, 1.3, 0.0, 1.8),)))
    lift, along, wrist = tree.lipschitz("hand", "rail")
    assert (lift, along) == pytest.approx((1.0, 1.0))
    assert wrist == pytest.approx(np.hypot(0.35, 0.04))


def test_above_the_lowest_common_carrier_nothing_counts():
    tree = reacher()
    assert tree.lipschitz("hand", "carriage")[0] == 0.0
    assert tree.lipschitz("hand", "shelf")[0] == 1.0
    assert Pair(tree, "hand", "carriage").concerns == (1, 2)
    # seen from the hand it is the arm that turns, and that is the shorter of the two
    assert tree.lipschitz("arm", "hand") == pytest.approx((0.0, 0.0, np.hypot(0.19, 0.03)))


def test_a_slide_between_pivot_and_point_lengthens_the_arm():
    turn, out = hinge("turn", (-1.0, 1.0)), slide("out", (0.1, 0.6), Mount("turn", (0.2, 0.0)))
    tree = Tree(
        by_name(turn, out),
        [Body("tip", "out", (around(0.0, 0.0, 0.01),)), Body("post", "frame", (around(2.0, 0.0, 0.01),))],
    )
    reach = 0.2 + 0.6 + 0.005 + 0.01
    assert tree.lipschitz("tip", "post")[0] == pytest.approx(np.hypot(reach, 0.01))


def test_a_hinge_measured_from_the_level_counts_although_it_is_carried():
    """The arm turns under a hand that keeps its angle: their distance depends on both."""
    arm, hand = hinge("arm", (-1.0, 1.0)), hinge("hand", (-1.0, 1.0), Mount("arm", (0.4, 0.0), angle_from="level"))
    bodies = [Body("beam", "arm", (rectangle(0.0, 0.2, -0.02, 0.02),)), Body("plate", "hand", (TIP,))]
    tree = Tree(by_name(arm, hand), bodies)
    assert all(constant > 0.0 for constant in tree.lipschitz("beam", "plate"))
    carried = hinge("hand", (-1.0, 1.0), Mount("arm", (0.4, 0.0), angle_from="carrier"))
    assert Tree(by_name(arm, carried), bodies).lipschitz("beam", "plate")[0] == 0.0


def test_a_long_lever_counts_the_motion_of_its_tip_not_that_of_its_hinge():
    numbers = case("C02")
    tool = Body("tool", "wrist", (rectangle(0.0, numbers["tool"], -0.001, 0.001),))
    tree = Tree(by_name(hinge("wrist", (-2.0, 2.0))), [tool, Body("post", "frame", (around(2.0, 0.0, 0.01),))])
    step = deg(numbers["step_deg"])
    (constant,) = tree.lipschitz("tool", "post")
    assert constant * step == pytest.approx(numbers["tip"], abs=5e-6)
    # a pin that much farther round than the gap: the step reaches it, and is not passed over
    angle = (numbers["gap"] + 0.001) / numbers["tool"]
    pin = around(0.89 * np.cos(angle), 0.89 * np.sin(angle), 0.0005)
    pair = Pair(Tree(tree.axes, [tool, Body("pin", "frame", (pin,))]), "tool", "pin")
    assert pair.distance([0.0]) > 0.004
    assert pair.bound([0.0], [step]).lower < 0.0


def test_an_axis_between_no_watched_bodies_costs_nothing():
    """C50: rollers that spin, and an axis aside."""
    tree = reacher()
    spinning = Tree(
        {**tree.axes, "fan": roller("fan", "frame", (0.0, 0.0)), "aside": hinge("aside", (0.0, 1.0))},
        tree.bodies.values(),
    )
    pair = Pair(spinning, "hand", "shelf")
    assert "fan" not in spinning.coordinates
    assert pair.lipschitz[spinning.index["aside"]] == 0.0
    assert spinning.index["aside"] not in pair.concerns


def test_a_box_leaves_a_body_outside_all_its_range_and_other_axes_where_they_stand():
    tree = reacher(Body("post", "outside", (TIP,), range=(0.7, 1.2)))
    assert tree.coordinates == ("lift", "slide", "wrist", "post")
    assert tree.box({"lift": (0.2, 0.4)}) == ([0.2, 0.0, 0.0, 0.7], [0.4, 0.0, 0.0, 1.2])
    assert tree.box({"post": (0.8, 0.9)}) == ([0.0, 0.0, 0.0, 0.8], [0.0, 0.0, 0.0, 0.9])
    assert tree.values({}) == [0.0, 0.0, 0.0, 0.7]


def test_a_hinge_turns_about_its_pivot():
    tree = reacher()
    assert tree.origin("wrist", tree.values({"lift": 0.5, "slide": 0.2, "wrist": 1.0})) == pytest.approx((0.4, 0.75))
    # what a slide carries moves along with all of its motion
    assert tree.origin("slide", tree.values({"lift": 0.5, "slide": 0.2, "wrist": 1.0})) == pytest.approx((0.25, 0.75))


@pytest.mark.parametrize(
    ("bodies", "message"),
    [
        ([Body("hand", "wirst", (TIP,))], "body 'hand' is carried by unknown 'wirst'; did you mean 'wrist'?"),
        (
            [Body("hand", "wrist", (TIP,)), Body("hand", "frame", (TIP,))],
            "two bodies are called 'hand'; names must differ",
        ),
        (
            [Body("wrist", "outside", (TIP,), range=(0.0, 1.0))],
            "'wrist' is both an axis and a body outside; names must differ",
        ),
    ],
)
def test_bodies_that_fit_no_machine_are_refused(bodies, message):
    with pytest.raises(ModelError) as caught:
        Tree(by_name(hinge("wrist", (0.0, 1.0))), bodies)
    assert str(caught.value) == message


def test_a_position_of_an_unknown_axis_is_refused():
    with pytest.raises(ModelError, match=r"^'lfit' is no axis with a position; did you mean 'lift'\?$"):
        reacher().values({"lfit": 0.1})


def test_degrees_given_as_radians_are_refused():
    low, high = case("C29")["travel"]
    with pytest.raises(ModelError, match=r"more than two turns; are these degrees given as radians\?$"):
        hinge("wrist", (low, high))
