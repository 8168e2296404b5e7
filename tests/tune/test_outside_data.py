"""Estimators against measurements that no one here made; skipped where they are not at hand.

EMPS: A. Janot, M. Gautier, M. Brunot, Data Set and Reference Models of EMPS, Workshop on Nonlinear System
Identification Benchmarks 2019: a drive on a slide, 1 kHz. Pendulum: F. Wiebe et al., Torque-limited simple pendulum,
Journal of Open Source Software 7(74) (2022) 3884: a geared motor with a rod of 0.5 m. Neither is part of the project:
put them into folders `emps` and `pendulum` of a folder, and its path into STEPGRAPH_DATA.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from sequencer.tune.axis_fit import fit_model
from sequencer.tune.weak_form import Motion
from sequencer.units import STANDARD_GRAVITY

DATA = Path(os.environ.get("STEPGRAPH_DATA") or Path(__file__).parents[3] / "shared/data")
PUBLISHED = {"inertia": 95.1089, "viscous": 203.5034, "coulomb": 20.3935, "gravity": -3.1648}
"""Their table of least squares with one friction for both directions: M [kg], Fv [N s/m], Fc [N], offset [N]."""


class Drive(NamedTuple):
    times: np.ndarray
    position: np.ndarray
    force: np.ndarray


@pytest.fixture(scope="module")
def emps() -> Drive:
    path = DATA / "emps/DATA_EMPS.mat"
    if not path.is_file():
        pytest.skip("the EMPS data are not here; STEPGRAPH_DATA names the folder that holds emps/DATA_EMPS.mat")
    io = pytest.importorskip("scipy.io")
    table = io.loadmat(path)
    gain = float(table["gtau"].item())
    return Drive(table["t"].ravel(), table["qm"].ravel(), gain * table["vir"].ravel())


def test_the_published_least_squares_come_out_to_four_digits(emps: Drive) -> None:
    """Their filtering: Butterworth of order 4 at 100 Hz, both ways; central differences; the first 49 samples dropped;
    every tenth sample behind a Chebyshev filter of order 8, both ways, both filters padded with 3 times their order."""
    signal = pytest.importorskip("scipy.signal")
    period = 0.001
    smooth = signal.butter(4, 100.0 * 2.0 * period)
    position = signal.filtfilt(*smooth, emps.position, padlen=12)
    speed = np.gradient(position, period)
    change = np.gradient(speed, period)
    table = np.column_stack((change, speed, np.sign(speed), np.ones(len(speed))))[49:]
    fewer = signal.cheby1(8, 0.05, 0.8 / 10.0)

    def decimated(values: np.ndarray) -> Any:
        """From which of ten samples on one counts is left open by the description; 1 gives the published values."""
        return signal.filtfilt(*fewer, values, padlen=24)[1::10]

    columns = np.column_stack([decimated(column) for column in table.T])
    found, _, _, sizes = np.linalg.lstsq(columns, decimated(emps.force[49:]), rcond=None)
    names = ("inertia", "viscous", "coulomb", "gravity")
    for name, value in zip(names, found, strict=True):
        assert value == pytest.approx(PUBLISHED[name], abs=6e-5), name
    assert sizes[0] / sizes[-1] == pytest.approx(25.9883, abs=6e-5)


def test_the_drive_is_fitted_at_50_hz_within_three_percent(emps: Drive) -> None:
    every = 20
    ticks = np.arange(0, len(emps.times), every)
    force = emps.force[: ticks[-1]].reshape(-1, every).mean(axis=1)
    times, position = emps.times[ticks], emps.position[ticks]
    motion = Motion(times, position, np.gradient(position, times), force)
    fit = fit_model([motion], "linear")
    print(fit)
    for name in ("inertia", "viscous", "coulomb"):
        assert fit.value(name) == pytest.approx(PUBLISHED[name], rel=0.03), name
    assert fit.value("gravity") == pytest.approx(PUBLISHED["gravity"], rel=0.05)
    # Its friction differs by direction (their second table): what a simulation leaves is far more than noise.
    assert fit.method == "weak form"
    assert fit.left > 10.0 * fit.noise


def test_the_rod_of_the_pendulum_comes_out_with_its_half_metre() -> None:
    path = DATA / "pendulum/control_method_direct_collocation__data_measured.csv"
    if not path.is_file():
        pytest.skip("the pendulum data are not here; STEPGRAPH_DATA names the folder that holds pendulum/*.csv")
    table = np.genfromtxt(path, delimiter=",", names=True)
    # A torque is told with every sample; between two it is about their mean.
    torque = 0.5 * (table["torque"][1:] + table["torque"][:-1])
    motion = Motion(table["time"], table["position"], table["velocity"], torque)
    fit = fit_model([motion], "rotary")
    pull = np.hypot(fit.value("gravity"), fit.value("gravity_sine")) / STANDARD_GRAVITY
    print(fit, fit.value("inertia") / pull)
    assert fit.value("inertia") / pull == pytest.approx(0.5, rel=0.02)
