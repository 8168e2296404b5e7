"""Moves that look their way up: round what is in between, whatever holds them, or not at all and with a reason: R47."""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import Any

import pytest
from rig import JERKY, Rig, axis, checked, keep_out, machine, move, pulse

from sequencer.errors import PackError, RequestRefused
from sequencer.pack import CheckedRoutine, load_pack, write_pack
from sequencer.pack.blocked import blocked_key
from sequencer.pack.checked import canonical, machine_hash, pack_hash
from sequencer.pack.table import Block, BlockedTable

GOAL = {"lift": 2.0, "wrist": 0.0}
EDGE = 1.02
"""The boxes begin this far from the middle of the block [m]; the block ends at 1 m and the bands are 10 mm."""

ROUND = {
    "axes": ["lift", "wrist"],
    "goal": [["lift", 2.0], ["wrist", 0.0]],
    "legs": [
        [[2.0, 0.0], [EDGE, -3.0], [3.0, 3.0]],
        [[2.0, 1.5], [-3.0, EDGE], [3.0, 3.0]],
        [[2.0, -1.5], [-3.0, -3.0], [3.0, -EDGE]],
        [[-2.0, 1.5], [-3.0, -3.0], [-EDGE, 3.0]],
    ],
    "following": [-1, 0, 0, 1],
    "costs": [0.0, 1.5, 1.5, 5.5],
    "speeds": [1.0, 1.0],
    "longest": 20.0,
    "covered": 1.0,
}
"""Ways round a block in the middle: by the right, above, below, the left."""


def blocked_middle(*axes: Any, **changes: Any) -> Any:
    """A machine whose lift and wrist may not both be within 1 m of the middle."""
    changes.setdefault("presets", {"far": [[0, 2.0], [1, 0.0]], "near": [[0, 0.5], [1, 2.0]]})
    changes.setdefault("keep_outs", [keep_out("block", [0, -1.0, 1.0], [1, -1.0, 1.0])])
    return machine(list(axes) or [axis("lift"), axis("wrist")], **changes)


def on_the_way(name: str = "go", **changes: Any) -> Any:
    return move(name, {"lift": ["at", 2.0], "wrist": ["at", 0.0]}, ways=[0], **changes)


def home(on: Any, *before: Any, name: str = "home", table: Any = ROUND, **changes: Any) -> CheckedRoutine:
    """A routine that goes to the far side, by itself or after other steps."""
    steps = [*before, on_the_way(after=[one["name"] for one in before])]
    ways = {"machine": on["hash"], "tables": [table]}
    return checked(on, *steps, name=name, ways=ways, **{"enters": [] if before else [0], **changes})


def rig_at(lift: float, wrist: float, *routines: CheckedRoutine, **more: Any) -> Rig:
    rig = Rig(*routines, **more)
    rig.positions.update(lift=lift, wrist=wrist)
    return rig


def touched(rig: Rig) -> list[tuple[float, float]]:
    """The positions measured inside the block."""
    return [
        (lift, wrist)
        for lift, wrist in zip(rig.points("lift"), rig.points("wrist"), strict=True)
        if abs(lift) < 1.0 and abs(wrist) < 1.0
    ]


def test_a_move_goes_round_what_is_in_between_and_the_supervisor_never_holds_it() -> None:
    """R47: from the left over the top to the right, out of the motion at hand."""
    rig = rig_at(-2.0, 0.0, home(blocked_middle()))
    rig.start("home")
    rig.run(500)
    assert rig.outcome("home")[1] == "done"
    assert rig.kinds("hold") == []
    assert touched(rig) == []
    assert [event.text for event in rig.kinds("way")] == [
        "leg 1 of 3: lift -2 m, wrist 1.14 m",
        "leg 2 of 3: lift 2 m, wrist 1.5 m",
        "leg 3 of 3: lift 2 m, wrist 0 m",
    ]
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    begin = next(tick for tick, speed in enumerate(speeds) if speed > 0.0)
    end = len(speeds) - next(tick for tick, speed in enumerate(reversed(speeds)) if speed > 0.0)
    assert all(speed > 0.0 for speed in speeds[begin:end])


