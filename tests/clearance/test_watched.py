"""Which pairs are watched."""

from __future__ import annotations

import pytest
from scenes import around, by_name, case, deg, hinge, reacher, rectangle, roller, slide

from sequencer.clearance.box import Pair
from sequencer.clearance.tree import Tree
from sequencer.clearance.watched import watch
from sequencer.errors import ModelError
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body, Clearance


def names(found) -> set[frozenset[str]]:
    return {frozenset(pair.names) for pair in found}


def test_every_pair_that_can_come_near_is_watched_and_the_rest_is_listed_with_its_reason():
    found = watch(reacher())
    assert [str(exempt) for exempt in found.exempt] == [
        "mast and bumper exempt: no axis moves either of them",
        "mast and shelf exempt: no axis moves either of them",
        "bumper and shelf exempt: no axis moves either of them",
        "arm and hand exempt: joined by wrist",
    ]
    assert len(found.pairs) + len(found.exempt) == 15


def test_neighbours_across_a_hinge_are_exempt_as_joined():
    """Arm and plate overlap at the hinge by design."""
    tree = Tree(
        by_name(hinge("arm", (-1.0, 1.0)), hinge("wrist", (-1.0, 1.0), Mount("arm", (0.5, 0.0), angle_from="carrier"))),
        [Body("beam", "arm", (rectangle(0.0, 0.52, -0.02, 0.02),)), Body("plate", "wrist", (around(0.05, 0.0, 0.06),))],
    )
    assert [str(exempt) for exempt in watch(tree).exempt] == ["beam and plate exempt: joined by wrist"]


def test_a_body_of_two_parts_covers_a_pivot_with_either_of_them() -> None:
    """An arm that carries a counterweight behind its hinge is joined to its bracket all the same."""
    arm = Body("arm", "arm", (rectangle(0.2, 0.4, -0.02, 0.02), rectangle(-0.1, 0.1, -0.02, 0.02)))
    bracket = Body("bracket", "frame", (around(0.0, 0.0, 0.05), around(0.0, -0.3, 0.05)))
    tree = Tree(by_name(hinge("arm", (-1.0, 1.0))), [arm, bracket])
    assert [str(exempt) for exempt in watch(tree).exempt] == ["arm and bracket exempt: joined by arm"]
    apart = Body("bracket", "frame", (around(0.0, 0.2, 0.05), around(0.0, -0.3, 0.05)))
    assert names(watch(Tree(tree.axes, [arm, apart])).pairs) == {frozenset(("arm", "bracket"))}


def test_what_stands_beside_a_hinge_is_watched():
    """A pin on the frame in the way of an arm that is hinged on the frame does not cover the pivot."""
    tree = Tree(
        by_name(hinge("flag", (-1.0, 1.0))),
        [Body("cloth", "flag", (rectangle(0.0, 0.4, -0.01, 0.01),)), Body("pin", "frame", (around(0.3, 0.2, 0.01),))],
    )
    assert names(watch(tree).pairs) == {frozenset(("cloth", "pin"))}


def test_a_carriage_that_overlaps_its_rail_all_along_is_joined_and_one_that_leaves_it_is_not():
    def exempt(length: float):
        lift = slide("lift", (0.0, 1.0), Mount(direction=deg(90.0)))
        rail = Body("rail", "frame", (rectangle(-0.02, 0.02, 0.0, length),))
        tree = Tree(by_name(lift), [rail, Body("carriage", "lift", (around(0.05, 0.0, 0.04),))])
        return [found.because for found in watch(tree).exempt]

    assert exempt(1.0) == ["joined by lift"]
    assert exempt(0.9) == []


def test_two_links_apart_are_watched_though_they_meet_only_beyond_a_limit():
    numbers = case("C34")
    tree = Tree(
        by_name(
            slide("lift", (0.0, 1.0), Mount(direction=deg(90.0))),
            hinge("elbow", (deg(-100.0), deg(numbers["limit_deg"])), Mount("lift", (0.0, 0.3))),
        ),
        [
            Body("carriage", "lift", (around(-0.3, 0.4, 0.1),)),
            Body("plate", "elbow", (rectangle(0.0, 0.3, -0.02, 0.02),)),
        ],
    )
    found = watch(tree)
    assert names(found.pairs) == {frozenset(("carriage", "plate"))}
    assert found.pairs[0].distance(tree.values({"elbow": deg(numbers["overlap_deg"])})) < 0.0
    low, high = tree.box({"elbow": (deg(-100.0), deg(numbers["limit_deg"]))})
    assert found.pairs[0].bound([low[0], high[1]], high).lower > 0.0


def test_bodies_on_one_carrier_are_exempt_also_through_a_spin():
    tree = Tree(
        by_name(hinge("wrist", (-1.0, 1.0)), roller("rollers", "wrist", (0.3, 0.0))),
        [Body("hand", "wrist", (around(0.2, 0.0, 0.1),)), Body("wheel", "rollers", (around(0.0, 0.0, 0.05),))],
    )
    assert [str(exempt) for exempt in watch(tree).exempt] == ["hand and wheel exempt: both on wrist"]


def test_a_declared_margin_is_kept_and_a_declared_exemption_listed():
    tree = reacher()
    found = watch(tree, [Clearance(("shelf", "hand"), 0.015), Clearance(("carriage", "arm"), exempt="guided by it")])
    margins = {pair.names: pair.margin for pair in found.pairs}
    assert margins["shelf", "hand"] == 0.015
    assert margins["mast", "hand"] == 0.0
    assert "carriage and arm exempt: guided by it" in map(str, found.exempt)


def test_a_joined_pair_is_watched_if_a_margin_is_declared():
    found = watch(reacher(), [Clearance(("arm", "hand"), 0.0)])
    assert frozenset(("arm", "hand")) in names(found.pairs)


def test_a_misspelt_body_is_refused_with_the_nearest_name():
    numbers = case("C35")
    tree = Tree(
        by_name(hinge("wrist", (-1.0, 1.0))),
        [Body("plate", "wrist", (around(0.1, 0.0, 0.1),)), Body(numbers["body"], "frame", (around(0.5, 0.5, 0.1),))],
    )
    with pytest.raises(ModelError) as caught:
        watch(tree, [Clearance(tuple(numbers["pair"]), 0.01)])
    assert str(caught.value) == (
        "clearance between plate and shelf_l0: unknown body 'shelf_l0'; did you mean 'shelf_lo'?"
    )


def test_one_pair_has_one_clearance():
    with pytest.raises(ModelError, match=r"^two clearances are between hand and shelf; keep one$"):
        watch(reacher(), [Clearance(("shelf", "hand"), 0.01), Clearance(("hand", "shelf"), 0.02)])


def test_a_pair_in_the_range_of_a_body_outside_is_watched():
    post = Body("post", "outside", (rectangle(0.0, 0.1, 0.0, 1.0),), range=(0.5, 1.0))
    found = watch(reacher(post))
    assert {pair.first for pair in found.pairs if pair.second == "post"} == {"carriage", "arm", "hand"}
    assert all(isinstance(pair, Pair) for pair in found.pairs)
