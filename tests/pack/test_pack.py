"""Packs: what is written is what is read, and nothing else is."""

from __future__ import annotations

import copy
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.errors import PackError
from sequencer.pack import CheckedRoutine, load_pack, write_pack
from sequencer.pack.checked import canonical, machine_hash, pack_hash


def axis_data(name: str, kind: str = "linear") -> dict[str, Any]:
    limits = [[-1.0, 1.0], [-2.0, 2.0], None]
    return {
        "name": name,
        "kind": kind,
        "travel": None if kind == "spin" else [0.0, 1.0],
        "limits": limits,
        "sure": limits,
        "tolerance": {"position": 0.01, "speed": 0.5, "settle": 0, "following": None, "behind": "fault"},
        "latency": [0, 0],
        "between": "hold",
        "rest": [{"mode": "hold", "voltage": 0.0, "when": None}],
        "stop": "ramp_then_hold",
        "feedforward": None,
    }


def machine_data(name: str = "hand") -> dict[str, Any]:
    machine: dict[str, Any] = {
        "name": name,
        "period": 20_000_000,
        "longest_gap": 100_000_000,
        "overlays": [],
        "axes": [axis_data("lift"), axis_data("wrist"), axis_data("rollers", "spin")],
        "sensors": [
            {
                "name": "piece",
                "kind": "one_of",
                "values": ["none", "lantern"],
                "stale_after": 200_000_000,
                "derived": None,
            }
        ],
        "outputs": [{"name": "lamp", "kind": "one_of", "rest": "dark"}],
        "keep_outs": [
            {"name": "tuck", "box": [[0, 0.0, 0.2], [1, 0.5, 1.0]], "when": ["is", "piece", "lantern"], "because": ""}
        ],
        "must_stay": [],
        "presets": {"stow": [[0, 0.0], [1, 0.0]]},
    }
    return {**machine, "hash": machine_hash(machine)}


def step_data(name: str, kind: str = "wait", **fields: Any) -> dict[str, Any]:
    step: dict[str, Any] = {
        "name": name,
        "kind": kind,
        "parent": -1,
        "start": {"kind": "after", "steps": [], "any": False, "branches": []},
        "once": None,
        "until": None,
        "must_stay": None,
        "only_if": None,
        "steady": 0,
        "blind": 0,
        "duration": 100_000_000,
        "timeout": None,
        "on_timeout": "fault",
        "retry": 0,
        "preempt": False,
        "phase": True,
        "together": False,
        "profile": "trapezoid",
        "place": "(in Python)",
        "limits": {},
    }
    return {**step, **fields}


def routine_data(name: str = "hang", **fields: Any) -> dict[str, Any]:
    routine: dict[str, Any] = {
        "name": name,
        "from": "anywhere",
        "region": [],
        "parameters": [
            {"name": "height", "kind": "number", "value": 0.5, "low": 0.2, "high": 0.9, "dimension": [1, 0, 0, 0, 0]}
        ],
        "roots": [0, 1],
        "steps": [
            step_data("pause"),
            step_data(
                "raise",
                "move",
                goals=[[0, ["at", ["parameter", "height"]]]],
                once=["and", [">", "wrist", 0.4], ["not", ["holds", "beam"]]],
                limits={"0": [[-1.0, 1.0], [-2.0, 2.0], None]},
            ),
        ],
        "waived": [],
        "planned": 1.5,
        "assumes": ["readings are true"],
    }
    return {**routine, **fields}


def checked(name: str = "hang", machine: dict[str, Any] | None = None, **fields: Any) -> CheckedRoutine:
    return CheckedRoutine(machine_data() if machine is None else machine, routine_data(name, **fields))


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "hand.pack"
    write_pack(path, [checked("hang"), checked("fetch")])
    return path


def rewritten(path: Path, change: Any, fix_hash: bool = True) -> None:
    data = json.loads(path.read_text())
    change(data)
    if fix_hash:
        data["machine"]["hash"] = machine_hash(data["machine"])
        data["hash"] = pack_hash(canonical(data["machine"]), [canonical(r) for r in data["routines"]])
    path.write_text(json.dumps(data))


def test_a_pack_reads_back_what_was_written(written: Path) -> None:
    pack = load_pack(written)
    assert list(pack.routines) == ["hang", "fetch"]
    assert pack.machine == machine_data()
    assert pack.routines["hang"] == checked("hang")
    assert pack.routines["hang"].routine == routine_data("hang")
    assert pack.routines["hang"].assumes == ("readings are true",)
    assert pack.hash == write_pack(written, [checked("hang"), checked("fetch")]).hash
    assert repr(pack.routines["hang"]) == f"<CheckedRoutine hang: 2 steps on hand, {checked('hang').hash[:12]}>"


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
        max_leaves=20,
    )
)
def test_canonical_text_survives_writing_and_reading(data: Any) -> None:
    assert canonical(json.loads(canonical(data))) == canonical(data)