@pytest.mark.parametrize("late", [0, 10])
def test_a_box_opens_only_when_no_set_point_in_flight_lies_outside_it(late: int) -> None:
    """R32, R47: with a lift that follows 200 ms late the wrist comes down 200 ms later, and arriving between two legs
    is not being done."""
    on = blocked_middle(axis("lift", latency=[0, 20_000_000 * late]), axis("wrist"))
    rig = rig_at(-2.0, 2.0, home(on), delays={"lift": late})
    rig.start("home")
    rig.run(500)
    assert rig.outcome("home")[1] == "done"
    assert rig.points("lift")[-1] == 2.0
    assert rig.points("wrist")[-1] == 0.0
    passed = next(tick for tick, lift in enumerate(rig.points("lift")) if lift > EDGE)
    (down,) = [event.tick for event in rig.kinds("way") if event.text.endswith("lift 2 m, wrist 0 m")]
    assert passed + late <= down <= passed + late + 1


def test_arriving_at_the_place_of_a_leg_is_not_being_done() -> None:
    """R31: the first place is reached, and its box shut, for as long as what is in flight may be outside the next."""
    on = blocked_middle(axis("lift", latency=[0, 400_000_000]), axis("wrist", latency=[0, 400_000_000]))
    short = {**ROUND, "legs": [*ROUND["legs"][:3], [[-1.5, 1.05], [-3.0, -3.0], [-EDGE, 3.0]]]}
    rig = rig_at(-1.5, 0.9, home(on, table=short))
    rig.start("home")
    rig.run(600)
    assert rig.outcome("home")[1] == "done"
    assert (rig.points("lift")[-1], rig.points("wrist")[-1]) == (2.0, 0.0)


def test_where_the_straight_way_is_clear_it_is_gone_straight() -> None:
    rig = rig_at(0.0, 2.5, home(blocked_middle()))
    rig.start("home")
    rig.run(2)
    assert rig.runner.status().runs[0].steps[0].waits_for.startswith("leg 1 of ")
    rig = rig_at(2.5, 2.5, home(blocked_middle()))
    rig.start("home")
    rig.run(300)
    assert [event.text for event in rig.kinds("way")] == ["leg 1 of 1: lift 2 m, wrist 0 m"]
    assert rig.outcome("home")[1] == "done"


def test_at_the_goal_already_it_is_done_at_once() -> None:
    """R31."""
    rig = rig_at(2.0, 0.0, home(blocked_middle()))
    rig.start("home")
    rig.run(5)
    assert rig.outcome("home")[1] == "done"


@pytest.mark.parametrize("seed", range(60))
def test_from_anywhere_held_at_any_time_on_any_actuators_it_arrives_and_touches_nothing(seed: int) -> None:
    """R47, R35, R53: random starts, holds, latencies and followers that come late."""
    random_way(seed)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_many_random_ways(part: int) -> None:
    """R47: the same for 2,000 starts."""
    for seed in range(1000 + 250 * part, 1250 + 250 * part):
        random_way(seed)


def random_way(seed: int) -> None:
    source = Random(seed)
    limits = source.choice([[[-1.0, 1.0], [-2.0, 2.0], None], JERKY])
    delays = {name: source.randint(0, 3) for name in ("lift", "wrist")}
    between = source.choice(["hold", "hold", "carry_on"])
    axes = [
        axis(name, latency=[0, 20_000_000 * delays[name]], limits=limits, sure=limits, between=between)
        for name in ("lift", "wrist")
    ]
    on = blocked_middle(*axes)
    routine = home(on)
    for step in routine.routine["steps"]:
        step["limits"] = {"0": limits, "1": limits}
        step["profile"] = "s_curve" if limits[2] else "trapezoid"
        step["timeout"] = 90_000_000_000  # the slowest, held six times, is still on its way after 20 s
    start = next(
        place
        for place in iter(lambda: (source.uniform(-3.0, 3.0), source.uniform(-3.0, 3.0)), None)
        if max(abs(place[0]), abs(place[1])) > EDGE
    )
    rig = rig_at(*start, routine, delays=delays)
    rig.start("home", speed=source.choice([1.0, 1.0, 0.4]))
    for _ in range(source.randint(0, 6)):
        rig.run(source.randint(3, 40))
        rig.runner.hold()
        rig.run(source.randint(1, 60))
        for _ in range(8):
            rig.runner.resume()
            rig.run(12)
    for _ in range(40):
        if not rig.outcomes("home"):
            rig.run(100)
    assert rig.outcome("home")[1] == "done", seed
    assert touched(rig) == [], seed
    if between == "hold":
        assert [event.text for event in rig.kinds("hold") if event.text != "held by request"] == [], seed


