"""Tables of blocked positions as the supervisor asks them: where a run of blocked cells begins and ends, what a routine
has been cleared for, when a table counts. SEMANTICS R16, R54.

Cells are 1 m wide, from -3 to 3 m on both axes, unless a test says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pytest
from rig import Rig, axis, checked, machine, move, press, started, wait

from sequencer.pack.blocked import Guarded, blocked_key
from sequencer.pack.table import Block, BlockedTable
from sequencer.run.blocked import Blocked
from sequencer.run.definition import ROUNDING, AxisDefinition, RoutineDefinition
from sequencer.run.motion import Motion

INFINITE = float("inf")
P = 20_000_000
FINE = 2.0**-20
"""A cell is halved twenty times to find its edge."""


def block(blocked: Iterable[tuple[int, int]], shape: tuple[int, int] = (6, 6)) -> Block:
    """A grid over lift and wrist in which these cells, counted from the lowest, are blocked."""
    bits = sum(1 << lift * shape[1] + wrist for lift, wrist in blocked)
    return Block((0, 1), (-3.0, -3.0), (3.0, 3.0), shape, bits.to_bytes((shape[0] * shape[1] + 7) // 8, "little"))


def table(*blocks: Block, groups: Sequence[tuple[int, ...]] = ((0, 1),), when: Any = None) -> Blocked:
    """The table over a standing lift and wrist, both at 0."""
    motions = [Motion(AxisDefinition(index, axis(name), P, 5 * P)) for index, name in enumerate(("lift", "wrist"))]
    for motion in motions:
        motion.mode = "hold"
        motion.rebase(0.0, 0)
    made = BlockedTable(("lift", "wrist"), blocks, "key")
    return Blocked(Guarded("bodies", None, tuple(groups), made), when, motions)


def stand(made: Blocked, lift: float, wrist: float, goal: float) -> Blocked:
    made.motions[0].rebase(lift, 0)
    made.motions[1].rebase(wrist, 0)
    for motion in made.motions:
        motion.history.clear()
        motion.occupy_what_is_known()
    made.motions[0].goal = goal
    return made


@pytest.mark.parametrize(
    ("at", "goal"), [(0.25, 2.9), (2.75, -2.9), (0.75, 2.9), (-2.5, 2.9), (1.5, 2.9), (1.5, -2.9), (1.25, 1.25)]
)
def test_the_run_of_blocked_cells_ahead_is_found_from_either_side_and_from_within(at: float, goal: float) -> None:
    """R54: the cell from 1 to 2 m is blocked where the wrist is between 0 and 1 m."""
    low, high = stand(table(block([(4, 3)])), at, 0.5, goal).side(0)
    assert 1.0 - FINE <= low < 1.0
    assert 2.0 <= high <= 2.0 + FINE


def test_neighbouring_blocked_cells_are_one_run() -> None:
    """R54: from 0 to 2 m, and on the other axis by its own cells, from -1 to 1 m."""
    made = stand(table(block([(3, 2), (3, 3), (4, 3)])), -1.5, 0.5, 2.9)
    low, high = made.side(0)
    assert (low, high) == (pytest.approx(0.0, abs=2 * FINE), pytest.approx(2.0, abs=2 * FINE))
    stand(made, 0.5, -2.5, 0.0)
    made.motions[1].goal = 2.9
    low, high = made.side(1)
    assert (low, high) == (pytest.approx(-1.0, abs=2 * FINE), pytest.approx(1.0, abs=2 * FINE))


def test_where_the_other_axis_stands_decides_and_a_free_way_has_no_side() -> None:
    """R54: nothing is blocked with the wrist elsewhere, nor behind an axis that goes the other way."""
    made = table(block([(4, 3)]))
    assert stand(made, 0.5, 1.5, 2.9).side(0) == (-INFINITE, INFINITE)
    assert stand(made, 0.5, 0.5, -2.9).side(0) == (-INFINITE, INFINITE)
    assert stand(made, 2.5, 0.5, 2.9).side(0) == (-INFINITE, INFINITE)


def test_what_is_blocked_to_the_end_of_the_travel_has_no_far_edge() -> None:
    """R54: upwards and downwards."""
    low, high = stand(table(block([(4, 3), (5, 3)])), 0.5, 0.5, 2.9).side(0)
    assert (low, high) == (pytest.approx(1.0, abs=2 * FINE), INFINITE)
    low, high = stand(table(block([(0, 3), (1, 3)])), 0.5, 0.5, -2.9).side(0)
    assert (low, high) == (-INFINITE, pytest.approx(-1.0, abs=2 * FINE))


def test_the_finest_grid_of_several_sets_the_steps() -> None:
    """R54: cells of 0.25 m are not stepped over by those of 3 m."""
    fine = block([(15, 12)], shape=(24, 24))  # lift 0.75 to 1 m, wrist 0 to 0.25 m
    for blocks in ([fine, block([], shape=(2, 2))], [block([], shape=(2, 2)), fine]):
        low, high = stand(table(*blocks), -0.6, 0.1, 2.9).side(0)
        assert (low, high) == (pytest.approx(0.75, abs=1e-6), pytest.approx(1.0, abs=1e-6))


def test_a_box_of_positions_is_missed_unless_it_touches_a_blocked_cell() -> None:
    """R54: the other cells are free; beyond the grid nothing is."""
    made = table(block([(4, 3)]))
    assert made.axes == {0, 1}
    assert made.missed([0.5, 0.5], [0.9, 0.9])
    assert not made.missed([0.5, 0.5], [1.1, 0.9])
    assert made.missed([0.5, 1.1], [1.1, 1.9])
    assert not made.missed([2.5, 0.5], [3.1, 0.9])


@pytest.mark.parametrize(("truth", "counts"), [(None, True), (True, True), (False, False)])
def test_an_unknown_condition_of_a_table_counts(truth: bool | None, counts: bool) -> None:
    """R16."""
    assert table(block([]), when=lambda: truth).holds() is counts
    assert table(block([])).holds()


def routine_cleared(*rows: Any, name: str = "bodies", steps: int = 1) -> RoutineDefinition:
    names = [f"w{number}" for number in range(steps)]
    one = checked(machine(), *(wait(each, 1.0) for each in names), cleared={name: list(rows)})
    return RoutineDefinition(one.routine, one.hash)


def test_a_routine_may_go_where_it_was_cleared_and_not_beyond() -> None:
    """R54: the box with its rounding, on each axis and at each end."""
    made = table(block([(4, 3)]))
    inside = ([1.0 - ROUNDING, 0.2 - ROUNDING], [1.75 + ROUNDING, 0.9 + ROUNDING])
    assert not made.missed(*inside)
    made.go_by([(routine_cleared([[0, 1], [[1.0, 1.75, 0.2, 0.9]], []]), frozenset())])
    assert made.missed(*inside)
    for number in range(4):
        lows, highs = list(inside[0]), list(inside[1])
        (lows if number < 2 else highs)[number % 2] += -1e-6 if number < 2 else 1e-6
        assert not made.missed(lows, highs)
    made.go_by([])
    assert not made.missed(*inside)


def test_one_box_of_several_is_enough_and_other_tables_and_axes_do_not_count() -> None:
    """R54: cleared for these very axes, under the name of this table."""
    made = table(block([(4, 3)]))
    where = ([1.2, 0.2], [1.4, 0.4])
    made.go_by([(routine_cleared([[0, 1], [[-1.0, 0.0, -1.0, 0.0], [1.0, 1.5, 0.0, 0.5]], []]), frozenset())])
    assert made.missed(*where)
    made.go_by([(routine_cleared([[0, 1], [[1.0, 1.5, 0.0, 0.5]], []], name="others"), frozenset())])
    assert not made.missed(*where)
    made.go_by([(routine_cleared([[0], [[1.0, 1.5]], []]), frozenset())])
    assert not made.missed(*where)


def test_every_pair_of_the_table_must_be_cleared() -> None:
    """R54: one that depends on the lift alone, one on both."""
    made = table(block([(4, 3)]), groups=((0,), (0, 1)))
    where = ([1.2, 0.2], [1.4, 0.4])
    both, lift = [[0, 1], [[1.0, 1.5, 0.0, 0.5]], []], [[0], [[1.0, 1.5]], []]
    for rows, free in (([both], False), ([lift], False), ([both, lift], True)):
        made.go_by([(routine_cleared(*rows), frozenset())])
        assert made.missed(*where) is free


def test_every_grid_that_blocks_must_be_cleared_and_those_that_do_not_need_it_not() -> None:
    """R54: of two grids each has the pairs of its own axes."""
    wrist = Block((1,), (-3.0,), (3.0,), (6,), bytes([0b001000]))
    made = table(block([(4, 3)]), wrist, groups=((0, 1), (1,)))
    both, alone = [[0, 1], [[1.0, 1.5, 0.0, 0.5]], []], [[1], [[0.0, 0.5]], []]
    for rows, free in (([both], False), ([alone], False), ([both, alone], True)):
        made.go_by([(routine_cleared(*rows), frozenset())])
        assert made.missed([1.2, 0.2], [1.4, 0.4]) is free
    made.go_by([(routine_cleared(alone), frozenset())])
    assert made.missed([0.2, 0.2], [0.4, 0.4])


def test_what_a_touching_step_clears_counts_while_all_of_its_steps_are_active() -> None:
    """R46, R54: two steps, and only both together."""
    made = table(block([(4, 3)]))
    routine = routine_cleared([[0, 1], [[1.0, 1.5, 0.0, 0.5]], [0, 1]], steps=3)
    assert routine.touching == {0, 1}
    for touching, free in ((set(), False), ({0}, False), ({0, 1}, True), ({0, 1, 2}, True), ({1, 2}, False)):
        made.go_by([(routine, frozenset(touching))])
        assert made.missed([1.2, 0.2], [1.4, 0.4]) is free


def test_two_routines_that_run_are_both_asked() -> None:
    """R44: what either was cleared for."""
    made = table(block([(4, 3)]))
    near, far = ([[0, 1], [[low, low + 0.4, 0.0, 0.5]], []] for low in (1.0, 1.5))
    running = [(routine_cleared(near), frozenset[int]()), (routine_cleared(far), frozenset[int]())]
    made.go_by(running)
    assert made.missed([1.1, 0.2], [1.3, 0.4])
    assert made.missed([1.6, 0.2], [1.8, 0.4])
    assert not made.missed([1.3, 0.2], [1.6, 0.4])


# Under a runner.


def on_table(blocked: Iterable[tuple[int, int]], when: Any = None) -> Any:
    plain = machine()
    names = [one["name"] for one in plain["axes"]]
    made = BlockedTable(names, [block(blocked)], blocked_key(plain, {}))
    entry = {"name": "bodies", "when": when, "groups": [[0, 1]], "table": made.to_data()}
    return machine(blocked={"geometry": {}, "tables": [entry]})


@pytest.mark.parametrize(("cell", "sense"), [(4, 1.0), (1, -1.0)])
def test_an_axis_stops_at_the_edge_of_blocked_cells_and_says_whom_it_waits_for(cell: int, sense: float) -> None:
    """R54: the cell from 1 to 2 m, or from -2 to -1 m."""
    rig = started(checked(on_table([(cell, 2), (cell, 3)]), move("m", {"lift": 2.5 * sense})), ticks=120)
    assert rig.points()[-1] * sense == pytest.approx(1.0, abs=3e-6)
    assert rig.points()[-1] * sense < 1.0
    (event,) = rig.kinds("hold")
    assert event.text == "lift is held by bodies, waiting for wrist"


def test_a_table_counts_under_its_condition_and_the_axis_goes_on_when_that_ends() -> None:
    """R54."""
    routine = checked(on_table([(4, 2), (4, 3)], when=["holds", "beam"]), move("m", {"lift": 2.5}))
    rig = Rig(routine, beam=lambda tick: tick < 100)
    rig.start()
    rig.run(98)
    assert rig.points()[-1] < 1.0
    rig.run(120)
    assert [event.tick for event in rig.kinds("go")] == [100]
    assert rig.points()[-1] == 2.5


def test_a_cleared_routine_passes_where_another_is_held() -> None:
    """R54: from the tick of its start."""
    on = on_table([(4, 2), (4, 3)])
    cleared = {"bodies": [[[0, 1], [[-0.1, 2.6, -0.1, 0.1]], []]]}
    rig = started(checked(on, move("m", {"lift": 2.5}), cleared=cleared), ticks=220)
    assert not rig.kinds("hold")
    assert rig.points()[-1] == 2.5
    assert rig.outcome()[1] == "done"


def test_a_start_is_not_refused_for_a_cell_that_the_machine_stands_in() -> None:
    """R51: cells are coarser than what was proved; a keep-out of the file would be named."""
    on = on_table([(3, 3)])
    rig = started(checked(on, move("m", {"lift": -0.5})), ticks=2)
    assert rig.refusals() == []


@pytest.mark.parametrize("how", ["press", "move"])
def test_a_step_that_lets_bodies_touch_may_begin_in_its_own_tick(how: str) -> None:
    """R46, R54: the supervisor is told what is active before it is asked; without it the step waits outside."""
    on = on_table([(3, 2), (3, 3), (4, 2), (4, 3)])
    step = press("p", 5.0, 1.5, "A", axis="lift", until=["holds", "beam"]) if how == "press" else None
    step = step or move("p", {"lift": 1.5}, "A")
    for steps, held in (([1], False), ([0], True)):
        cleared = {"bodies": [[[0, 1], [[-0.6, 2.6, -0.1, 0.1]], steps]]}
        rig = Rig(checked(on, wait("A", 0.1), step, cleared=cleared))
        rig.positions["lift"] = -0.5
        rig.start()
        rig.run(80)
        assert bool(rig.kinds("hold")) is held
        assert (rig.modes()[5] == ("effort" if how == "press" else "track")) is not (held and how == "press")
