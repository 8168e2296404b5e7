"""The model of an axis: against motions worked out from known numbers, against scipy, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.errors import ModelError
from sequencer.tune.axis_fit import ModelFit, fit_model
from sequencer.tune.output_error import simulate
from sequencer.tune.weak_form import TERMS, Motion, equations

TRUE = {
    "linear": {"inertia": 8.0, "coulomb": 20.0, "viscous": 12.0, "gravity": 15.0},
    "rotary": {
        "inertia": 0.1,
        "coulomb": 0.6,
        "viscous": 0.08,
        "gravity": 3.4,
        "gravity_sine": 0.3,
        "offset": 0.1,
    },
}
EFFORT_NOISE = {"linear": 0.3, "rotary": 0.01}


def made(
    kind: str,
    noise: float,
    seed: int = 0,
    moves: int = 12,
    senses: tuple[int, ...] = (-1, 1),
    exact_effort: bool = False,
) -> list[Motion]:
    """Moves at 50 Hz with the mean effort of each period, worked out every millisecond from the true numbers."""
    chance = np.random.default_rng(seed)
    true = TRUE[kind]
    fine, every, samples = 0.001, 20, 60
    found, place = [], 0.0
    for number in range(moves):
        way = chance.uniform(0.2, 1.0) * senses[number % len(senses)]
        times = np.arange(samples * every + 1) * fine
        part = np.clip((times - 0.1) / chance.uniform(0.5, 1.0), 0.0, 1.0)
        position = place + way * part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
        speed = np.gradient(position, fine)
        effort = true["inertia"] * np.gradient(speed, fine) + true["viscous"] * speed
        effort += true["coulomb"] * np.sign(speed) * (np.abs(speed) > 1e-9)
        if kind == "rotary":
            effort += true["gravity"] * np.cos(position) + true["gravity_sine"] * np.sin(position) + true["offset"]
        else:
            effort += true["gravity"]
        middle = 0.5 * (effort[1:] + effort[:-1])
        mean = middle.reshape(samples, every).mean(axis=1) + chance.normal(
            0.0, 0.0 if exact_effort else EFFORT_NOISE[kind], samples
        )
        ticks = np.arange(0, len(times), every)
        read = position[ticks] + chance.normal(0.0, noise, samples + 1)
        rate = speed[ticks] + chance.normal(0.0, 0.002, samples + 1)
        found.append(Motion(times[ticks] + 2.0 * number, read, rate, mean, number))
        place = float(position[-1])
    return found


def compare(fit: ModelFit, kind: str, share: float) -> None:
    for estimate in fit.estimates:
        true = TRUE[kind][estimate.name]
        size = max(abs(true), 0.15 * max(map(abs, TRUE[kind].values())))
        assert estimate.value == pytest.approx(true, abs=share * size), str(fit)


@pytest.mark.parametrize("kind", ["linear", "rotary"])
def test_the_weak_form_finds_the_model_from_clean_moves(kind: str) -> None:
    terms = TERMS[kind]
    motions = made(kind, 1e-6, exact_effort=True)
    system = equations(motions, terms, 2.0)
    values = np.linalg.lstsq(system.table, system.right, rcond=None)[0]
    for name, value in zip(terms, values, strict=True):
        assert value == pytest.approx(TRUE[kind][name], rel=1e-3, abs=0.002 if kind == "rotary" else 0.0), name


def test_the_output_error_is_within_a_thousandth_of_clean_moves() -> None:
    from sequencer.tune.output_error import refine

    terms = TERMS["linear"]
    found = refine(made("linear", 1e-6, exact_effort=True), terms, np.array([7.0, 22.0, 10.0, 16.0]), 2.0)
    assert found is not None
    for name, value in zip(terms, found.values, strict=True):
        assert value == pytest.approx(TRUE["linear"][name], rel=1e-3), name


@pytest.mark.parametrize("kind", ["linear", "rotary"])
def test_noise_of_two_millimetres_leaves_the_output_error_within_a_few_percent(kind: str) -> None:
    fit = fit_model(made(kind, 0.002), kind)  # type: ignore[arg-type]
    assert fit.method == "output error"
    assert fit.left == pytest.approx(0.002, rel=0.2)
    assert fit.noise == pytest.approx(0.002, rel=0.25)
    compare(fit, kind, 0.04)


def test_differencing_twice_would_be_far_off_where_the_fit_is_not() -> None:
    motions = made("linear", 0.002)
    tables, rights = [], []
    for motion in motions:
        speed = np.gradient(motion.position, motion.times)
        table = np.column_stack((np.gradient(speed, motion.times), np.sign(speed), speed, np.ones(len(speed))))
        tables.append(table[1:])
        rights.append(motion.effort)
    naive = np.linalg.lstsq(np.vstack(tables), np.concatenate(rights), rcond=None)[0]
    assert abs(naive[0] / 8.0 - 1.0) > 0.25
    assert fit_model(motions, "linear").value("inertia") == pytest.approx(8.0, rel=0.03)


def test_the_output_error_is_the_least_squares_of_scipy() -> None:
    """One window, the same residuals: scipy's trust-region least squares ends at the same values."""
    optimize = pytest.importorskip("scipy.optimize")
    from sequencer.tune.output_error import refine
    from sequencer.tune.weak_form import lean

    terms = TERMS["linear"]
    motions = made("linear", 0.001, moves=4)
    pieces = [
        motion._replace(
            times=motion.times[8:40],
            position=motion.position[8:40],
            rate=np.maximum(np.abs(motion.rate[8:40]), 0.5) * np.sign(motion.rate[20]),
            effort=motion.effort[8:39],
        )
        for motion in motions
    ]
    begun = np.array([7.0, 22.0, 10.0, 16.0])
    found = refine(pieces, terms, begun, 1.0)
    assert found is not None

    def left(numbers: np.ndarray) -> np.ndarray:
        return np.concatenate(
            [
                piece.position
                - simulate(
                    terms,
                    numbers[:4],
                    numbers[4 + 2 * place : 6 + 2 * place],
                    np.diff(piece.times),
                    piece.effort,
                    lean(piece),
                )
                for place, piece in enumerate(pieces)
            ]
        )

    starts = np.concatenate(
        [(piece.position[0], motion.rate[8]) for piece, motion in zip(pieces, motions, strict=True)]
    )
    wanted = optimize.least_squares(left, np.concatenate((begun, starts)), x_scale="jac", xtol=1e-12, ftol=1e-12)
    assert found.values == pytest.approx(wanted.x[:4], rel=2e-3)
    assert found.spread**2 * (found.samples - 12) == pytest.approx(2.0 * wanted.cost, rel=1e-4)