@pytest.mark.parametrize("late", [0, 6])
def test_it_looks_its_way_up_once_the_axes_stand(late: int) -> None:
    """R47, R29: taken over in motion from a step that ended early, it waits for standstill and for what is in
    flight."""
    on = blocked_middle(*(axis(name, latency=[0, 20_000_000 * late]) for name in ("lift", "wrist")))
    first = move("m", {"lift": 0.5, "wrist": 2.9}, until=[">", "lift", -1.5])
    rig = rig_at(-2.9, -0.5, home(on, first))
    rig.start("home")
    rig.run(700)
    ends, ways = rig.ends("m"), rig.kinds("way")
    assert ends[0][1] == "done"
    assert ways[0].tick > ends[0][0] + 5
    speeds = [one.axes["lift"].velocity for one in rig.orders]
    assert all(speed == 0.0 for speed in speeds[ways[0].tick - late - 1 : ways[0].tick])
    assert rig.outcome("home")[1] == "done"
    assert touched(rig) == []


def test_from_within_what_is_in_the_way_it_is_refused_and_the_directions_lead_out() -> None:
    """R51, R47: jogging where the answer says brings the machine to where there is a way."""
    rig = rig_at(-0.8, 0.1, home(blocked_middle(), name="home"))
    rig.run(1)
    answer = rig.runner.way_to("far")
    assert not answer.found
    assert answer.because == "no way to lift 2 m, wrist 0 m: the machine stands in block; jog lift down or wrist up"
    assert answer.jog == (("lift", -1), ("wrist", 1))
    rig.start("home")
    rig.run(2)
    assert rig.refusals() == [answer.because]
    for _ in range(60):
        rig.runner.jog("lift", -0.3)
        rig.run(1)
    rig.runner.jog("lift", 0.0)
    rig.run(30)
    assert rig.positions["lift"] < -1.01
    assert all(later <= earlier for earlier, later in zip(rig.points()[2:], rig.points()[3:], strict=False))
    answer = rig.runner.way_to("far")
    assert answer.found
    assert answer.routine == "home"
    assert answer.places[-1] == GOAL
    rig.start("home")
    rig.run(500)
    assert rig.outcome("home")[1] == "done"


def test_against_the_directions_the_supervisor_does_not_let_it_go() -> None:
    """R51: what is not offered leads deeper."""
    for name, sign in (("lift", 1.0), ("wrist", -1.0)):
        rig = rig_at(-0.8, 0.5, home(blocked_middle()))
        rig.run(1)
        assert rig.runner.way_to("far").jog == (("lift", -1), ("wrist", 1))
        before = dict(rig.positions)
        for _ in range(40):
            rig.runner.jog(name, 0.3 * sign)
            rig.run(1)
        assert rig.positions == pytest.approx(before, abs=1e-6)


def test_no_direction_is_offered_that_leads_into_something_else() -> None:
    """R51: above the block is a bar."""
    bar = keep_out("bar", [0, -1.0, 1.0], [1, 0.996, 1.2])
    on = blocked_middle(keep_outs=[keep_out("block", [0, -1.0, 1.0], [1, -1.0, 0.97]), bar])
    rig = rig_at(-0.8, 0.975, home(on))
    rig.run(1)
    assert rig.runner.way_to("far").jog == (("lift", -1),)


def test_where_no_box_is_reached_it_says_so_and_the_status_too() -> None:
    """R40, R51: the table knows the right side only."""
    alone = {**ROUND, "legs": ROUND["legs"][:1], "following": [-1], "costs": [0.0]}
    rig = rig_at(-2.0, 0.0, home(blocked_middle(), table=alone))
    rig.start("home")
    rig.run(2)
    words = (
        "no way to lift 2 m, wrist 0 m: none is certified from here; jog lift up or lift down or wrist up or wrist down"
    )
    assert rig.refusals() == [words]
    status = rig.runner.status()
    assert status.no_way == words
    assert status.headline == "no way to lift 2 m, wrist 0 m: none is"
    assert next(one.why_not for one in rig.runner.allowed() if one.request == "home") == words
    rig.positions.update(lift=2.5)
    rig.run(2)
    rig.start("home")
    rig.run(3)
    assert rig.runner.status().no_way == ""


