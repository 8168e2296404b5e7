"""`route: clear`: judged box by box, from every place that a step can start from, and never believed (R47, R51)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians

import pytest

from profiles import Limits
from sequencer import rehearse
from sequencer.check import Examination, examine
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.routes import certain, routed
from sequencer.check.scenarios import scenarios_of
from sequencer.machine.axis import Axis, Mount, Tolerance
from sequencer.machine.body import Body
from sequencer.machine.condition import parse_condition
from sequencer.machine.interlock import KeepOut
from sequencer.machine.machine import Machine, Preset
from sequencer.ordering import ways
from sequencer.plan import plan
from sequencer.plan.resolve import flatten
from sequencer.routine import RoutineBuilder
from sequencer.routine.builder import move, repeat
from sequencer.routine.routine import Routine
from sequencer.routine.way_table import Leg, WayTable

Said = Callable[[Examination, str], list[str]]

SHELF = KeepOut("shelf", (("lift", (0.4, 0.6)), ("wrist", (radians(-30.0), radians(50.0)))), "the hand meets the shelf")


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture
def shelved(hand: Machine) -> Machine:
    """The hand with a shelf in front: past it only folded back."""
    return replace(hand, interlocks=(*hand.interlocks, SHELF))


def from_ridge(machine: Machine, **keys: object) -> Routine:
    """From the ridge to below the shelf, straight or by a way; both axes at once meet the shelf."""
    builder = RoutineBuilder("down", machine, start="ridge", timeout="planned + 0.5 s")
    builder.step("down", move(lift="0.3 m", wrist="20 deg"), **keys)
    return builder.build()


def test_a_way_round_is_clear_where_the_straight_one_is_not(shelved: Machine, said: Said) -> None:
    """R47."""
    straight = examine(from_ridge(shelved))
    assert straight.verdict == "conflict"
    by_way = examine(from_ridge(shelved, route="clear"))
    assert by_way.verdict == "clear", by_way.findings
    assert by_way.plan is not None
    assert straight.plan is not None
    wrist = next(axis for axis in by_way.plan.steps[0].profiles if axis == "wrist")
    assert by_way.plan.steps[0].profiles[wrist].extremes().highest_position > radians(50.0)
    assert by_way.plan.duration > straight.plan.duration


def test_a_plan_without_ways_says_that_it_goes_straight(shelved: Machine) -> None:
    """R47: only the check works ways out."""
    step = plan(from_ridge(shelved, route="clear")).steps[0]
    assert "its way is looked up where it starts" in step.about


def test_a_table_with_one_wrong_box_is_found_out(shelved: Machine, said: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    """R47: the check does not believe what worked the ways out."""
    right = ways.way_table

    def wrong(machine: Machine, *arguments: object, **more: object) -> WayTable:
        table = right(machine, *arguments, **more)  # type: ignore[arg-type]
        first = table.legs[0]
        across = Leg(first.place, (0.3, radians(10.0)), (0.45, radians(30.0)))
        return replace(table, legs=(across, *table.legs[1:]))

    monkeypatch.setattr(ways, "way_table", wrong)
    examination = examine(from_ridge(shelved, route="clear"))
    assert examination.verdict == "conflict"
    assert "shelf (the hand meets the shelf)" in said(examination, "keep_out")[0]


def test_a_wrong_box_into_a_body_is_found_out_too(hand: Machine, said: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    """R47: by the cells of the pack, and where these do not tell by a proof."""
    bodies = {
        "tip": Body("tip", "lift", ((((-0.05, 0.0), (0.05, 0.0), (0.05, 0.05), (-0.05, 0.05))),)),
        "beam": Body("beam", "frame", ((((1.3, -0.05), (1.4, -0.05), (1.4, 0.05), (1.3, 0.05))),)),
    }
    machine = replace(hand, bodies=bodies, interlocks=())
    builder = RoutineBuilder("up", machine, start="carry", timeout="planned + 0.5 s")
    builder.step("up", move(lift="0.5 m", wrist="20 deg"), route="clear")
    routine = builder.build()
    assert examine(routine).verdict == "clear"
    nearer = {**bodies, "beam": Body("beam", "frame", ((((1.0, -0.05), (1.1, -0.05), (1.1, 0.05), (1.0, 0.05))),))}
    table = ways.way_table(machine, {"lift": 0.5, "wrist": radians(20.0)})
    monkeypatch.setattr(ways, "way_table", lambda *_, **__: table)
    examination = examine(replace(routine, machine=replace(machine, bodies=nearer)))
    assert examination.verdict != "clear"
    assert said(examination, "clearance")


def test_a_start_without_a_way_is_undecided_and_names_the_place(shelved: Machine, said: Said) -> None:
    """R47: a wall all through the wrist's travel."""
    wall = KeepOut("wall", (("lift", (0.7, 0.75)),), "a wall")
    examination = examine(from_ridge(replace(shelved, interlocks=(wall,)), route="clear"))
    assert examination.verdict == "undecided"
    assert said(examination, "route") == [
        "undecided: down: 'down' may start at lift 1.092 m to 1.108 m, wrist 18 deg to 22 deg, and from part of it no "
        "certified way leads to its goal | bring the machine to a preset with a way first, or narrow where bodies "
        "outside may stand (outside)"
    ]
    into = examine(from_ridge(replace(shelved, interlocks=(KeepOut("all", (("lift", (0.2, 0.4)),)),)), route="clear"))
    assert said(into, "route")[0].startswith("undecided: down: nothing is known to lead to the goal of 'down'")


