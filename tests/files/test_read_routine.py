from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.files import FileErrors, load_machine, load_routine
from sequencer.machine.condition import Compare
from sequencer.routine.parameters import NumberParameter, PresetParameter
from sequencer.routine.routine import OutsideRange, Routine, walk
from sequencer.routine.steps import (
    After,
    At,
    AtTime,
    By,
    Cap,
    Choose,
    Drive,
    Expectation,
    Flick,
    FromReading,
    LimitCaps,
    Move,
    Passing,
    Perform,
    Press,
    Pulse,
    Repeat,
    Set,
    Step,
    Timeout,
    Wait,
    With,
)
from sequencer.units import LENGTH, NUMBER, TIME

Spoil = Callable[..., list[str]]
MISTAKES = json.loads((Path(__file__).parents[1] / "cases" / "file_mistakes.json").read_text())


@pytest.fixture
def every_key(lantern: Path) -> Routine:
    return load_routine(lantern / "every_key.routine.yaml")


def step_of(routine: Routine, name: str) -> Step:
    return next(step for step in walk(routine.steps) if step.name == name)


def test_every_key_of_the_example_reaches_the_model(every_key: Routine) -> None:
    assert (every_key.name, every_key.start, every_key.about) == ("every_key", "carry", "shows every key")
    assert every_key.default_timeout == Timeout("planned", 600_000_000)
    assert every_key.parameters["spot"] == PresetParameter("spot", "ridge", ("eaves", "ridge"), "where to hang")
    assert every_key.parameters["release_lead"] == NumberParameter(
        "release_lead", 0.03, TIME, (0.0, 0.11), "how early the rollers let go"
    )
    assert every_key.parameters["tries"] == NumberParameter("tries", 2.0, NUMBER, (1.0, 3.0))
    shine = step_of(every_key, "shine")
    assert shine.body == Set((("lamp", "steady"), ("chassis_may_leave", False)))
    assert (shine.start, shine.about) == (After(), "tells the drivers")
    rise = step_of(every_key, "raise")
    assert rise.body == Move((("lift", At("spot")), ("wrist", By(math.radians(5)))))
    assert rise.limits == LimitCaps(Cap(0.5, True), Cap(0.8, True))
    assert (rise.together, rise.profile, rise.retry, rise.on_timeout) == (True, "trapezoid", 1, "home")
    assert rise.timeout == Timeout("planned", "pause")
    level = step_of(every_key, "level")
    assert level.once is not None
    assert level.once.term == Compare("lift", ">", 0.4, LENGTH)
    assert [str(one) for one in (level.must_stay, level.only_if)] == ["cover_closed", "not lantern_in"]
    assert level.limits == LimitCaps(Cap(math.radians(200)), jerk=Cap(math.radians(9000)))
    near = step_of(every_key, "near")
    assert (near.steady, near.blind, near.usually, near.timeout) == (
        60_000_000,
        100_000_000,
        500_000_000,
        Timeout("fixed", 3_000_000_000),
    )
    still = step_of(every_key, "still")
    assert (still.body, still.duration) == (Wait(None), "pause")
    assert step_of(every_key, "lean_on").body == Press("wrist", "lean", math.radians(-6))
    assert step_of(every_key, "lean_on").touching == ("lantern", "post")
    assert step_of(every_key, "raise").touching is None
    assert every_key.outside == (OutsideRange("post", (0.26, 0.32), "near"),)
    flick = step_of(every_key, "flick")
    assert flick.body == Flick("wrist", math.radians(58), math.radians(380), math.radians(84))
    assert flick.phase is False
    let_go = step_of(every_key, "let_go")
    assert let_go.body == Pulse((Drive("rollers", "spit", "voltage"), Drive("glow", 3.0, "value")))
    assert (let_go.start, let_go.duration) == (Passing("flick", "through", None, "release_lead", 0), 140_000_000)
    blink = step_of(every_key, "blink")
    assert (blink.start, blink.preempt) == (Passing("flick", math.radians(60), "wrist"), True)
    assert step_of(every_key, "away").timeout == Timeout("none")
    settle = step_of(every_key, "settle")
    assert (settle.body, settle.start) == (Move((("lift", FromReading("hook_height", (0.9, 1.1))),)), With("away"))
    sort = step_of(every_key, "sort").body
    assert isinstance(sort, Choose)
    assert [len(branch.steps) for branch in sort.branches] == [1, 0]
    assert sort.otherwise is not None
    assert step_of(every_key, "to_ridge").body == Move(per=("piece", (("lantern", "ridge"), ("float", "pond"))))
    assert step_of(every_key, "spin_up").body == Pulse((Drive("rollers", 3000 * (2.0 * math.pi / 60.0), "speed"),))
    again, until_out = step_of(every_key, "again").body, step_of(every_key, "until_out").body
    assert isinstance(again, Repeat)
    assert isinstance(until_out, Repeat)
    assert (again.times, again.until, until_out.times) == ("tries", None, None)
    assert step_of(every_key, "nudge").start == AtTime(100_000_000)
    assert step_of(every_key, "either").start == After(("first", "other"), any=True)
    assert step_of(every_key, "drop").body == Perform("drop", (("height", 0.3), ("where", "pond"), ("dwell", "pause")))
    assert step_of(every_key, "retreat").start == After(("drop",))
    assert sorted(every_key.subroutines) == ["drop", "home"]
    good, never = every_key.rehearsals
    assert good.gauges == (
        ("range_to_hook", ((0, 0.6), (1_500_000_000, 0.29), (4_000_000_000, 0.7))),
        ("piece", ((0, "lantern"), (6_000_000_000, "none"))),
        ("cover_closed", True),
    )
    assert (good.parameters, good.start, good.piece) == (
        (("release_lead", 0.05), ("spot", "eaves")),
        "carry",
        "lantern",
    )
    assert good.offered == (("lantern", 20_000_000_000),)
    order = ("raise", "lean_on", "flick", "drop/down")
    assert good.expect == Expectation("done", 30_000_000_000, order, ("spin_up",), clearance=0.01)
    assert never.expect.clearance is None
    assert never.gauges == (("range_to_hook", 0.6),)
    (waiver,) = every_key.waivers
    assert (waiver.rule, waiver.step, waiver.down_to) == ("feasibility", "flick", 0.5)


