"""The robot's side: the wheel installed without its dependencies runs a pack with the standard library alone."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

ON_THE_ROBOT = """
import json, sys, time
began = time.perf_counter()
from sequencer import AxisReading, Readings, Runner, load_pack
runner = Runner(load_pack("robot.pack"))
started = time.perf_counter() - began
positions = {"lift": 0.10, "wrist": 1.2217304763960306}
runner.tick(Readings(0, True, {name: AxisReading(at, 0.0, 0.0) for name, at in positions.items()}))
runner.request("drop")
outcome = None
for tick in range(1, 400):
    axes = {name: AxisReading(at, 0.0, 0.0) for name, at in positions.items()}
    axes["rollers"] = AxisReading(None, 0.0, 0.0)
    orders = runner.tick(Readings(tick * 20_000_000, True, axes, {"piece": "float"}))
    for name in positions:
        positions[name] = orders.axes[name].position
    ends = [event.text for event in orders.events if event.kind == "run" and event.text != "start"]
    outcome = outcome or (ends[0] if ends else None)
third_party = sorted({name.split(".")[0] for name, module in sys.modules.items()
                      if "site-packages" in (getattr(module, "__file__", None) or "")} - {"profiles", "sequencer"})
print(json.dumps({"outcome": outcome, "third_party": third_party, "positions": positions}))
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-w", str(folder), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True, text=True)
    (built,) = folder.glob("stepgraph-*.whl")
    return built


def test_the_wheel_is_pure_and_holds_both_packages_and_nothing_else(wheel: Path) -> None:
    assert wheel.name.endswith("-py3-none-any.whl")
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"profiles", "sequencer"}
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {"profiles/py.typed", "sequencer/py.typed"} <= names
    assert {f"sequencer/files/schemas/{kind}.schema.json" for kind in ("machine", "routine", "overlay")} <= names
    assert {"sequencer/cli/starter/machine.yaml", "sequencer/cli/starter/test_reach_shelf.py.txt"} <= names


def test_a_pack_runs_on_a_robot_with_no_third_party_package(wheel: Path, tmp_path: Path) -> None:
    from sequencer import check, load_machine, load_routine, write_pack

    machine = load_machine(ROOT / "demos/lantern/machine.yaml")
    names = ("pick_up", "hang_ridge", "drop", "to_stow")
    routines = [check(load_routine(ROOT / f"demos/lantern/{name}.routine.yaml", machine)) for name in names]
    write_pack(tmp_path / "robot.pack", routines)

    environment = tmp_path / "robot"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(environment)], check=True)
    python = environment / "bin" / "python"
    install = [sys.executable, "-m", "pip", "--python", str(python), "install", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(install, check=True, capture_output=True, text=True)
    run = [str(python), "-c", ON_THE_ROBOT]
    done = subprocess.run(run, cwd=tmp_path, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["third_party"] == []
    assert found["outcome"] == "done"
    assert found["positions"] == pytest.approx({"lift": 0.10, "wrist": 1.2217304763960306}, abs=1e-9)