def test_in_the_middle_of_a_routine_a_missing_way_is_a_fault_of_the_process() -> None:
    """R47: so that what stands under on_fault may run."""
    alone = {**ROUND, "legs": ROUND["legs"][:1], "following": [-1], "costs": [0.0]}
    rig = rig_at(-2.0, 0.0, home(blocked_middle(), move("m", {"lift": -2.5}), table=alone))
    rig.start("home")
    rig.run(200)
    assert rig.outcome("home")[1] == "faulted"
    assert "no way to lift 2 m, wrist 0 m" in rig.runner.status().runs[0].cause


def test_after_a_cancel_it_comes_back_from_wherever_it_stands() -> None:
    """R47: cancelled at any tick, out of any motion."""
    on = blocked_middle()
    back = home(on).routine
    for ticks in range(0, 260, 20):
        out = move("out", {"wrist": -2.0})
        over = move("over", {"lift": -2.5}, after="out")
        down = move("down", {"wrist": 1.0}, after="over")
        rig = rig_at(2.0, 0.0, checked(on, out, over, down, on_cancel=dict(back)))
        rig.start("r")
        rig.run(ticks + 1)
        rig.runner.cancel()
        rig.run(900)
        assert rig.outcome("r")[1] == "cancelled"
        assert rig.outcomes("r.on_cancel")[0][1] == "done", ticks
        assert touched(rig) == []
        assert rig.kinds("hold") == []


def test_after_a_cancel_without_a_way_nothing_moves_and_the_status_says_where_to_jog() -> None:
    """R47: pushed into the block by hand after the stop."""
    on = blocked_middle()
    rig = rig_at(2.0, 2.0, checked(on, move("m", {"lift": -2.0}), on_cancel=dict(home(on).routine)))
    rig.start("r")
    rig.run(100)
    rig.runner.cancel()
    rig.run(1)
    rig.positions.update(wrist=0.95)
    while not rig.outcomes("r"):
        rig.positions.update(wrist=0.95)
        rig.run(1)
    rig.run(3)
    answer = rig.runner.way_to("far")
    assert answer.routine == ""  # it comes with a cancel, and nothing else asks for it


def test_what_no_table_leads_to_is_told_with_what_there_is() -> None:
    rig = rig_at(2.0, 2.0, home(blocked_middle()))
    rig.run(1)
    answer = rig.runner.way_to("near")
    assert (answer.found, answer.jog) == (False, ())
    assert answer.because == "no routine here knows ways to near; allowed: far"
    with pytest.raises(RequestRefused, match="unknown preset 'fra'; did you mean 'far'"):
        rig.runner.way_to("fra")
    plain = Rig(checked(blocked_middle(), move("m", {"lift": 2.0})))
    plain.run(1)
    assert plain.runner.way_to("far").because == ("no routine here knows ways to far; write one with `route: clear`")


def test_an_axis_whose_place_is_not_known_leaves_no_way() -> None:
    """R42, R47: nothing is looked up from a place that nobody has seen."""
    rig = rig_at(-2.0, 0.0, home(blocked_middle()))
    rig.run(1)
    rig.readings["wrist"] = None
    rig.run(2)
    rig.start("home")
    rig.run(3)
    assert rig.outcome("home")[1] == "faulted"
    assert "the position of wrist is unknown" in rig.runner.status().runs[0].cause
    assert rig.kinds("way") == []


def test_another_run_may_go_on_beside_a_way() -> None:
    """R44: rollers have no place in a table."""
    on = blocked_middle(axis("lift"), axis("wrist"), axis("roller", "spin"))
    rig = rig_at(-2.0, 0.0, home(on), checked(on, pulse("p", {"roller": 3.0}, 30.0), name="spin"))
    rig.start("spin")
    rig.start("home")
    rig.run(500)
    assert rig.outcome("home")[1] == "done"