def test_nothing_may_move_an_axis_beside_a_way(shelved: Machine, said: Said) -> None:
    """R47: the boxes of a way hold where the other axes rest."""
    builder = RoutineBuilder("both", shelved, start="ridge", timeout="planned + 0.5 s")
    builder.step("down", move(lift="0.3 m"), route="clear")
    builder.step("turn", move(wrist="90 deg"), together_with="down")
    examination = examine(builder.build())
    assert examination.verdict == "invalid" or examination.verdict == "conflict"
    assert (
        "error: down: 'down' looks its way up when it starts, and 'turn' may move wrist meanwhile | start 'turn' after "
        "'down', or before it"
    ) in said(examination, "route")


def test_an_axis_that_stays_is_counted_where_it_rests(shelved: Machine) -> None:
    """R47: the lift alone comes past the shelf only where the wrist is folded already."""
    for wrist, verdict in (("90 deg", "clear"), ("20 deg", "undecided")):
        builder = RoutineBuilder("lift", shelved, start="ridge", timeout="planned + 0.5 s")
        builder.step("turn", move(wrist=wrist))
        builder.step("down", move(lift="0.3 m"), route="clear")
        assert examine(builder.build()).verdict == verdict


def test_each_choice_of_a_preset_has_its_own_ways(shelved: Machine) -> None:
    """R47, R25."""
    builder = RoutineBuilder("r", shelved, start="carry", timeout="planned + 0.5 s")
    builder.parameter("spot", preset="ridge", choices=["ridge", "eaves"])
    builder.step("go", move("spot"), route="clear")
    builder.step("again", repeat(times=2, steps=[{"back": {"move": "carry", "route": "clear"}}]))
    routine = builder.build()
    node = next(node for node in routed(flatten(routine)).nodes if node.name == "go")
    assert node.ways is not None
    assert [dict(table.goal) for table in node.ways.tables] == [
        shelved.presets[name].positions for name in ("ridge", "eaves")
    ]
    examination = examine(routine)
    assert examination.verdict == "clear", examination.findings
    assert examination.checked is not None
    assert len(examination.checked.routine["ways"]["tables"]) == 3


