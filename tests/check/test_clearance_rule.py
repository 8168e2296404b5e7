"""The clearance rule: what is found, matched whole, what is clear, and what each verdict says it rests on.

Scenario numbers are those of tests/cases/clearance.json.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from reaching import examined, reacher, rectangle, step, to

from profiles import Limits
from sequencer.check import Examination
from sequencer.check.bodies import bodies_of
from sequencer.check.clearance import ClearanceSearch
from sequencer.check.order import Order
from sequencer.check.phases import phases_of
from sequencer.check.proofs import Proofs
from sequencer.check.scenarios import scenarios_of
from sequencer.machine.axis import Axis, Tolerance
from sequencer.machine.body import Body, Clearance
from sequencer.machine.condition import parse_condition
from sequencer.machine.machine import Machine, Preset
from sequencer.machine.piece import Piece
from sequencer.plan.resolve import flatten
from sequencer.routine.routine import OutsideRange, Routine
from sequencer.routine.steps import After, At, Move, Step, Timeout, Wait, With

LANTERN = Piece("lantern", 0.5, "wrist", parts=(rectangle(0.35, 0.6, -0.05, 0.05),))


def said(examination: Examination, rule: str = "clearance") -> list[str]:
    return [
        f"{one.severity}: {one.step}: {one.message} | {one.hint}" for one in examination.findings if one.rule == rule
    ]


def over_the_shelf(once: str | None = None) -> tuple[Step, Step]:
    return step("raise", to("over", "lift")), step("reach", to("over", "slide", "wrist"), With("raise"), once)


def facing(margin: float, gap: float) -> Machine:
    """Two carriages on one rail; the left one can come as near as the gap to the right one, which stands at 0."""
    axes = {
        name: Axis(name, "linear", Limits(1.0, 4.0), travel, tolerance=Tolerance(1e-9))
        for name, travel in (("left", (-1.0, -gap)), ("right", (0.0, 1.0)))
    }
    bodies = {
        "plate": Body("plate", "left", (rectangle(-0.1, 0.0, 0.0, 0.1),)),
        "carriage": Body("carriage", "right", (rectangle(0.0, 0.1, 0.0, 0.1),)),
    }
    return Machine(
        "rail",
        axes,
        bodies=bodies,
        clearances=(Clearance(("plate", "carriage"), margin),),
        presets={"apart": Preset("apart", {"left": -0.9, "right": 0.5})},
    )


@pytest.mark.parametrize(("margin", "gap", "verdict"), [(0.02, 0.021, "clear"), (0.02, 0.019, "conflict")])
def test_a_margin_counts_once_for_the_pair(margin: float, gap: float, verdict: str) -> None:
    """C11: with the margin 20 mm a gap of 21 mm is enough, which it would not be if both bodies were padded."""
    together = step("go", Move((("left", At(-gap)),))), step("come", Move((("right", At(0.0)),)), With("go"))
    assert examined(facing(margin, gap), *together, start="apart").verdict == verdict


def test_a_margin_applies_between_two_bodies_that_both_move() -> None:
    """C12: 8 mm are left where 10 mm must remain."""
    together = step("go", Move((("left", At(-0.008)),))), step("come", Move((("right", At(0.0)),)), With("go"))
    found = examined(facing(0.01, 0.008), *together, start="apart")
    (line,) = said(found)
    assert found.verdict == "conflict"
    assert "plate and carriage" in line
    assert "(10 mm must remain)" in line


def test_steps_that_are_clear_one_after_the_other_are_not_side_by_side() -> None:
    """C38: the line that mends it is found and mends it."""
    found = examined(reacher(), *over_the_shelf())
    assert said(found) == [
        "error: raise: 'raise' moves lift within 0.048 m to 0.9 m while 'reach' moves slide within -0.002 m to 0.4 m "
        "while 'reach' moves wrist within -10 deg to 100.2 deg; so shelf and hand overlap by 1.76 mm with lift at "
        "0.2585 m, slide at 0.199 m, wrist at 45.1 deg | this line mends it: reach: once: lift > 0.65 m"
    ]
    assert (found.verdict, found.checked) == ("conflict", None)
    mended = examined(reacher(), *over_the_shelf("lift > 0.65 m"))
    assert (mended.verdict, mended.findings) == ("clear", ())
    raise_first = step("raise", to("over", "lift")), step("reach", to("over", "slide", "wrist"))
    assert examined(reacher(), *raise_first).verdict == "clear"


def test_a_gate_a_little_too_early_is_not_clear() -> None:
    assert examined(reacher(), *over_the_shelf("lift > 0.61 m")).verdict == "conflict"


def test_where_neither_can_go_first_a_detour_is_said_to_be_needed() -> None:
    """C39: from under the shelf to above it with the hand out; with the slide in on the way it is clear."""
    lift, rest = to("over_out", "lift"), to("over_out", "slide", "wrist")
    found = examined(reacher(), step("raise", lift), step("reach", rest, With("raise")), start="under")
    hints = [line.rpartition(" | ")[2] for line in said(found)]
    assert hints[0] == (
        "neither 'raise' nor 'reach' can go first: a detour is needed, by way of another place in between"
    )
    detour = step("in", to({"slide": 0.0})), step("raise", lift), step("reach", rest)
    assert examined(reacher(), *detour, start="under").verdict == "clear"


def test_what_is_clear_only_if_punctual_is_a_conflict_that_tells_how_late_it_may_be() -> None:
    """C40: 40 ms late is fine, 80 ms is not; nominal timing never makes it clear."""
    steps = step("raise", to("over", "lift")), step("reach", to("over", "slide"), With("raise"))
    found = examined(reacher(slide_speed=0.2, band=0.002), *steps, start="low")
    assert found.verdict == "conflict"
    (line,) = said(found)
    assert "; punctual it would be clear; 'raise' may be up to 42 ms late | this line mends it: reach: once:" in line
    assert found.clearance is not None
    assert found.clearance.bad_from is None


def test_nominal_lateness_never_changes_the_verdict() -> None:
    """With any lag between them the same steps have the same verdict and the same findings."""
    lags = (1_000_000, 100_000_000, 2_000_000_000)
    found = []
    for lag in lags:
        waiting = Step(
            "pause", Wait(parse_condition("piece is none", reacher().vocabulary())), With("raise"), usually=lag
        )
        reach = step("reach", to("over", "slide", "wrist"), After(("pause",)))
        examination = examined(
            reacher(),
            step("raise", to("over", "lift")),
            waiting,
            reach,
            default_timeout=Timeout("fixed", 9_000_000_000),
        )
        found.append((examination.verdict, [one.partition("; so ")[0] for one in said(examination)]))
    assert found[0] == found[1] == found[2]
    assert found[0][0] == "conflict"


def test_a_goal_in_conflict_is_a_conflict_whatever_comes_before() -> None:
    """C18: where the motion ends no gate helps."""
    steps = step("out", to({"lift": 0.5})), step("in", to({"slide": 0.4})), step("turn", to({"wrist": 0.0}))
    (line,) = said(examined(reacher(), *steps))
    assert line.startswith("error: turn: 'turn' moves wrist within 0 deg to 100.2 deg while lift may rest at 0.5 m")
    assert line.endswith(
        "it ends there, so no gate mends it; give another goal, or move the other body out of the way first"
    )


def test_a_start_in_conflict_is_told_at_once_with_the_pair_and_its_depth() -> None:
    """C17."""
    machine = reacher(presets={"inside": (0.5, 0.4, 0.0)})
    found = examined(machine, step("out", to({"wrist": 100.0})), start="inside")
    assert said(found, "start_region") == [
        "error: None: 'reach' starts from inside, tolerances and tracking counted, where shelf and hand overlap by "
        "40 mm with lift at 0.5 m, slide at 0.4 m, wrist at 0 deg | start from another preset"
    ]


def test_a_preset_in_conflict_is_told_though_the_routine_does_not_use_it() -> None:
    machine = reacher(presets={"inside": (0.5, 0.4, 0.0)})
    found = examined(machine, step("up", to({"lift": 0.3})))
    assert said(found) == [
        "warning: None: in the preset 'inside' shelf and hand overlap by 40 mm with lift at 0.5 m, slide at 0.4 m, "
        "wrist at 0 deg | move the preset, or exempt the pair with a reason"
    ]
    assert found.verdict == "clear"


def test_neighbours_across_a_hinge_are_exempt_and_named() -> None:
    """C32: arm and hand overlap at the hinge by design."""
    found = examined(reacher(), step("up", to({"lift": 0.3})))
    assert "not watched: arm and hand (joined by wrist)" in found.assumes
    assert "not watched: carriage and arm (guided by it)" in found.assumes


def test_bodies_two_links_apart_stay_watched() -> None:
    """C34: they overlap at an end of the travel; nothing is exempt because it was never seen to meet."""
    found = examined(reacher(), step("turn", to({"wrist": 120.0})))
    assert found.verdict == "conflict"
    assert any("so carriage and hand overlap" in line for line in said(found))
    assert examined(reacher(), step("turn", to({"wrist": 110.0}))).verdict == "clear"


def test_a_proof_that_runs_out_of_cells_is_undecided_and_names_pair_and_cell() -> None:
    """C48: never clear. The hand may be as near to the shelf as some micrometres."""
    routine = Routine("r", reacher(), over_the_shelf("lift > 0.65 m"), "stow", default_timeout=Timeout("none"))
    flat = flatten(routine)
    order, bodies = Order(flat), bodies_of(routine.machine)
    phases = [phases_of(order, scenario) for scenario in scenarios_of(flat)]
    for proofs in (Proofs(bodies, cells=5), Proofs(bodies, all_cells=40)):
        outcomes = {one.outcome for one in ClearanceSearch(order, phases, bodies, proofs).encounters()}
        assert outcomes == {"undecided"}
    assert not list(ClearanceSearch(order, phases, bodies).encounters())


def test_what_grazes_is_undecided_or_in_conflict_and_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sequencer.check.proofs.CELLS", 5)
    monkeypatch.setattr(Proofs.__init__, "__defaults__", (5, 200_000))
    found = examined(reacher(), *over_the_shelf("lift > 0.65 m"))
    assert (found.verdict, found.checked) == ("undecided", None)
    line = said(found)[0]
    assert line.startswith("undecided: ")
    assert "it stays undecided after 5 cells whether " in line
    assert " with lift " in line


def test_axes_that_arrive_together_are_proved_over_their_whole_box() -> None:
    """C44: they do not follow a straight line in axis space, so the corners of the box count, not its diagonal."""
    machine = facing(0.0, 0.001)
    post = Body("post", "right", (rectangle(-1.05, -1.0, 0.05, 0.1),))
    machine = replace(machine, bodies={**machine.bodies, "post": post})
    # On the diagonal plate and post go side by side; early on the left or late on the right they meet.
    move = Step("both", Move((("left", At(-0.4)), ("right", At(1.0)))), together=True)
    assert examined(machine, move, start="apart").verdict == "conflict"


def test_advice_holds_for_the_exact_profiles_of_the_plan() -> None:
    """C45: the data of the checked routine has a hash of its own; a changed limit gives another."""
    steps = over_the_shelf("lift > 0.65 m")
    one = examined(reacher(), *steps)
    other = examined(reacher(slide_speed=0.9), *steps)
    assert one.checked is not None
    assert other.checked is not None
    assert one.checked.hash != other.checked.hash


def test_a_pair_may_touch_in_the_step_that_says_so_and_in_no_other() -> None:
    up = step("up", to({"lift": 0.5})), step("in", to({"slide": 0.4}))
    down = step("press", to({"wrist": 0.0}), touching=("shelf", "hand"))
    back = step("back", to({"wrist": 90.0}), touching=("hand", "shelf"))
    found = examined(reacher(), *up, down, back)
    assert found.verdict == "clear"
    assert "hand and shelf may touch in 'back'" in found.assumes
    assert examined(reacher(), *up, replace(down, touching=("hand", "mast")), back).verdict == "conflict"
    assert examined(reacher(), *up, down, replace(back, touching=None)).verdict == "conflict"


def test_the_sensor_of_pieces_stands_for_whichever_is_held() -> None:
    lantern = Piece("lantern", 0.6, "wrist", parts=(rectangle(0.3, 0.5, -0.1, 0.1),))
    machine = reacher(pieces=(lantern, replace(lantern, name="float")))
    steps = [step("up", to({"lift": 0.6})), step("lean", to({"wrist": 0.0}), touching=("piece", "shelf"))]
    steps.append(step("back", to({"wrist": 90.0}), touching=("shelf", "piece")))
    found = examined(machine, *steps)
    assert found.verdict == "clear"
    assert "lantern or float and shelf may touch in 'lean'" in found.assumes
    named = [replace(one, touching=("lantern", "shelf") if one.touching else None) for one in steps]
    assert all("float" in line for line in said(examined(machine, *named)))
    assert examined(machine, *named).verdict == "conflict"


def test_a_machine_that_rests_in_touch_after_its_step_is_a_conflict() -> None:
    steps = (
        step("up", to({"lift": 0.5})),
        step("in", to({"slide": 0.4})),
        step("press", to({"wrist": 0.0}), touching=("shelf", "hand")),
    )
    (line,) = said(examined(reacher(), *steps))
    assert "while wrist may rest at 0 deg after 'press'" in line


def post(low: float, high: float) -> Body:
    return Body("post", "outside", (rectangle(0.0, 0.05, 0.0, 1.6),), range=(low, high))


def test_a_body_outside_counts_all_over_its_range() -> None:
    turn = step("turn", to({"wrist": 0.0}))
    assert examined(reacher(post(0.56, 1.2)), turn).verdict == "clear"
    found = examined(reacher(post(0.3, 1.2)), turn)
    assert found.verdict == "conflict"
    assert "hand and post overlap" in said(found)[0]
    assert "post stands within 0.3 m to 1.2 m" in found.assumes


def test_a_routine_may_know_better_where_a_body_stands_from_a_step_on() -> None:
    up, turn = step("up", to({"lift": 0.3})), step("turn", to({"wrist": 0.0}))
    machine = reacher(post(0.3, 1.2))
    known = OutsideRange("post", (0.7, 1.2), "turn")
    found = examined(machine, up, turn, outside=(known,))
    assert found.verdict == "clear"
    assert "post stands within 0.3 m to 1.2 m, from 'turn' on within 0.7 m to 1.2 m" in found.assumes
    early = step("turn", to({"wrist": 0.0})), step("up", to({"lift": 0.3}))
    assert examined(machine, *early, outside=(replace(known, since="up"),)).verdict == "conflict"
    beside = step("up", to({"lift": 0.3})), step("turn", to({"wrist": 0.0}), With("up"))
    assert examined(machine, *beside, outside=(known,)).verdict == "clear", "the hand turns from that step on only"
    assert found.clearance is not None
    assert found.clearance.bad_from is None


def test_a_piece_counts_where_it_may_be_held() -> None:
    machine = reacher(pieces=(LANTERN,))
    empty = parse_condition("piece is none", machine.vocabulary())
    down = step("up", to({"lift": 0.3})), step("turn", to({"wrist": -60.0}))
    found = examined(machine, *down)
    assert found.verdict == "conflict"
    assert any("so shelf and lantern overlap by" in line and ", if lantern is there" in line for line in said(found))
    assert "pieces count as bodies: lantern while piece is lantern" in found.assumes
    # It may come while the step moves, which then rests anywhere on its way.
    watched = down[0], replace(down[1], must_stay=empty), step("back", to({"wrist": 90.0}), must_stay=empty)
    assert examined(machine, *watched).verdict == "conflict"
    assert examined(replace(machine, sensors={}), *down).verdict == "conflict"


def test_advice_tells_the_least_distance_and_what_gates_cost() -> None:
    found = examined(reacher(), *over_the_shelf("lift > 0.65 m"))
    assert found.clearance is not None
    data = found.as_json()["clearance"]
    assert set(data) == {"least", "bound", "margin", "between", "at", "bad_from", "bad_places", "gates_cost"}
    assert data["bad_places"] == {}
    assert data["between"] == ["mast", "arm"]
    assert data["least"] == pytest.approx(0.01)
    assert data["least"] - 1e-3 <= data["bound"] <= data["least"]
    assert 0.0 < data["gates_cost"] < 1.0
    bad = examined(reacher(), *over_the_shelf()).clearance
    assert bad is not None
    assert bad.bad_from is not None
    assert bad.least < 0.0
    pairs, tree = bodies_of(reacher()).pairs, bodies_of(reacher()).tree
    spare = [pair.distance(tree.values(bad.bad_places)) - pair.margin for pair in pairs]
    assert min(spare) == pytest.approx(0.0, abs=1e-3), "it is the first place that is too near"
    assert examined(reacher(), *over_the_shelf(), start="anywhere").clearance is None


def test_one_line_serves_all_pairs_that_ask_a_step_to_wait_for_the_same_axis() -> None:
    higher = Body("lamp", "frame", (rectangle(0.7, 1.1, 0.78, 0.83),))
    found = examined(reacher(higher), *over_the_shelf())
    hints = {line.rpartition(" | ")[2] for line in said(found)}
    assert len(said(found)) == 2
    assert len(hints) == 1
    (hint,) = hints
    gate = hint.rpartition("once: ")[2]
    assert examined(reacher(higher), *over_the_shelf(gate)).verdict == "clear"


def test_verdicts_say_that_a_side_view_shows_neither_turrets_nor_sideways_reach() -> None:
    found = examined(reacher(), step("up", to({"lift": 0.3})))
    assert (
        "bodies are judged in the side view only: not judged is what turns about the vertical or reaches sideways"
        in found.assumes
    )


def test_a_machine_without_bodies_is_judged_as_before() -> None:
    machine = replace(reacher(), bodies={}, clearances=())
    found = examined(machine, *over_the_shelf())
    assert (found.verdict, found.clearance) == ("clear", None)
    assert "no bodies declared; not judged: clearance between mechanisms" in found.assumes


def test_axes_follow_within_their_bands_and_the_bands_count() -> None:
    gate = "lift > 0.65 m"
    assert examined(reacher(band=0.005), *over_the_shelf(gate)).verdict == "clear"
    assert examined(reacher(band=0.05), *over_the_shelf(gate)).verdict == "conflict"


def offered_line(examination: Examination) -> str:
    """The one line that all hints offer."""
    (hint,) = {one.hint for one in examination.findings if one.rule == "clearance"}
    return str(hint).removeprefix("this line mends it: ")


def test_a_gate_that_the_mend_contradicts_is_replaced_and_the_line_says_so() -> None:
    line = offered_line(examined(reacher(), *over_the_shelf("lift < 0.3 m")))
    asked, _, instead = line.removeprefix("reach: once: ").partition("  # instead of: ")
    assert instead == "lift < 0.3 m"
    assert "lift < 0.3 m" not in asked
    assert examined(reacher(), *over_the_shelf(asked)).verdict == "clear"


def test_a_step_that_may_have_come_to_rest_on_its_way_is_waited_for() -> None:
    raise_ = step("raise", to("over", "lift"), until=parse_condition("lift > 0.7 m", reacher().vocabulary()))
    reach = to("over", "slide", "wrist")
    line = offered_line(examined(reacher(), raise_, step("reach", reach)))
    asked = line.removeprefix("reach: once: ")
    assert asked.startswith("lift > ")
    assert examined(reacher(), raise_, step("reach", reach, once=asked)).verdict == "clear"


def test_an_axis_that_is_there_already_is_kept_and_not_moved() -> None:
    both = step("reach", to({"lift": 0.05, "slide": 0.4, "wrist": -60.0}))
    (line, *_) = said(examined(reacher(), both))
    assert "'reach' keeps lift within 0.048 m to 0.052 m" in line


def test_a_step_that_may_touch_takes_over_from_another_only_if_it_starts_at_once() -> None:
    steps = (
        step("up", to({"lift": 0.5})),
        step("in", to({"slide": 0.4})),
        step("press", to({"wrist": 0.0}), touching=("shelf", "hand")),
    )
    pause = step("pause", Wait(), With("press"), duration=5_000_000_000)
    back = step("back", to({"wrist": 90.0}), After(("press",)), touching=("hand", "shelf"))
    assert examined(reacher(), *steps, pause, back).verdict == "clear"
    waits = replace(back, start=After(("press", "pause")))
    assert examined(reacher(), *steps, pause, waits).verdict == "conflict", "it rests in touch till the pause is over"
    early = replace(pause, start=After(("up",)))
    steps = (*steps[:2], early, replace(steps[2], start=After(("in", "pause"))))
    assert examined(reacher(), *steps, waits).verdict == "clear"