def test_a_machine_can_be_passed_in_with_its_overlays(lantern: Path) -> None:
    machine = load_machine(lantern / "machine.yaml", [lantern / "saturday.yaml"])
    (lantern / "machine.yaml").unlink()
    routine = load_routine(lantern / "hang_ridge.routine.yaml", machine)
    assert routine.machine is machine
    assert routine.machine.presets["ridge"].positions["lift"] == 1.11


@pytest.mark.parametrize("row", MISTAKES["step"], ids=lambda row: row["said"].split(": ")[1])
def test_one_mistake_in_a_step_gives_one_error_with_its_place(routine_errors: Spoil, row: dict[str, str]) -> None:
    """Y3, Y5: one mistake in a step gives one error with its place (F09)."""
    step = row["step"]
    tail = "- b: {wait: 1 s, after: []}" if "[b]" in step else ""
    lines = routine_errors(f"\n- a: {step}\n{tail}".lstrip("\n"), head="about: ''\ndefaults: {timeout: 3 s}")
    assert lines == [f"spoilt.routine.yaml:{row['said']}"]


@pytest.mark.parametrize("row", MISTAKES["parameter"], ids=lambda row: row["said"].split(": ")[1])
def test_one_mistake_in_a_parameter_gives_one_error(routine_errors: Spoil, row: dict[str, str]) -> None:
    lines = routine_errors("- a: {move: stow}", head=f"parameters: {row['parameters']}\ndefaults: {{timeout: 3 s}}")
    assert lines == [f"spoilt.routine.yaml:{row['said']}"]


