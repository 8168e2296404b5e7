"""The clearance of timed motions, enclosed from both sides."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scenes import around, by_name, case, deg, hinge, random_tree, reacher, rectangle, slide, watched

from profiles import Limits, Profile, State, s_curve, together, trapezoid
from sequencer.clearance.batch import distances
from sequencer.clearance.box import Pair
from sequencer.clearance.course import Course
from sequencer.clearance.motion import PRECISION, motion_digest, timed_clearance
from sequencer.clearance.tree import Tree
from sequencer.machine.axis import Mount
from sequencer.machine.body import Body


def sampled(tree: Tree, pair: Pair, profiles: dict[str, Profile], period: float) -> np.ndarray:
    """Distances at 0, period, 2 period, ... but not at the end."""
    end = max(profile.duration for profile in profiles.values())
    times = np.arange(0.0, end, period)
    values = np.tile(tree.values({}), (len(times), 1))
    for name, profile in profiles.items():
        values[:, tree.index[name]] = [profile.at(time).position for time in times]
    return distances(pair, values)


def flag_and_pin() -> tuple[Tree, Pair, Profile]:
    numbers = case("C01")
    half = 0.5 * numbers["thickness"]
    flag = Body("flag", "turn", (rectangle(0.0, numbers["length"], -half, half),))
    x, y = numbers["radius"] * np.cos(numbers["angle"]), numbers["radius"] * np.sin(numbers["angle"])
    tree = Tree(
        by_name(hinge("turn", (-1.6, 1.6))), [flag, Body("pin", "frame", (around(x, y, 0.5 * numbers["pin"]),))]
    )
    profile = trapezoid(numbers["start"], numbers["goal"], Limits(numbers["speed"], numbers["acceleration"]))
    return tree, Pair(tree, "flag", "pin"), profile


def test_a_thin_flag_that_passes_through_a_pin_is_found():
    tree, pair, profile = flag_and_pin()
    found = timed_clearance(tree, [pair], {"turn": profile}, {})
    assert found.outcome == "conflict"
    assert found.at == pytest.approx(case("C01")["witness"], abs=1e-3)
    assert found.bad_from == pytest.approx(found.at, abs=1e-3)
    # to a microsecond: by then the edge of the flag is at the nearest corner of the pin
    before, after = (pair.distance([profile.at(found.bad_from + late).position]) for late in (-1e-6, 2e-6))
    assert before > 0.0 >= after
    for period in (0.020, 0.005):
        assert sampled(tree, pair, {"turn": profile}, period).min() > 0.0, "samples see nothing of it"


def lifted(stop_at: float) -> tuple[Tree, Pair, Profile]:
    numbers = case("C03")
    car = Body("car", "lift", (rectangle(-0.1, 0.1, -0.1, 0.0),))
    stop = Body("stop", "frame", (rectangle(-0.1, 0.1, stop_at, stop_at + 0.1),))
    tree = Tree(by_name(slide("lift", (0.0, 0.6), Mount(direction=deg(90.0)))), [car, stop])
    limits = Limits(numbers["speed"], numbers["acceleration"])
    profile = trapezoid(0.0, numbers["rise"], limits).followed_by(trapezoid(numbers["rise"], 0.0, limits))
    return tree, Pair(tree, "car", "stop"), profile


def test_the_apex_of_a_there_and_back_move_is_found():
    numbers = case("C03")
    tree, pair, profile = lifted(numbers["rise"] - numbers["below"])
    found = timed_clearance(tree, [pair], {"lift": profile}, {})
    assert found.outcome == "conflict"
    assert found.least == pytest.approx(-numbers["below"], abs=1e-5)
    assert found.at == pytest.approx(0.5 * profile.duration, abs=5e-3)
    assert sampled(tree, pair, {"lift": profile}, 0.020).min() > 0.0
    tree, pair, profile = lifted(numbers["rise"] + numbers["below"])
    found = timed_clearance(tree, [pair], {"lift": profile}, {})
    assert (found.outcome, found.bad_from) == ("clear", None)


def test_the_end_of_a_move_is_always_looked_at():
    numbers = case("C04")
    car = Body("car", "out", (around(0.0, 0.0, 0.05),))
    wall = Body("wall", "frame", (rectangle(0.55 - numbers["inside"], 1.0, -1.0, 1.0),))
    tree = Tree(by_name(slide("out", (0.0, 0.5))), [car, wall])
    pair = Pair(tree, "car", "wall")
    profile = trapezoid(0.0, 0.5, Limits(1.0, 20.0))
    found = timed_clearance(tree, [pair], {"out": profile}, {})
    assert found.outcome == "conflict"
    assert found.at == profile.duration
    assert found.least == pytest.approx(-numbers["inside"], abs=1e-12)
    last = profile.first_time_at(0.5 - numbers["inside"] - numbers["last_sample_before"] + 1e-9)
    samples = sampled(tree, pair, {"out": profile}, last / 19.0)
    assert samples.min() == pytest.approx(numbers["last_sample_before"], abs=1e-6)


def test_the_overshoot_of_a_move_begun_in_motion_belongs_to_it():
    """Going up at 1.2 m/s when the goal changes downward, the axis first goes on by v^2/(2a)."""
    numbers = case("C20")
    limits = Limits(2.0, 0.5 * numbers["speed"] ** 2 / numbers["overshoot"])
    profile = trapezoid(State(0.3, numbers["speed"]), 0.0, limits)
    assert profile.extremes().highest_position == pytest.approx(0.3 + numbers["overshoot"])
    tree, pair, _ = lifted(0.3 + numbers["overshoot"] - 0.001)
    assert timed_clearance(tree, [pair], {"lift": profile}, {}).outcome == "conflict"
    assert timed_clearance(tree, [pair], {"lift": trapezoid(0.3, 0.0, limits)}, {}).outcome == "clear"


def test_axes_that_arrive_together_are_checked_on_their_profiles_not_on_a_straight_line():
    """They leave the line by up to 0.134 m in the second axis if the first one is the only one that is slow."""
    numbers = case("C44")
    goals = numbers["goals"]
    axes = by_name(slide("along", (0.0, 1.0)), slide("up", (0.0, 1.0), Mount("along", direction=deg(90.0))))
    bodies = [Body("tip", "up", (around(0.0, 0.0, 0.005),))]
    limits = Limits(1.0, 1.0)
    profiles = {"along": trapezoid(0.0, goals[0], limits), "up": trapezoid(0.0, goals[1], limits)}
    times = np.linspace(0.0, profiles["along"].duration, 2001)
    away = [profiles["up"].at(t).position - goals[1] * profiles["along"].at(t).position / goals[0] for t in times]
    at = int(np.argmax(away))
    x, y = profiles["along"].at(times[at]).position, profiles["up"].at(times[at]).position
    tree = Tree(axes, [*bodies, Body("pin", "frame", (around(x, y, 0.005),))])
    pair = Pair(tree, "tip", "pin")
    assert timed_clearance(tree, [pair], profiles, {}).outcome == "conflict"
    line = [[goals[0] * share, goals[1] * share] for share in np.linspace(0.0, 1.0, 1001)]
    assert distances(pair, line).min() > 0.5 * max(away)
    assert max(away) == pytest.approx(numbers["leaves_by"], abs=1e-3)
    in_time = together([0.0, 0.0], goals, [limits, limits])
    assert timed_clearance(tree, [pair], dict(zip(("along", "up"), in_time, strict=True)), {}).outcome == "clear"


def test_the_least_clearance_is_enclosed_as_narrowly_as_asked():
    source = random.Random(51)
    for _ in range(60):
        tree = random_tree(source, 3)
        pair = Pair(tree, "hand", "post", source.choice([0.0, 0.02]))
        limits = Limits(source.uniform(0.5, 3.0), source.uniform(2.0, 20.0), 200.0)
        profiles = {
            name: s_curve(source.uniform(low, high), source.uniform(low, high), limits)
            for name, (low, high) in zip(tree.coordinates, tree.reach, strict=True)
            if name in tree.axes
        }
        found = timed_clearance(tree, [pair], profiles, {}, precision=1e-5)
        assert found.bound <= found.least <= found.bound + 1.1e-5
        least = sampled(tree, pair, profiles, 1e-3).min()
        assert found.bound <= least
        assert found.least <= least + 1e-5
        if found.outcome == "conflict":
            assert found.bad_from is not None
            early = sampled(tree, pair, profiles, 1e-3)[: int(found.bad_from / 1e-3)]
            assert (early > pair.margin).all()


def test_all_pairs_are_watched_and_the_one_with_the_least_to_spare_is_named():
    tree = reacher()
    limits = tree.axes["lift"].limits
    profiles = {"lift": s_curve(0.0, 1.2, limits), "slide": s_curve(0.0, 0.3, limits).delayed(0.6)}
    found = timed_clearance(tree, watched(tree), profiles, {"wrist": deg(0.0)})
    assert found.outcome == "clear"
    assert found.pair is not None
    least = {pair.names: sampled(tree, pair, profiles, 1e-3).min() for pair in watched(tree)}
    assert found.pair.names == min(least, key=least.__getitem__)
    assert found.least == pytest.approx(min(least.values()), abs=2.0 * PRECISION)
    assert found.least - found.bound <= PRECISION == 1e-4
    assert found.spans < 300, "the search stops as soon as it knows"


def test_a_body_outside_may_stand_anywhere_in_its_span():
    post = Body("post", "outside", (rectangle(0.0, 0.1, 0.0, 1.6),), range=(0.5, 1.2))
    tree = reacher(post)
    pair = Pair(tree, "hand", "post")
    profiles = {"slide": s_curve(0.0, 0.3, tree.axes["slide"].limits)}
    far = timed_clearance(tree, [pair], profiles, {"wrist": 0.0, "lift": 0.9}, spans={"post": (0.9, 1.2)})
    assert far.outcome == "clear"
    assert far.least == pytest.approx(0.05, abs=2.0 * PRECISION)
    near = timed_clearance(tree, [pair], profiles, {"wrist": 0.0, "lift": 0.9}, spans={"post": (0.7, 1.2)})
    assert near.outcome == "conflict"
    assert near.bad_from == pytest.approx(profiles["slide"].first_time_at(0.15), abs=1e-4)


def test_a_search_that_gives_up_is_undecided():
    tree, pair, profile = flag_and_pin()
    found = timed_clearance(tree, [pair], {"turn": profile}, {}, budget=3)
    assert found.outcome == "undecided"
    assert found.bad_from is not None


def test_a_motion_that_is_smoothed_afterwards_is_another_motion():
    limits = Limits(1.0, 10.0, 100.0)
    tree, pair, _ = lifted(0.7)
    one = {"lift": s_curve(0.0, 0.5, limits)}
    other = {"lift": s_curve(0.0, 0.5, Limits(1.0, 10.0, 99.999))}
    found = timed_clearance(tree, [pair], one, {})
    assert found.motion == motion_digest(one) != motion_digest(other)


def test_nothing_watched_is_clear_with_nothing_said():
    assert repr(timed_clearance(reacher(), [], {}, {})) == "<clear, no pairs>"


def test_an_axis_between_no_watched_bodies_costs_no_spans():
    """A roller has no position at all, and an axis aside does not count."""
    tree = reacher()
    more = Tree({**tree.axes, "aside": hinge("aside", (-3.0, 3.0))}, tree.bodies.values())
    profiles = {"lift": s_curve(0.0, 1.2, tree.axes["lift"].limits)}
    plain = timed_clearance(tree, watched(tree), profiles, {"wrist": 0.5})
    swings = {"aside": s_curve(-3.0, 3.0, Limits(0.2, 1.0, 10.0))}
    beside = timed_clearance(more, watched(more), {**profiles, **swings}, {"wrist": 0.5}, until=plain_end(profiles))
    assert beside.spans == plain.spans
    assert beside.least == plain.least


def plain_end(profiles: dict[str, Profile]) -> float:
    return max(profile.duration for profile in profiles.values())


def test_a_course_gives_the_ranges_of_its_profile():
    source = random.Random(52)
    for _ in range(100):
        limits = Limits(source.uniform(0.2, 3.0), source.uniform(1.0, 9.0), source.uniform(5.0, 90.0))
        start = State(source.uniform(-1.0, 1.0), source.uniform(-0.2, 0.2))
        first = s_curve(start, source.uniform(-1.0, 1.0), limits)
        profile = first.followed_by(s_curve(first.goal, source.uniform(-1.0, 1.0), limits))
        course = Course(profile)
        for _ in range(20):
            begin, end = sorted(source.uniform(-0.2, profile.duration + 0.2) for _ in range(2))
            expected = profile.position_range(begin, end)
            assert course.between(begin, end) == pytest.approx(expected, abs=1e-12)
        assert course.between(-1.0, 1e9) == pytest.approx(profile.position_range(-1.0, 1e9), abs=1e-12)


def test_a_course_of_several_moves_rests_between_them_and_is_taken_over_in_mid_move():
    limits = Limits(1.0, 4.0)
    first, second = trapezoid(0.0, 0.5, limits), trapezoid(0.5, 0.2, limits)
    third = trapezoid(second.at(0.3), 0.4, limits)
    course = Course([(0.5, first), (3.0, second), (3.3, third)])
    assert course.duration == 3.3 + third.duration
    assert [course.at(time) for time in (0.0, 0.5, 2.0, 3.0)] == [0.0, 0.0, 0.5, 0.5]
    assert course.between(0.0, 9.0) == (0.0, 0.5)
    source = random.Random(53)
    for _ in range(200):
        begin, end = sorted(source.uniform(0.0, 5.0) for _ in range(2))
        samples = [course.at(time) for time in np.linspace(begin, end, 400)]
        low, high = course.between(begin, end)
        assert low <= min(samples) <= low + 0.01
        assert high - 0.01 <= max(samples) <= high


def test_a_course_of_no_moves_is_refused():
    with pytest.raises(ValueError, match=r"^a course needs at least one move$"):
        Course([])


def test_a_span_of_a_longer_motion_can_be_looked_at_by_itself():
    tree, pair, _ = lifted(0.55)
    limits = Limits(2.0, 10.0)
    moves = [
        (0.0, trapezoid(0.0, 0.3, limits)),
        (1.0, trapezoid(0.3, 0.56, limits)),
        (2.0, trapezoid(0.56, 0.0, limits)),
    ]
    whole = timed_clearance(tree, [pair], {"lift": moves}, {})
    assert whole.outcome == "conflict"
    assert 1.0 < whole.bad_from < 2.0
    first = timed_clearance(tree, [pair], {"lift": moves}, {}, until=1.0)
    last = timed_clearance(tree, [pair], {"lift": moves}, {}, since=2.2)
    assert (first.outcome, last.outcome) == ("clear", "clear")
    assert first.least == pytest.approx(0.25, abs=2.0 * PRECISION)
    assert last.at == pytest.approx(2.2)
    middle = timed_clearance(tree, [pair], {"lift": moves}, {}, since=1.0, until=2.0)
    assert middle.bad_from == pytest.approx(whole.bad_from, abs=1e-5)


def test_the_flag_is_as_far_from_the_pin_as_a_hand_calculation_says():
    """Where the flag lies level, the pin is above it."""
    _, pair, _ = flag_and_pin()
    numbers = case("C01")
    above = numbers["radius"] * np.sin(numbers["angle"])
    assert pair.distance([0.0]) == pytest.approx(above - 0.5 * numbers["pin"] - 0.5 * numbers["thickness"])


def test_the_earliest_bad_instant_is_the_first_at_which_any_place_is_bad():
    """Swung past a post by random moves there and back: sampled every 0.1 ms, and bisected from there."""
    source = random.Random(71)
    told = 0
    for number in range(16):
        x, y = source.uniform(0.2, 0.45), source.uniform(-0.3, 0.3)
        arm, post = (
            Body("arm", "turn", (rectangle(0.0, 0.3, -0.02, 0.02),)),
            Body("post", "frame", (around(x, y, 0.05),)),
        )
        tree = Tree(by_name(hinge("turn", (-1.6, 1.6))), [arm, post])
        pair = Pair(tree, "arm", "post", source.choice([0.0, 0.01]))
        limits = Limits(source.uniform(1.0, 6.0), 20.0)
        places = [source.uniform(-1.5, 1.5) for _ in range(3)]
        first = trapezoid(places[0], places[1], limits)
        begin = first.duration + source.choice([0.0, 0.3])
        chain = [(0.0, first), (begin, trapezoid(places[1], places[2], limits))]
        found = timed_clearance(tree, [pair], {"turn": chain}, {})
        course = Course(chain)

        def spare(time: float, pair: Pair = pair, course: Course = course) -> float:
            return pair.distance([course.at(time)]) - pair.margin

        times = np.arange(0.0, course.duration + 1e-4, 1e-4)
        bad = np.flatnonzero(distances(pair, [[course.at(time)] for time in times]) <= pair.margin)
        if not len(bad):
            assert found.outcome == "clear" or found.least - pair.margin < 1e-3, number
            continue
        told += 1
        low, high = times[max(bad[0] - 1, 0)], times[bad[0]]
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if spare(middle) <= 0.0 else (middle, high)
        assert found.outcome == "conflict"
        assert found.bad_from is not None
        assert high - 3e-6 <= found.bad_from <= high + 3e-6 or bad[0] == found.bad_from == 0.0, number
    assert told > 3