def test_from_anywhere_it_is_told_how_much_has_a_way(shelved: Machine, said: Said) -> None:
    """R51: where there is none, the runner refuses."""
    builder = RoutineBuilder("home", shelved, start="anywhere", timeout="planned + 0.5 s")
    builder.step("home", move("stow"), route="clear")
    examination = examine(builder.build())
    assert examination.verdict == "clear", examination.findings
    assert said(examination, "route")[0].startswith(
        "note: home: 'home' looks its way up from anywhere; 100 % of the positions that are certainly clear lie in a "
        "box of its ways"
    )
    assert examination.checked is not None
    assert examination.checked.routine["enters"] == [0]
    assert examination.checked.routine["region"] == []


def test_where_a_way_begins_no_boxes_of_starts_are_kept_beside_it(shelved: Machine) -> None:
    """R51: its table tells where it may start, also where a keep-out counts at times."""
    sometimes = replace(SHELF, when=parse_condition("cover_closed", shelved.vocabulary()))
    machine = replace(shelved, interlocks=(sometimes,))
    builder = RoutineBuilder("home", machine, start="anywhere", timeout="planned + 0.5 s")
    builder.step("home", move("stow"), route="clear")
    checked = examine(builder.build()).checked
    assert checked is not None
    assert "starts" not in checked.routine


def test_a_way_that_is_broken_off_leaves_its_axes_anywhere_in_its_boxes(shelved: Machine, said: Said) -> None:
    """R14, R47: what comes next is judged from all of them."""
    for keys, verdict in (({}, "clear"), ({"until": "cover_closed"}, "conflict")):
        builder = RoutineBuilder("r", shelved, start="ridge", timeout="planned + 0.5 s")
        builder.step("down", move(lift="0.3 m", wrist="20 deg"), route="clear", **keys)
        builder.step("on", move(lift="0.25 m"))
        examination = examine(builder.build())
        assert examination.verdict == verdict, examination.findings


def test_a_timeout_counts_from_the_longest_way_with_the_limits_of_the_step(shelved: Machine, said: Said) -> None:
    """R24."""
    builder = RoutineBuilder("home", shelved, start="anywhere", timeout="planned + 0.5 s")
    builder.step("home", move("stow"), route="clear")
    quick = examine(builder.build()).checked
    slow_builder = RoutineBuilder("home", shelved, start="anywhere", timeout="planned + 0.5 s")
    slow_builder.step("home", move("stow"), route="clear", limits={"velocity": "50 %"})
    slow = examine(slow_builder.build()).checked
    assert quick is not None
    assert slow is not None
    longest = quick.routine["ways"]["tables"][0]["longest"]
    assert quick.routine["steps"][0]["timeout"] == pytest.approx((longest + 0.5) * 1e9)
    assert slow.routine["steps"][0]["timeout"] == pytest.approx((2.0 * longest + 0.5) * 1e9)


def test_after_a_cancel_it_may_start_wherever_the_routine_can_have_been_stopped(shelved: Machine, said: Said) -> None:
    """R47: a plain move from there is refused, a way is not."""
    for keys, verdict in (({}, "conflict"), ({"route": "clear"}, "clear")):
        builder = RoutineBuilder("r", shelved, start="carry", timeout="planned + 0.5 s")
        builder.step("raise", move(lift="0.9 m"))
        builder.step("out", move(wrist="20 deg"))
        builder.on_cancel("back", move("carry"), **keys)
        examination = examine(builder.build())
        assert examination.verdict == verdict, examination.findings
    assert said(examination, "route") == []
    assert examination.checked is not None
    after = examination.checked.routine["on_cancel"]
    assert after["enters"] == [0]
    assert after["region"] == []