def test_ways_of_another_machine_are_refused(tmp_path: Path) -> None:
    """R50, R51: made with another overlay they say nothing about this one, in a runner and in a pack."""
    on = blocked_middle()
    other = {**on, "overlays": ["another day"]}
    other["hash"] = machine_hash(other)
    stale = CheckedRoutine(other, home(on).routine)
    with pytest.raises(PackError, match=r"the ways of 'home' were made for other machine data \([0-9a-f]{12}\) than"):
        Rig(stale)
    after = dict(checked(other, move("m", {"lift": 2.0})).routine) | {"on_cancel": home(on).routine}
    with pytest.raises(PackError, match=r"the ways of 'r\.on_cancel' were made for other machine data"):
        Rig(CheckedRoutine(other, after))
    good = tmp_path / "good.pack"
    write_pack(good, [home(on)])
    assert load_pack(good).routines["home"].routine["ways"]["tables"] == [ROUND]
    text = canonical(stale.routine)
    bad = tmp_path / "bad.pack"
    whole = pack_hash(canonical(other), [text])
    bad.write_text(f'{{"format":"stepgraph pack 1","machine":{canonical(other)},"routines":[{text}],"hash":"{whole}"}}')
    with pytest.raises(PackError, match="cannot be used: the ways of 'home' were made for other machine data"):
        load_pack(bad)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"following": [-1, 0, 0, 3]}, "leg 3 is followed by 3"),
        ({"speeds": [1.0]}, "the goal does not fit"),
    ],
)
def test_damaged_ways_are_refused(changes: dict[str, Any], said: str) -> None:
    on = blocked_middle()
    with pytest.raises(PackError, match=said):
        Rig(home(on, table={**ROUND, **changes}))
    routine = dict(home(on).routine)
    routine["steps"] = [{**routine["steps"][0], "ways": [1]}]
    with pytest.raises(PackError, match="a step asks for a table that is not there"):
        Rig(CheckedRoutine(on, routine))


def test_while_it_waits_for_standstill_the_status_says_so() -> None:
    """R40."""
    first = move("m", {"lift": 0.5, "wrist": 2.9}, until=[">", "lift", -1.5])
    rig = rig_at(-2.9, -0.5, home(blocked_middle(), first))
    rig.start("home")
    while not rig.ends("m"):
        rig.run(1)
    assert rig.runner.status().runs[0].steps[0].waits_for == "standstill, to look its way up"


def test_out_of_blocked_cells_the_directions_lead_along_the_axes_that_get_free() -> None:
    """R51: bodies, by the cells of the pack; along the lift all is blocked to both ends, so it is not offered."""
    names = ["lift", "wrist", "roller"]
    on = machine([axis("lift"), axis("wrist"), axis("roller", "spin")], presets={"far": [[0, 2.0], [1, 0.0]]})
    blocked = sum(1 << (6 * lift + 2) for lift in range(6))  # wrist from -1 m to 0 m, wherever the lift is
    cells = Block((0, 1), (-3.0, -3.0), (3.0, 3.0), (6, 6), blocked.to_bytes(5, "little"))
    table = BlockedTable(names, [cells], blocked_key(on, {}))
    entry = {"name": "bodies", "when": None, "groups": [[0, 1]], "table": table.to_data()}
    on = {**on, "blocked": {"geometry": {}, "tables": [entry]}}
    on["hash"] = machine_hash(on)
    upper = {**ROUND, "legs": [[[2.0, 0.5], [-3.0, 0.02], [3.0, 3.0]]], "following": [-1], "costs": [0.0]}
    upper["goal"] = [["lift", 2.0], ["wrist", 0.5]]
    on["presets"] = {"far": [[0, 2.0], [1, 0.5]]}
    on["hash"] = machine_hash(on)
    rig = rig_at(0.5, -0.3, home(on, table=upper))
    rig.run(1)
    answer = rig.runner.way_to("far")
    assert answer.because == "no way to lift 2 m, wrist 0.5 m: the machine stands in bodies; jog wrist up"
    for _ in range(70):
        rig.runner.jog("wrist", 0.5)
        rig.run(1)
    rig.run(20)
    assert rig.positions["wrist"] > 0.05
    assert rig.runner.way_to("far").found
    rig = rig_at(0.5, -0.8, home(on, table=upper))
    rig.run(1)
    assert rig.runner.way_to("far").jog == (("wrist", -1),)