def test_a_parameter_counts_over_its_whole_range(routine_errors: Spoil) -> None:
    head = "parameters: {high: {value: 1 m, range: [0.5 m, 1.3 m]}}\ndefaults: {timeout: 3 s}"
    assert routine_errors("- a: {move: {lift: high}}", head) == [
        "spoilt.routine.yaml:6:7: steps.a.move: the goal 1.3 m (the parameter 'high' reaches it) is outside the travel "
        "of lift, 0 m to 1.18 m"
    ]


def test_a_parameter_of_another_dimension_names_both(routine_errors: Spoil) -> None:
    """Y5: a parameter of another dimension names both."""
    head = "parameters: {lean: {value: 3 A}}\ndefaults: {timeout: 3 s}"
    assert routine_errors("- a: {move: {lift: lean}}", head) == [
        "spoilt.routine.yaml:6:20: steps.a.move.lift: the parameter 'lean' is a current (such as A); "
        "a length (such as m) is needed"
    ]


@pytest.mark.parametrize("key", ["on_cancel", "on_fault"])
@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("{move: stow, route: straight}", "{k}.route: 'straight' is not one of clear"),
        ("{move: stov}", "{k}.move: unknown preset 'stov'; did you mean 'stow'"),
        ("{flick: {wrist: {through: 0 deg, speed: 9 deg/s, to: 9 deg}}}", "{k}: a flick cannot stand in '{k}'"),
        ("{move: stow, on_timeout: give_up}", "'{k}' falls back to no other routine, and 'give_up' is one"),
        ("[{a: {wait: a.elapsed > 1 s or x.elapsed > 1 s}}]", "unknown name 'x.elapsed'"),
        ("[{b: {move: stow}}, {b: {move: stow}}]", "{k}.b: two steps are called 'b'"),
        ("[{c: {move: {lift: 9 m}}}]", "{k}.c.move"),
        ("[{d: {move: stow, after: step}}]", "{k}.d.after: unknown step 'step'"),
        ("3", "{k}: the number 3 was found"),
    ],
)
def test_what_cannot_be_done_afterwards_is_refused_with_its_place(
    routine_errors: Spoil, key: str, written: str, said: str
) -> None:
    """R47: one move or a list of plain steps, read like any other steps, and apart from those of the routine."""
    (line,) = routine_errors("- step: {wait: 1 s}", head=f"defaults: {{timeout: 3 s}}\n{key}: {written}")
    assert line.startswith("spoilt.routine.yaml:4:")
    assert said.replace("{k}", key) in line


@pytest.mark.parametrize("key", ["on_cancel", "on_fault"])
@pytest.mark.parametrize(
    "written",
    [
        "{move: stow, limits: {velocity: 30 %}, together: true}",
        "[{up: {move: {lift: 1 m}}}, {turn: {move: {wrist: spot}, with: up, once: lift > 0.5 m}}]",
        "[{quiet: {pulse: {rollers: 1 V}, for: 1 s}}, {dark: {set: {lamp: dark}}}, {rest: {wait: 1 s}}]",
    ],
)
def test_plain_steps_may_be_done_afterwards(routine_errors: Spoil, key: str, written: str) -> None:
    """R47."""
    head = f"parameters: {{spot: {{preset: stow}}}}\ndefaults: {{timeout: 3 s}}\n{key}: {written}"
    assert routine_errors("- a: {wait: 1 s}", head=head) == []