def reversed_order(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: reversed_order(data[key]) for key in reversed(data)}
    return [reversed_order(item) for item in data] if isinstance(data, list) else data


def test_the_hash_does_not_depend_on_the_order_of_keys() -> None:
    turned = CheckedRoutine(reversed_order(machine_data()), reversed_order(routine_data()))
    assert list(turned.machine) != list(machine_data())
    assert turned.hash == checked().hash
    assert machine_hash(reversed_order(machine_data())) == machine_data()["hash"]


def leaves(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(data, dict) and data:
        return [leaf for key in data for leaf in leaves(data[key], (*path, key))]
    if isinstance(data, list) and data:
        return [leaf for index, item in enumerate(data) for leaf in leaves(item, (*path, index))]
    return [path]


@pytest.mark.parametrize("path", leaves({"machine": machine_data(), "routines": [routine_data()]}), ids=str)
def test_any_single_changed_entry_is_noticed_by_the_hash(path: tuple[Any, ...], tmp_path: Path) -> None:
    file = tmp_path / "hand.pack"
    write_pack(file, [checked("hang")])

    def change(data: Any) -> None:
        holder = data
        for key in path[:-1]:
            holder = holder[key]
        holder[path[-1]] = "changed"

    rewritten(file, change, fix_hash=False)
    with pytest.raises(PackError, match=r"was changed after it was written: its hash says"):
        load_pack(file)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_a_pack_cut_short_is_refused(written: Path, share: float) -> None:
    raw = written.read_bytes()
    written.write_bytes(raw[: int(len(raw) * share)])
    with pytest.raises(PackError, match="is damaged or cut short"):
        load_pack(written)


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "is not a pack"),
        (b"PK\x03\x04\xff\xfe", "is not a pack"),
        (b"[1, 2]", "is not a pack: it does not say its format; write one with: stepgraph pack"),
        (b"{}", "is not a pack: it does not say its format; write one with: stepgraph pack"),
        (b'{"format":"stepgraph pack 1","machine":{"a":NaN},"routines":[{}],"hash":""}', "NaN is not a finite number"),
        (b'{"format":"stepgraph pack 1","machine":{"a":1e400},"routines":[{}],"hash":""}', "number that is not finite"),
        (b'{"format":"stepgraph pack 1","machine":{},"routines":[],"hash":""}', "missing or of the wrong type"),
        (b'{"format":"stepgraph pack 1"}', "missing or of the wrong type"),
        (b'{"format":"stepgraph pack 1","machine":' + b"[" * 100_000, "is damaged or cut short"),
        (b'{"format":7}', "has the format 7, and this version reads 'stepgraph pack 1'; pack the routines again"),
        (
            b'{"format":"stepgraph pack 2"}',
            "has the format 'stepgraph pack 2', and this version reads 'stepgraph pack 1'",
        ),
    ],
)
def test_what_is_no_whole_pack_is_refused_with_the_reason(raw: bytes, said: str, tmp_path: Path) -> None:
    path = tmp_path / "x.pack"
    path.write_bytes(raw)
    with pytest.raises(PackError) as refused:
        load_pack(path)
    assert str(path) in str(refused.value)
    assert said in str(refused.value)


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("routines", 0, "steps", 1, "parent"), "0", "routines[0].steps[1].parent is '0', and a whole number belongs"),
        (("routines", 0, "steps", 1, "goals", 0, 0), 7, "goals[0][0] is 7, and an axis's index below 3 belongs there"),
        (("routines", 0, "roots"), [0, 2], "routines[0].roots[1] is 2, and a step's index below 2 belongs there"),
        (("routines", 0, "steps", 1, "once", 0), "xor", "and a list that begins with one of <, <=, >, >=, holds"),
        (("routines", 0, "steps", 1, "once", 1, 2), ["parameter"], "a list of exactly 2 belongs there"),
        (("routines", 0, "steps", 0, "kind"), "dance", "kind is 'dance', and one of move, flick, press, pulse, wait"),
        (("routines", 0, "steps", 0, "timeout"), True, "whole number of nanoseconds, not negative, belongs there"),
        (("routines", 0, "steps", 0, "timeout"), -1, "whole number of nanoseconds, not negative, belongs there"),
        (("routines", 0, "steps", 0, "preempt"), 1, "preempt is 1, and true or false belongs there"),
        (("machine", "axes", 0, "limits"), [[-1.0, 1.0], [-1.0], None], "machine.axes[0].limits[1] is [-1.0]"),
        (("machine", "axes"), {}, "machine.axes is {}, and a list of at least 1 belongs there"),
        (("machine", "keep_outs", 0, "box", 0, 1), False, "box[0][1] is False, and a number belongs there"),
        (("machine", "presets", "stow"), 5, "machine.presets.stow is 5, and a list belongs there"),
        (("routines", 1, "name"), "hang", "two of its routines have one name"),
    ],
)
def test_a_wrong_type_inside_is_refused_although_the_hash_fits(
    path: tuple[Any, ...], value: Any, said: str, written: Path
) -> None:
    def change(data: Any) -> None:
        holder = data
        for key in path[:-1]:
            holder = holder[key]
        holder[path[-1]] = value

    rewritten(written, change)
    with pytest.raises(PackError) as refused:
        load_pack(written)
    assert said in str(refused.value)


