"""R39 and its relatives: what makes a routine impossible, with rule and place."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sequencer.machine import Machine
from sequencer.routine import Routine, Step, problems_of
from sequencer.routine.steps import Choose, Wait

Read = Callable[..., Routine]


def said(routine: Routine) -> list[str]:
    return [
        f"{problem.place.line}: {problem.step}: {problem.rule}: {problem.message}" for problem in problems_of(routine)
    ]


def test_a_good_routine_has_none(routine_from: Read) -> None:
    assert said(routine_from("- a: {move: ridge}\n- b: {move: stow}")) == []


def test_a_loop_names_its_steps_and_their_lines(routine_from: Read) -> None:
    assert said(routine_from("- a: {wait: 1 s, after: b}\n- b: {wait: 1 s, after: a}\n- c: {wait: 1 s, after: b}")) == [
        "4: a: R39: a loop: 'a' (line 4), which waits for 'b' (line 5), which waits for 'a'",
        "6: c: R39: 'c' can never start: it waits for 'a', which is in a loop",
    ]


@pytest.mark.parametrize("other", ["with: b", "passing: {step: b}"])
def test_a_loop_through_with_and_passing_is_found_too(routine_from: Read, other: str) -> None:
    steps = f"- a: {{set: {{lamp: dark}}, {other}}}\n- b: {{wait: 1 s, after: a}}"
    assert any("a loop: 'a' (line 4), which waits for 'b'" in line for line in said(routine_from(steps)))


def test_a_step_that_waits_for_itself_is_a_loop(routine_from: Read) -> None:
    assert said(routine_from("- a: {wait: 1 s, with: a}")) == ["4: a: R39: 'a' (line 4) waits for itself"]


def test_an_unknown_step_is_named_with_the_nearest(routine_from: Read) -> None:
    routine = routine_from("- raise: {wait: 1 s}\n- b: {wait: 1 s, after: rise}")
    (problem,) = problems_of(routine)
    assert (problem.message, problem.hint, problem.key) == ("unknown step 'rise'", "did you mean 'raise'?", "after")


def test_nothing_outside_a_block_refers_into_it_and_nothing_inside_out_of_it(routine_from: Read) -> None:
    steps = (
        "- a: {wait: 1 s}\n- pick:\n    choose:\n    - else:\n      - x: {wait: 1 s, after: a}\n"
        "- b: {wait: 1 s, after: x}"
    )
    assert said(routine_from(steps)) == [
        "8: x: R39: 'a' stands in another list of steps",
        "9: b: R39: 'x' stands in another list of steps",
    ]


def test_two_steps_of_one_name_are_refused_across_blocks(lantern_machine: Machine) -> None:
    outer = Step("b", Choose((), (Step("a", Wait(), duration=1),)))
    assert said(Routine("r", lantern_machine, (outer,))) == []
    again = (Step("a", Wait(), duration=1), outer)
    assert said(Routine("r", lantern_machine, again)) == ["0: a: R39: two steps are called 'a'"]


def test_a_join_any_over_a_branch_that_leads_elsewhere_names_the_step(routine_from: Read) -> None:
    steps = (
        "- a: {wait: 1 s, after: []}\n- b: {wait: 2 s, after: []}\n- j: {wait: 1 s, after: {any: [a, b]}}\n"
        "- k: {wait: 1 s, after: b}"
    )
    assert said(routine_from(steps)) == [
        "6: j: R12: 'j' takes the first of several branches, and 'b' (line 5) in one of them leads to 'k' (line 7) "
        "as well"
    ]


def test_a_join_any_after_a_common_fork_is_fine(routine_from: Read) -> None:
    steps = (
        "- s: {wait: 1 s}\n- a: {wait: 1 s, after: s}\n- b: {wait: 2 s, after: s}\n- other: {wait: 1 s, after: s}\n"
        "- j: {wait: 1 s, after: {any: [a, b]}}"
    )
    assert said(routine_from(steps)) == []


@pytest.mark.parametrize(
    "passage",
    [
        "[]",
        "[{pick: {choose: [{if: cover_closed, steps: []}, {else: []}]}}]",
        "[{in: {repeat: {times: 2, steps: []}}}]",
    ],
)
def test_a_passage_without_a_real_step_is_refused(routine_from: Read, passage: str) -> None:
    lines = said(routine_from(f"- again: {{repeat: {{times: 2, steps: {passage}}}}}"))
    assert "4: again: R9: a passage of 'again' can go by without a real step" in lines


def test_a_passage_is_real_when_every_way_through_it_is(routine_from: Read) -> None:
    branch = "{choose: [{if: cover_closed, steps: [{x: {wait: 1 s}}]}, {else: [{v: {wait: 1 s}}]}]}"
    assert said(routine_from(f"- again: {{repeat: {{times: 2, steps: [{{pick: {branch}}}]}}}}")) == []


def test_passing_starts_pulses_and_sets_only(routine_from: Read) -> None:
    flick = "- f: {flick: {wrist: {through: 58 deg, speed: 300 deg/s, to: 84 deg}}}"
    assert said(routine_from(f"{flick}\n- m: {{move: {{lift: 1 m}}, passing: {{step: f}}}}")) == [
        "5: m: M1: 'passing' starts pulses and sets only, and 'm' is a move"
    ]


@pytest.mark.parametrize(
    ("watched", "passing", "message"),
    [
        ("{wait: 1 s}", "{step: w}", "'w' is a wait, which has no profile that could pass a place"),
        ("{move: {lift: 1 m}}", "{step: w}", "'w' is a move, which has no 'through'"),
        ("{move: ridge}", "{step: w, at: 0.4 m}", "'w' moves lift and wrist; 'axis' must say whose position is passed"),
        ("{move: {lift: 1 m}}", "{step: w, at: 0 deg, axis: wrist}", "'w' does not move wrist"),
        (
            "{move: {lift: 1 m}}",
            "{step: w, at: 2 m}",
            "the milestone 2 m is outside the travel of lift, 0 m to 1.18 m",
        ),
    ],
)
def test_a_milestone_must_be_one(routine_from: Read, watched: str, passing: str, message: str) -> None:
    steps = f"- w: {watched}\n- p: {{pulse: {{rollers: 3 V}}, for: 1 s, passing: {passing}}}"
    assert said(routine_from(steps)) == [f"5: p: M1: {message}".replace("M1: the", "R39: the")]


def test_two_steps_on_one_axis_that_can_be_active_together_are_refused(routine_from: Read) -> None:
    steps = (
        "- up: {move: {lift: 1 m}, after: []}\n- later: {wait: 100 ms, after: []}\n"
        "- down: {move: {lift: 0.2 m}, after: later}"
    )
    assert said(routine_from(steps)) == [
        "6: down: R28: 'up' (line 4) and 'down' (line 6) both use lift and can be active together"
    ]


def test_preempt_allows_it_on_the_step_that_starts_later(routine_from: Read) -> None:
    """R28: it takes the axis over from the moving state."""
    steps = (
        "- up: {move: {lift: 1 m}, after: []}\n- later: {wait: 100 ms, after: []}\n"
        "- down: {move: {lift: 0.2 m}, after: later, preempt: true}"
    )
    assert said(routine_from(steps)) == []


@pytest.mark.parametrize("gate", ["", ", once: lift > 0.6 m"])
def test_preempt_cannot_help_steps_that_start_in_one_tick(routine_from: Read, gate: str) -> None:
    """R28: the second claim of a tick fails, also where its gate would open later."""
    steps = (
        f"- up: {{move: {{lift: 1 m}}, after: []}}\n- down: {{move: {{lift: 0.2 m}}, with: up, preempt: true{gate}}}"
    )
    assert said(routine_from(steps)) == [
        "5: down: R28: 'up' (line 4) and 'down' (line 5) both use lift and can be active together; "
        "they start in the same tick, and then preempt cannot help"
    ]


def test_preempt_on_the_step_that_starts_first_is_of_no_use(routine_from: Read) -> None:
    """R28: the one that starts second would find its axis in use."""
    steps = (
        "- later: {wait: 200 ms, after: []}\n- up: {move: {lift: 1 m}}\n"
        "- down: {move: {lift: 0.2 m}, with: later, preempt: true}"
    )
    assert said(routine_from(steps)) == [
        "6: down: R28: 'up' (line 5) and 'down' (line 6) both use lift and can be active together; "
        "'up' starts later and does not say preempt"
    ]


def test_branches_that_exclude_each_other_are_no_conflict(routine_from: Read) -> None:
    steps = (
        "- pick:\n    choose:\n    - if: cover_closed\n      steps:\n      - up: {move: {lift: 1 m}}\n"
        "    - else:\n      - down: {move: {lift: 0 m}}"
    )
    assert said(routine_from(steps)) == []


def test_outputs_have_one_owner_as_well(routine_from: Read) -> None:
    steps = "- one: {pulse: {lamp: steady}, for: 1 s, after: []}\n- two: {set: {lamp: dark}, after: []}"
    assert said(routine_from(steps)) == [
        "5: two: R28: 'one' (line 4) and 'two' (line 5) both use lamp and can be active together"
    ]


def test_a_performed_routine_can_be_in_the_way_of_a_step_beside_it(routine_from: Read) -> None:
    inner = routine_from("- up: {move: ridge}")
    steps = "- go: {perform: r, after: []}\n- turn: {move: {wrist: 0 deg}, after: []}"
    assert said(routine_from(steps, others=(inner,))) == [
        "5: turn: R28: 'go/up' (line 4) and 'turn' (line 5) both use wrist and can be active together"
    ]


def test_the_axes_of_a_preset_parameter_count(routine_from: Read) -> None:
    head = "parameters: {spot: {preset: ridge, choices: [ridge, eaves]}}\ndefaults: {timeout: 3 s}"
    steps = "- up: {move: spot, after: []}\n- turn: {move: {wrist: 0 deg}, after: []}"
    assert said(routine_from(steps, head)) == [
        "6: turn: R28: 'up' (line 5) and 'turn' (line 6) both use wrist and can be active together"
    ]


def test_a_time_parameter_must_stay_above_zero_where_zero_is_no_duration(routine_from: Read) -> None:
    head = "parameters: {pause: {value: 0.1 s, range: [0 s, 1 s]}}\ndefaults: {timeout: 3 s}"
    assert said(routine_from("- a: {wait: pause}", head)) == [
        "5: a: R18: 'for' must be greater than 0; 'pause' can be 0 s"
    ]
    flick = "- f: {flick: {wrist: {through: 58 deg, speed: 300 deg/s, to: 84 deg}}}"
    steps = f"{flick}\n- p: {{pulse: {{rollers: 3 V}}, for: 1 s, passing: {{step: f, lead: pause}}}}"
    assert said(routine_from(steps, head)) == []


def test_a_routine_needs_a_step(routine_from: Read) -> None:
    assert said(routine_from("  []")) == ["1: : R9: the routine has no step"]