@pytest.mark.parametrize(
    ("contact", "said"),
    [
        ("{wirst: {at: 0 deg, side: below}}", "contacts.wirst: unknown axis 'wirst'; did you mean 'wrist'?"),
        (
            "{rollers: {at: 0 deg, side: below}}",
            "contacts.rollers: 'rollers' is a spin or declares no motors or load; it feels no contact",
        ),
        (
            "{wrist: {at: 200 deg, side: below}}",
            "contacts.wrist.at: 200 deg is outside the travel of wrist, -95 deg to 110 deg",
        ),
        ("{wrist: {at: 0 deg, side: left}}", "contacts.wrist.side: 'left' is not one of above, below"),
        (
            "{wrist: {at: 0 deg, side: below, stiffness: 900 N/m}}",
            "contacts.wrist.stiffness: '900 N/m' is a stiffness (such as N/m); a stiffness (such as N.m/rad) is needed",
        ),
        ("{wrist: {at: 0 deg, side: below, stiffness: 0}}", "contacts.wrist.stiffness: 0 is not greater than 0"),
        (
            "{wrist: {at: 0 deg, side: below, since: 2 s, until: 1 s}}",
            "contacts.wrist.until: it stands there until a time that is not after since",
        ),
        (
            "{wrist: {side: below}}",
            "contacts.wrist.at: 'at' is missing; a length (such as m) or an angle (such as deg) is needed",
        ),
    ],
)
def test_a_contact_that_cannot_be_is_refused(routine_errors: Spoil, contact: str, said: str) -> None:
    (line,) = routine_errors("- a: {wait: 1 s}", tail=f"rehearsals:\n- one: {{contacts: {contact}}}")
    assert line.partition(": ")[2] == f"rehearsals.one.{said}"


def test_a_button_that_is_not_there_is_named(routine_errors: Spoil) -> None:
    lines = routine_errors("- a: {wait: 1 s}", tail="rehearsals:\n- one: {pressed: {cancle: 1 s, hold: 0 s}}")
    assert [line.partition(": ")[2] for line in lines] == [
        "rehearsals.one.pressed.cancle: there is no button 'cancle'; did you mean 'cancel'?"
    ]


@pytest.mark.parametrize("row", MISTAKES["outside"], ids=lambda row: row["outside"])
def test_one_mistake_in_the_range_of_an_outside_body_gives_one_error(
    routine_errors: Spoil, row: dict[str, str]
) -> None:
    """R51: outside bodies are covered over ranges, which a routine may only narrow."""
    steps = "- a: {wait: 1 s}\n- b:\n    repeat:\n      times: 2\n      steps:\n      - inner: {wait: 1 s}"
    assert routine_errors(steps, tail=f"outside: {row['outside']}") == [f"spoilt.routine.yaml:{row['said']}"]


def test_the_whole_range_of_an_outside_body_is_a_range_of_it(routine_errors: Spoil) -> None:
    for tail in ("{post: {range: [0.25 m, 1 m], since: a}}", "{post: {range: [0.25 m, 0.25 m]}}", "{}"):
        assert routine_errors("- a: {wait: 1 s}", tail=f"outside: {tail}") == []


def test_a_step_that_could_not_be_read_is_no_unknown_step_of_a_range(routine_errors: Spoil) -> None:
    lines = routine_errors(
        "- a: {wait: 1 m}\n- b: {wait: 1 s}", tail="outside: {post: {range: [0.3 m, 1 m], since: a}}"
    )
    assert [line.split(": ")[1] for line in lines] == ["steps.a.wait"]


@pytest.mark.parametrize(
    "kind",
    [
        "wait: 1 s",
        "set: {lamp: dark}",
        "pulse: {rollers: 3 V}, for: 1 s",
        "perform: drop",
        "repeat: {times: 2, steps: [b: {wait: 1 s}]}",
        "choose: [{else: [b: {wait: 1 s}]}]",
    ],
)
def test_only_a_step_that_moves_an_axis_may_have_bodies_touch(routine_errors: Spoil, kind: str) -> None:
    """R46: the pair may meet in that step only."""
    (line,) = routine_errors(f"- a: {{{kind}, touching: [lantern, post]}}")
    word = kind.partition(":")[0]
    assert line.endswith(f"steps.a.touching: 'touching' does not fit a {word}; it fits move, flick, press")