def test_where_a_stop_leaves_no_way_the_check_says_so_and_goes_on(shelved: Machine, said: Said) -> None:
    """R47: without power the lift may sink anywhere, the keep-outs included."""
    machine = replace(shelved, axes={**shelved.axes, "lift": replace(shelved.axes["lift"], stop="off")})
    builder = RoutineBuilder("r", machine, start="carry", timeout="planned + 0.5 s")
    builder.step("raise", move(lift="0.9 m"))
    builder.step("out", move(wrist="20 deg"))
    builder.on_cancel("back", move("carry"), route="clear")
    examination = examine(builder.build())
    assert examination.verdict == "clear", examination.findings
    assert said(examination, "route") == [
        "warning: on_cancel/back: 'back' has no certified way from part of lift 0 m to 1.18 m, wrist 20 deg to 92 deg "
        "if it is stopped during 'out'; there the runner refuses it and names directions to jog | "
    ]


def test_a_way_leads_out_of_a_place_that_cells_are_too_coarse_for() -> None:
    """R47: the machine stands between two posts, proved clear, with no certified cell about it."""
    square = [[-0.03, -0.03], [0.03, -0.03], [0.03, 0.03], [-0.03, 0.03]]
    posts = [(0.5, 0.4135), (0.5, 0.5865)]  # 3.5 mm to spare on either side of the edge of two cells of 3.9 mm
    mounts = {"along": Mount(), "across": Mount("along", direction=radians(90.0))}
    bodies = [Body("tip", "across", (tuple((x, y) for x, y in square),))]
    for number, (x, y) in enumerate(posts):
        corners = tuple((x + a * 0.05 / 0.03, y + b * 0.05 / 0.03) for a, b in square)
        bodies.append(Body(f"post{number}", "frame", (corners,)))
    machine = Machine(
        "crossed slides",
        {
            name: Axis(name, "linear", Limits(1.0, 4.0), (0.0, 1.0), mount, Tolerance(0.003, 20_000_000))
            for name, mount in mounts.items()
        },
        bodies={body.name: body for body in bodies},
        presets={
            "home": Preset("home", {"along": 0.1, "across": 0.1}),
            "before": Preset("before", {"along": 0.2, "across": 0.5}),
            "between": Preset("between", {"along": 0.5, "across": 0.5}),
        },
        interlocks=(KeepOut("ditch", (("along", (0.25, 0.35)), ("across", (0.15, 0.3)))),),
    )
    assert not certain(machine)((0.5, 0.5), (0.5, 0.5))
    builder = RoutineBuilder("r", machine, start="before", timeout="planned + 1 s")
    builder.step("in", move("between"))
    builder.on_cancel("home", move("home"), route="clear")
    examination = examine(builder.build())
    assert examination.verdict == "clear", examination.findings
    assert [finding.message for finding in examination.findings if finding.rule == "route"] == []
    assert examination.checked is not None
    for tenth in range(1, 8):
        played = rehearse(examination.checked, machine=machine, pressed=[(0.1 * tenth, "cancel")])
        if played.outcome == "cancelled":
            (after,) = [run for run in played.trace.runs() if run.name == "r.on_cancel"]
            assert after.outcome == "done", tenth
            assert [event.text for event in played.trace.events("hold")] == []
            assert played.clearance is not None
            assert not played.clearance.too_near
    builder = RoutineBuilder("home", machine, start="anywhere", timeout="planned + 1 s")
    builder.step("home", move("home"), route="clear")
    checked = examine(builder.build()).checked
    assert checked is not None
    assert rehearse(checked, machine=machine, start="between").outcome == "done"
    builder = RoutineBuilder("out", machine, start="between", timeout="planned + 1 s")
    builder.step("out", move("home"), route="clear")
    examination = examine(builder.build())
    assert examination.verdict == "clear", examination.findings


def test_a_way_may_have_its_axes_anywhere_in_its_boxes(shelved: Machine) -> None:
    """R47: past the shelf the wrist is folded, although it starts and ends in front of it."""
    flat = routed(flatten(from_ridge(shelved, route="clear")))
    (phase,) = [phases_of(Order(flat), scenario).table[0, "wrist"] for scenario in scenarios_of(flat)]
    assert phase.whole[1] > radians(50.0)
    assert phase.goal == pytest.approx((radians(20.0), radians(20.0)))
    assert not phase.steady