def test_a_missing_entry_is_named_with_its_path(written: Path) -> None:
    rewritten(written, lambda data: data["routines"][0]["steps"][1].pop("steady"))
    with pytest.raises(PackError) as refused:
        load_pack(written)
    assert str(refused.value) == (
        f"{written} cannot be used: routines[0].steps[1] has no 'steady'; pack the routines again"
    )


def test_a_machine_hash_that_does_not_fit_is_refused(written: Path) -> None:
    data = json.loads(written.read_text())
    data["machine"]["hash"] = "0" * 64
    data["hash"] = pack_hash(canonical(data["machine"]), [canonical(r) for r in data["routines"]])
    written.write_text(json.dumps(data))
    with pytest.raises(PackError, match="the machine's own hash does not fit its data"):
        load_pack(written)


def test_routines_of_different_machines_do_not_go_into_one_pack(tmp_path: Path) -> None:
    path = tmp_path / "x.pack"
    other = machine_data("other")
    with pytest.raises(PackError) as refused:
        write_pack(path, [checked("hang"), checked("fetch", other)])
    assert str(refused.value) == (
        f"'fetch' was checked against other machine data (other, {other['hash'][:12]}) than 'hang' "
        f"(hand, {machine_data()['hash'][:12]}); check all routines of a pack against the same machine and overlays"
    )
    assert not list(tmp_path.iterdir())


def test_an_empty_pack_and_a_repeated_name_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PackError, match="needs at least one checked routine"):
        write_pack(tmp_path / "x.pack", [])
    with pytest.raises(PackError, match="two routines are called 'hang'"):
        write_pack(tmp_path / "x.pack", [checked("hang"), checked("hang")])


def test_a_fallback_routine_must_be_in_the_pack(tmp_path: Path) -> None:
    falls_back = checked("hang", steps=[step_data("pause", on_timeout="retreet")], roots=[0])
    with pytest.raises(PackError) as refused:
        write_pack(tmp_path / "x.pack", [falls_back, checked("retreat")])
    assert str(refused.value) == (
        "'hang', step 'pause': on_timeout names routine 'retreet', which is not in the pack; did you mean 'retreat'?"
    )


def test_a_failed_write_leaves_the_old_pack_and_nothing_else(written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = written.read_bytes()

    def fail(_: int) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="the disk is full"):
        write_pack(written, [checked("other")])
    assert written.read_bytes() == before
    assert list(written.parent.iterdir()) == [written]


def test_data_that_the_runner_could_not_read_is_not_written(tmp_path: Path) -> None:
    steps = copy.deepcopy(routine_data()["steps"])
    steps[1]["goals"] = [["lift", ["at", 0.5]]]
    with pytest.raises(PackError, match="'lift', and an axis's index below 3 belongs there"):
        write_pack(tmp_path / "x.pack", [checked("hang", steps=steps)])
    assert not list(tmp_path.iterdir())


def test_reading_a_pack_imports_nothing_beyond_the_standard_library(written: Path) -> None:
    code = (
        "import sys; from sequencer.pack import load_pack; load_pack(sys.argv[1]);"
        "heavy = ('numpy', 'networkx', 'yaml', 'pydantic', 'rich', 'profiles', 'sequencer.machine');"
        "print([name for name in heavy if name in sys.modules])"
    )
    root = str(Path(__file__).resolve().parents[2])
    found = subprocess.run(
        [sys.executable, "-S", "-c", code, str(written)], capture_output=True, text=True, cwd=root, check=True
    )
    assert found.stdout.strip() == "[]"