def test_a_clearance_is_expected_of_bodies_and_is_a_length(lantern: Path, routine_errors: Spoil) -> None:
    def said(clearance: str) -> list[str]:
        return routine_errors("- a: {wait: 1 s}", tail=f"rehearsals:\n- r: {{expect: {{clearance: {clearance}}}}}")

    where = "rehearsals.r.expect.clearance"
    assert said("0 mm") == []
    assert said("-1 mm") == [f"spoilt.routine.yaml:7:27: {where}: -1 mm is below 0"]
    assert said("1 s") == [
        f"spoilt.routine.yaml:7:27: {where}: '1 s' is a time (such as s); a length (such as m) is needed"
    ]
    (lantern / "machine.yaml").write_text(
        "machine: small\naxes: {lift: {kind: linear, travel: [0 m, 1 m], limits: {velocity: 1 m/s, "
        "acceleration: 2 m/s2}, tolerance: {position: 5 mm}}}\n"
    )
    assert said("10 mm") == [
        f"spoilt.routine.yaml:7:16: {where}: the machine has no bodies, so there is no clearance to expect; "
        "remove it, or give it bodies"
    ]


def test_all_errors_of_a_file_come_at_once_sorted_by_line(routine_errors: Spoil) -> None:
    """Y4: all errors of a file come at once sorted by line."""
    lines = routine_errors(
        "- a: {move: {lift: 3 m}}\n- b: {wait: lift_botom}\n- c: {move: stow, after: [zz], timeout: yes}\n"
        "- d: {move: {wrist: 3 m}}\n- a: {wait: 1 s}",
        tail="rehearsals:\n- r: {gauges: {range_to_hok: 1 m}, expect: {never: [e]}}",
    )
    assert [line.split(": ")[0].removeprefix("spoilt.routine.yaml:") for line in lines] == [
        "5:7",
        "6:13",
        "7:19",
        "7:41",
        "8:21",
        "9:3",
        "11:16",
        "11:53",
    ]
    assert lines[5] == (
        "spoilt.routine.yaml:9:3: steps.a: two steps are called 'a' (the other in line 5); give each its own name"
    )


def test_the_machine_file_must_not_leave_the_folder(lantern: Path) -> None:
    """Y7: the machine file must not leave the folder."""
    file = lantern / "away.routine.yaml"
    for target in ("../machine.yaml", "/etc/passwd", "a/../../machine.yaml"):
        file.write_text(f"routine: away\nmachine: {target}\nsteps:\n- a: {{wait: 1 s}}\n")
        with pytest.raises(FileErrors) as caught:
            load_routine(file)
        assert str(caught.value) == (
            f"{file}:2:10: machine: '{target}' leaves the folder of the routine; "
            "name a file in the folder, or pass the machine yourself"
        )


