"""Bodies that are left in touch: nothing else looks at a machine that only stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import load_routine
from sequencer.check import examine

MACHINE = """\
machine: two slides
period: 20 ms
axes:
  along: {kind: linear, mount: {to: frame, direction: 0 deg}, travel: [0 m, 1 m], LIMITS}
  across: {kind: linear, mount: {to: along, direction: 90 deg}, travel: [0 m, 1 m], LIMITS}
  other: {kind: linear, mount: {to: frame, direction: 90 deg}, travel: [0 m, 1 m], LIMITS}
sensors:
  beam: {kind: switch}
outputs:
  lamp: {kind: switch, rest: false}
  horn: {kind: switch, rest: false}
presets:
  low: {along: 0 m, across: 0 m, other: 0 m}
bodies:
  tip: {carried_by: across, parts: [[[-30 mm, -30 mm], [30 mm, -30 mm], [30 mm, 30 mm], [-30 mm, 30 mm]]]}
  post: {carried_by: frame, parts: [[[0.5 m, -0.1 m], [0.7 m, -0.1 m], [0.7 m, 0.1 m], [0.5 m, 0.1 m]]]}
clearances:
- {between: [tip, post], margin: 10 mm}
""".replace(
    "LIMITS",
    "limits: {velocity: 1 m/s, acceleration: 4 m/s2}, "
    "tolerance: {position: 5 mm, settle: 60 ms, following: 20 mm, behind: wait}",
)

PUSH = "- push: {move: {along: 0.5 m}, touching: [tip, post]}\n"
FAR = "- far: {move: {other: 0.5 m}, touching: [tip, post]}\n"
BACK = "- back: {move: {along: 0 m}, touching: [tip, post]}\n"


def verdict(folder: Path, steps: str, after: str = "", machine: str = MACHINE) -> str:
    (folder / "machine.yaml").write_text(machine)
    file = folder / "press.routine.yaml"
    head = "routine: press\nmachine: machine.yaml\nfrom: low\ndefaults: {timeout: planned + 0.5 s}\nsteps:\n"
    file.write_text(head + steps + after)
    return examine(load_routine(file)).verdict


@pytest.mark.parametrize(
    ("steps", "wanted"),
    [
        (PUSH + BACK, "clear"),
        (PUSH + FAR + BACK, "clear"),
        (PUSH, "conflict"),
        (PUSH + FAR, "conflict"),
        (PUSH + FAR + "- rest: {wait: 3 s}\n" + BACK, "conflict"),
        (PUSH + FAR + "- far2: {move: {other: 0 m}}\n" + BACK, "conflict"),
    ],
)
def test_a_step_that_moves_neither_body_does_not_end_their_touch(tmp_path: Path, steps: str, wanted: str) -> None:
    assert verdict(tmp_path, steps) == wanted


@pytest.mark.parametrize(
    ("first", "wanted"),
    [
        ("{move: {along: 0 m}, touching: [tip, post]}", "clear"),
        ("{move: {along: 0 m}, touching: [tip, post], only_if: beam}", "conflict"),
        ("{move: {other: 0.4 m}, touching: [tip, post]}", "conflict"),
        ("{move: {along: 0 m}}", "conflict"),
    ],
)
def test_a_start_in_touch_must_be_left_by_a_step_that_surely_moves(tmp_path: Path, first: str, wanted: str) -> None:
    machine = MACHINE.replace("low: {along: 0 m, across: 0 m,", "low: {along: 0.48 m, across: 0 m,")
    assert verdict(tmp_path, f"- first: {first}\n", machine=machine) == wanted
    handed_on = "- far: {move: {other: 0.4 m}, touching: [tip, post]}\n- first: "
    assert verdict(tmp_path, f"{handed_on}{first}\n", machine=machine) == wanted


@pytest.mark.parametrize(
    ("lowered", "wanted"),
    [(", touching: [tip, post]", "conflict"), ("", "conflict"), (", after: push, touching: [tip, post]", "conflict")],
)
def test_a_step_beside_it_may_be_what_leaves_bodies_in_touch(tmp_path: Path, lowered: str, wanted: str) -> None:
    """`push` is over with the tip high above the post or beside it, as `lower` comes early or late."""
    machine = MACHINE.replace("low: {along: 0 m, across: 0 m,", "low: {along: 0 m, across: 0.5 m,")
    steps = PUSH + "- lower: {move: {across: 0 m}, with: pushLOWERED}\n".replace("LOWERED", lowered)
    if "after" in lowered:
        steps = steps.replace("with: push, after", "after")
    assert verdict(tmp_path, steps, machine=machine) == wanted
    away = "- back: {move: {along: 0 m}, touching: [tip, post]}\n"
    assert verdict(tmp_path, steps + away, machine=machine) == ("clear" if lowered else "conflict")


@pytest.mark.parametrize(
    ("after", "wanted"),
    [
        ("on_cancel: [{away: {move: {along: 0 m}, touching: [tip, post]}}]\n", "clear"),
        ("on_cancel: [{aside: {move: {other: 0.3 m}}}]\n", "conflict"),
        ("on_fault: [{aside: {move: {other: 0.3 m}}}]\n", "conflict"),
        ("on_cancel: [{aside: {move: {other: 0.3 m}, touching: [tip, post]}}]\n", "conflict"),
    ],
)
def test_what_runs_after_a_stop_in_touch_must_move_them_apart(tmp_path: Path, after: str, wanted: str) -> None:
    assert verdict(tmp_path, PUSH + BACK, after) == wanted


def test_what_starts_where_a_flick_passes_is_not_certain_for_the_flick_may_be_held_near_its_place(
    tmp_path: Path,
) -> None:
    """M4: held between 0.30 s and 0.36 s the flick has no throw left when it goes on; `p` never lifts the tip then, and
    `g` goes for the post."""
    steps = (
        "- d: {flick: {along: {through: 0.2 m, speed: 0.5 m/s, to: 0.35 m}}}\n"
        "- v: {set: {horn: true}, passing: {step: d, at: through}}\n"
        "- p: {move: {across: 0.5 m}, with: v}\n"
    )
    assert verdict(tmp_path, steps + "- g: {move: {along: 1 m}, after: [d, p]}\n") == "conflict"
    assert verdict(tmp_path, steps + "- g: {move: {along: 1 m}, after: [d, p], once: across > 0.2 m}\n") == "clear"


A = "- a: {move: {other: 1 m}UNTIL}\n- w: {set: {lamp: true}, passing: {step: a, at: 0.5 m}}\n"
D = "- d: {flick: {along: {through: 0.1 m, speed: 0.5 m/s, to: 0.2 m}}, with: w}\n"
V = "- v: {set: {horn: true}, passing: {step: d, at: through}}\n- p: {move: {across: 0.5 m}, with: v}\n"
G = "- g: {move: {along: 1 m}, after: [a, d, p]}\n"


@pytest.mark.parametrize("until", [", until: beam", ""])
def test_what_starts_where_a_step_passes_that_may_never_start_is_not_certain(tmp_path: Path, until: str) -> None:
    """M4: only once `p` has lifted the tip may `g` go by the post. `a` may end before it passes its place, and be it
    by an abort: then neither `d` nor `v` nor `p` ever happens."""
    assert verdict(tmp_path, A.replace("UNTIL", until) + D + V + G) == "conflict"
