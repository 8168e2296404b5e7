"""The written-out equations against the sums that they were written from, on random trees."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from sequencer.plant.equations import compiled, written
from sequencer.plant.linkage import Body, Joint, Linkage


def point(draw: Random) -> complex:
    return complex(draw.gauss(0.0, 0.3), draw.gauss(0.0, 0.3))


def tree(draw: Random) -> tuple[Linkage, int]:
    """Up to five joints on up to as many axes, stages with shares among them, some carrying nothing."""
    count = draw.randint(1, 5)
    axes = draw.randint(1, count)
    joints = []
    for place in range(count):
        hinge = draw.random() < 0.5
        joints.append(
            Joint(
                draw.randint(-1, place - 1) if place else -1,
                draw.randrange(axes) if place >= axes else place,
                draw.choice([1.0, 0.5]),
                hinge,
                hinge and draw.random() < 0.5,
                point(draw),
                point(draw),
            )
        )
    linkage = Linkage(joints)
    for place in range(count):
        if draw.random() < 0.8:
            centre = point(draw) if draw.random() < 0.7 else 0j
            linkage.add(place, Body(5.0 * draw.random(), centre, draw.random()))
    linkage.prescribe([draw.random() < 0.3 for _ in linkage.coordinates])
    return linkage, axes


def states(draw: Random, linkage: Linkage, axes: int) -> tuple[list[float], list[float], list[float]]:
    given = dict(zip(linkage.coordinates, linkage.prescribed, strict=True))
    known = [draw.gauss(0.0, 3.0) if given.get(axis) else 0.0 for axis in range(axes)]
    return [draw.gauss(0.0, 1.0) for _ in range(axes)], [draw.gauss(0.0, 2.0) for _ in range(axes)], known


@pytest.mark.parametrize("seed", range(60))
def test_the_written_equations_are_those_of_the_tree(seed):
    draw = Random(seed)
    linkage, axes = tree(draw)
    position, speed, known = states(draw, linkage, axes)
    linkage.evaluate(position, speed, known)
    size = len(linkage.coordinates)
    expected = [linkage.matrix[row][column] for row in range(size) for column in range(row, size)] + linkage.bias
    assert linkage.equations(position, speed, known, linkage.masses) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_arrays_give_what_numbers_give_one_by_one(seed):
    draw = Random(seed)
    linkage, axes = tree(draw)
    many = [states(draw, linkage, axes) for _ in range(7)]
    columns = [np.array([state[kind] for state in many]).T for kind in range(3)]
    found = compiled(linkage.structure, arrays=True)(*columns, linkage.masses)
    for number, state in enumerate(many):
        expected = linkage.equations(*state, linkage.masses)
        got = [term[number] if np.ndim(term) else term for term in found]
        assert got == pytest.approx(expected, rel=1e-13, abs=1e-13)


def test_what_moves_nothing_is_not_written():
    slide = Linkage([Joint(-1, 0, 1.0, False, False, 0.3 + 0.2j, 1j)], gravity=9.8)
    slide.add(0, Body(2.0, 0j))
    assert written(slide.structure).splitlines() == [
        "def equations(position, speed, known, masses):",
        "    c0, = masses",
        "    t3 = 9.8 * c0",
        "    return c0, t3,",
    ]


def test_a_piece_that_goes_changes_the_equations():
    hinge = Linkage([Joint(-1, 0, 1.0, True, True, 0j, 1 + 0j)], gravity=10.0)
    hinge.add(0, Body(2.0, 0.5 + 0j))
    lantern = Body(1.0, 1.0 + 0j)
    hinge.add(0, lantern)
    assert hinge.equations([0.0], [0.0], [0.0], hinge.masses) == pytest.approx((0.5 + 1.0, 10.0 + 10.0))
    hinge.remove(0, lantern)
    assert hinge.equations([0.0], [0.0], [0.0], hinge.masses) == pytest.approx((0.5, 10.0))