def test_a_link_that_leads_out_of_the_folder_is_no_way_out(lantern: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.yaml").write_text("machine: x\n")
    (lantern / "link.yaml").symlink_to(tmp_path / "secret.yaml")
    file = lantern / "away.routine.yaml"
    file.write_text("routine: away\nmachine: link.yaml\nsteps:\n- a: {wait: 1 s}\n")
    with pytest.raises(FileErrors, match="leaves the folder of the routine"):
        load_routine(file)


def test_errors_of_the_machine_file_are_reported_with_those_of_the_routine(lantern: Path) -> None:
    machine = lantern / "machine.yaml"
    machine.write_text(machine.read_text().replace("period: 20 ms", "peroid: 20 ms"))
    file = lantern / "home.routine.yaml"
    file.write_text(file.read_text().replace("from: anywhere", "form: anywhere"))
    with pytest.raises(FileErrors) as caught:
        load_routine(file)
    assert str(caught.value).replace(f"{lantern}/", "").splitlines() == [
        "machine.yaml:3:1: peroid: unknown key 'peroid'; did you mean 'period'?",
        "home.routine.yaml:3:1: form: unknown key 'form'; did you mean 'from'?",
    ]


def test_errors_of_a_performed_routine_come_along(lantern: Path) -> None:
    drop = lantern / "drop.routine.yaml"
    drop.write_text(drop.read_text().replace("{wait: dwell}", "{wait: dwel}"))
    with pytest.raises(FileErrors, match=r"drop.routine.yaml:10:16: steps.rest.wait: .*"):
        load_routine(lantern / "every_key.routine.yaml")


def test_routines_that_perform_each_other_are_refused_with_the_ring(lantern: Path) -> None:
    for name, other in (("one", "two"), ("two", "three"), ("three", "one")):
        text = f"routine: {name}\nmachine: machine.yaml\nsteps:\n- go: {{perform: {other}}}\n- rest: {{wait: 1 s}}\n"
        (lantern / f"{name}.routine.yaml").write_text(text)
    with pytest.raises(FileErrors) as caught:
        load_routine(lantern / "one.routine.yaml")
    assert str(caught.value) == (
        f"{lantern}/three.routine.yaml:4:17: steps.go.perform: routines perform each other in a ring: "
        "one -> two -> three -> one; a routine does not perform itself"
    )


def test_a_performed_file_must_be_called_as_its_routine(lantern: Path) -> None:
    home = lantern / "home.routine.yaml"
    home.write_text(home.read_text().replace("routine: home", "routine: hmoe"))
    with pytest.raises(FileErrors, match=r"the file is home\.routine\.yaml, and its routine is called 'hmoe'"):
        load_routine(lantern / "every_key.routine.yaml")


def test_a_missing_timeout_is_an_error_and_none_must_be_written(routine_errors: Spoil) -> None:
    """R24: a missing timeout is an error and none must be written."""
    steps = "- a: {move: stow}\n- b: {wait: cover_closed}\n- c: {wait: 1 s}\n- d: {move: ridge, timeout: none}"
    hint = 'add timeout: a time, planned + TIME, or none; or one for all under "defaults"'
    assert routine_errors(steps, head="about: no defaults") == [
        f"spoilt.routine.yaml:5:3: steps.a: 'a' has no timeout; {hint}",
        f"spoilt.routine.yaml:6:3: steps.b: 'b' has no timeout; {hint}",
    ]


def test_a_default_timeout_that_cannot_be_read_is_told_once_and_not_missed_by_every_step(routine_errors: Spoil) -> None:
    (said,) = routine_errors("- a: {move: stow}\n- b: {wait: cover_closed}", head="defaults: {timeout: planned + 1 q}")
    assert "defaults.timeout: unknown unit 'q'" in said


def test_a_wait_without_a_planned_time_cannot_have_a_planned_timeout(routine_errors: Spoil) -> None:
    assert routine_errors("- a: {wait: cover_closed}", head="defaults: {timeout: planned + 1 s}") == [
        "spoilt.routine.yaml:5:3: steps.a: the timeout of 'a' counts from its planned time, and a wait for a condition "
        "has none; add 'usually' (its time in the plan), or a timeout of its own"
    ]
    assert not routine_errors("- a: {wait: cover_closed, usually: 1 s}", head="defaults: {timeout: planned + 1 s}")


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ("{wait: 0 s}", 'steps.a.wait: 0 s is not a duration; it must be greater than 0; write "timeout: none"'),
        ("{wait: -1 s}", 'steps.a.wait: -1 s is negative; a time is needed; write "timeout: none"'),
        (
            "{wait: cover_closed, timeout: 0 s}",
            'steps.a.timeout: 0 s is not a duration; it must be greater than 0; write "timeout: none"',
        ),
        ("{wait: .nan}", "steps.a.wait: '.nan' is not a finite number"),
        ("{wait: cover_closed, timeout: .inf}", "steps.a.timeout: '.inf' is not a finite number"),
    ],
)
def test_a_time_that_is_none_says_how_to_write_no_timeout(routine_errors: Spoil, step: str, said: str) -> None:
    """C33, R18: zero never means "none" or "for ever"."""
    (line,) = routine_errors(f"- a: {step}")
    assert said in line