def test_a_simulated_axis_sticks_and_slides_as_it_should() -> None:
    """A block of 2 kg: 3 N do not move it against 5 N of friction; at 1 m/s it stops after v^2 m/2F = 0.2 m."""
    values = np.array([2.0, 5.0, 0.0, 0.0])
    periods, still = np.full(100, 0.02), np.full(100, 3.0)
    stays = simulate(TERMS["linear"], values, np.array([0.3, 0.0]), periods, still)
    assert stays == pytest.approx(np.full(101, 0.3), abs=1e-15)
    slides = simulate(TERMS["linear"], values, np.array([0.0, 1.0]), periods, np.zeros(100))
    assert slides[-1] == pytest.approx(0.2, abs=1e-3)
    assert slides[-1] == slides[-2]


@pytest.mark.parametrize(
    ("kind", "senses", "change", "said"),
    [
        ("linear", (1,), None, r"coulomb, gravity cannot be told apart .*one way only"),
        ("linear", (-1, 1), "short", r"too little motion to fit 4 numbers"),
    ],
)
def test_motion_that_tells_too_little_is_refused_with_the_reason(
    kind: str, senses: tuple[int, ...], change: str | None, said: str
) -> None:
    motions = made(kind, 1e-5, senses=senses)
    if change == "short":
        motions = motions[:1]
    with pytest.raises(ModelError, match=said):
        fit_model(motions, kind)  # type: ignore[arg-type]


def test_over_a_small_angle_an_offset_is_not_told_from_gravity_and_left_out() -> None:
    motions = [
        motion._replace(position=0.3 * motion.position, rate=0.3 * motion.rate) for motion in made("rotary", 1e-5)
    ]
    fit = fit_model(motions, "rotary")
    assert [one.name for one in fit.estimates] == ["inertia", "coulomb", "viscous", "gravity", "gravity_sine"]
    assert fit.value("offset") == 0.0


def test_a_turned_sign_is_refused() -> None:
    motions = [motion._replace(effort=-motion.effort) for motion in made("linear", 1e-5)]
    with pytest.raises(ModelError, match="one of them has its sign turned"):
        fit_model(motions, "linear")


def test_few_moves_give_no_interval() -> None:
    fit = fit_model(made("linear", 1e-4, moves=3), "linear")
    assert all(np.isnan(one.low) for one in fit.estimates)
    assert fit.as_json()["estimates"]["inertia"]["interval"] is None
    assert "(" not in str(fit.estimates[0])


def test_volts_have_a_back_emf_in_the_place_of_viscous_friction() -> None:
    fit = fit_model(made("linear", 1e-4), "linear", drive="volts")
    assert [one.name for one in fit.estimates] == ["inertia", "coulomb", "back_emf", "gravity"]
    assert fit.value("back_emf") == pytest.approx(12.0, rel=0.03)


def covered(repeats: int) -> np.ndarray:
    """How often the 90 % intervals of the four terms of a linear axis hold the truth."""
    held = np.zeros(4)
    for seed in range(repeats):
        fit = fit_model(made("linear", 0.002, seed, moves=30), "linear", seed=seed)
        held += [one.low <= TRUE["linear"][one.name] <= one.high for one in fit.estimates]
    return held / repeats


def test_intervals_hold_the_truth_mostly() -> None:
    assert (covered(20) > 0.65).all()


@pytest.mark.slow
def test_intervals_cover_about_as_often_as_they_say() -> None:
    """Drawing 30 moves again: 90 % intervals hold the true numbers in 84 to 96 of 100 of 300 repeats."""
    shares = covered(300)
    print(shares)
    assert (shares > 0.84).all()
    assert (shares < 0.96).all()
