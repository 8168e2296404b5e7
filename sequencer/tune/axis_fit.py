"""What an axis weighs and how it rubs, from recordings of ordinary moves: the weak form, then the output error.

Both are fitted; the output error stands where what it leaves is about the noise of the positions, for then it is the
surer of both. Where more is left, the axis does what the model has not (friction that differs by direction, a chain
that gives), a simulated motion runs away from the measured one, and the weak form stands. Intervals come from drawing
whole moves again (block bootstrap, H. R. Kuensch, Annals of Statistics 17 (1989) 1217-1241), for what is left within
a move is not independent. Moves that cannot tell two terms apart are refused, with the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np

from sequencer.errors import ModelError, counted, enumerate_words
from sequencer.tune.output_error import Refined, refine
from sequencer.tune.recorded import Array
from sequencer.tune.weak_form import TERMS, Equations, Motion, equations

MOST_CONDITION = 60.0
"""Terms whose equations, all scaled to one size, are worse conditioned cannot be told apart [1]."""
TOGETHER = 0.3
"""Terms with at least this share in what the equations cannot tell are named [1]."""
LEAST_EQUATIONS = 12
"""Fewer equations than so many, and than four a term, fit nothing [1]."""
LEAST_BLOCKS = 4
"""With fewer moves their spread says nothing [1]."""
DRAWS = 1000
"""So many times moves are drawn again [1]."""
LEFT = 6.0
"""Where so many times the noise of the positions, or more, is left, the model is not all that acts [1]."""


class Estimate(NamedTuple):
    """One number of the model with its interval, in the unit of effort per what it multiplies; nan where too few moves
    tell how sure it is."""

    name: str
    value: float
    low: float
    high: float

    def __str__(self) -> str:
        sure = f" ({self.low:.4g} to {self.high:.4g})" if np.isfinite(self.low) else ""
        return f"{self.name} {self.value:.4g}{sure}"


@dataclass(frozen=True, slots=True)
class ModelFit:
    """The model of an axis: effort = inertia x'' + coulomb sign(x') + viscous x' + gravity(x).

    Attributes:
        estimates: its terms; a rotary axis has gravity (along cos x), gravity_sine and, where that can be told from
            them, an offset.
        condition: of the equations, all columns scaled to one size [1]; 1 is best.
        moves, equations: how many were used.
        method: weak form or output error, whichever stands.
        left: spread of measured less simulated positions [m or rad], nan where nothing was simulated; `noise` that of
            the positions themselves.
        level: how sure the intervals are.
    """

    estimates: tuple[Estimate, ...]
    condition: float
    moves: int
    equations: int
    method: Literal["weak form", "output error"]
    left: float
    noise: float
    level: float

    def value(self, name: str) -> float:
        """A term by its name; 0 where the model has none."""
        return next((one.value for one in self.estimates if one.name == name), 0.0)

    def __str__(self) -> str:
        terms = ", ".join(map(str, self.estimates))
        return f"{terms}; condition {self.condition:.3g}, {counted(self.moves, 'move')}, {self.method}"

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "estimates": {one.name: {"value": one.value, "interval": _known(one)} for one in self.estimates},
            "condition": self.condition,
            "moves": self.moves,
            "equations": self.equations,
            "method": self.method,
            "left": self.left if np.isfinite(self.left) else None,
            "noise": self.noise,
            "level": self.level,
        }


def fit_model(
    motions: Sequence[Motion], kind: Literal["linear", "rotary"], *, drive: str = "", level: float = 0.9, seed: int = 0
) -> ModelFit:
    """Fit the model of an axis to pieces of motion.

    Args:
        motions: what was measured; efforts are forces [N], torques [N m], currents [A] or voltages [V].
        kind: of the axis.
        drive: "volts" where the efforts are voltages: what goes with speed is then mostly back-EMF, and called so.
        level: how sure the intervals are.
        seed: of the draws behind them.

    Raises:
        ModelError: too little motion, or motion that cannot tell terms apart; the message says which and what to do.
    """
    terms = tuple("back_emf" if drive == "volts" and term == "viscous" else term for term in TERMS[kind])
    try:
        return _fitted(motions, terms, level, seed)
    except _Mixed as error:
        if terms[-1] != "offset" or "offset" not in error.mixed:
            raise
    # Hardly any arm is pulled the same way everywhere: without that number its weight can be told over less of a turn.
    return _fitted(motions, terms[:-1], level, seed)


class _Mixed(ModelError):
    """Terms that cannot be told apart."""

    def __init__(self, message: str, mixed: Sequence[str]) -> None:
        super().__init__(message)
        self.mixed = tuple(mixed)


def _fitted(motions: Sequence[Motion], terms: tuple[str, ...], level: float, seed: int) -> ModelFit:
    fastest = max((float(np.abs(motion.rate).max()) for motion in motions), default=0.0)
    system = equations(motions, terms, fastest)
    size = len(terms)
    if len(system.right) < max(LEAST_EQUATIONS, 4 * size):
        raise ModelError(
            f"there is too little motion to fit {size} numbers ({counted(len(system.right), 'equation')}); "
            "record some moves both ways, fast and slow"
        )
    condition = _condition(system, terms)
    weak: Array = np.linalg.lstsq(system.table, system.right, rcond=None)[0].astype(float)
    refined = refine(motions, terms, weak, fastest) if weak[0] > 0.0 else None
    noise = _noise(motions)
    stands = refined is not None and refined.values[0] > 0.0 and refined.spread < LEFT * noise
    values = refined.values if refined is not None and stands else weak
    low, high = _interval(_blocks_of(refined if stands else None, system, weak), values, level, seed)
    if not values[0] > 0.0:
        raise ModelError(
            f"the inertia comes out as {values[0]:.3g}, which cannot be: effort and motion do not belong together, "
            "or one of them has its sign turned"
        )
    return ModelFit(
        tuple(map(Estimate, terms, values.tolist(), low.tolist(), high.tolist())),
        condition,
        len(np.unique(system.blocks)),
        len(system.right),
        "output error" if stands else "weak form",
        refined.spread if refined is not None else float("nan"),
        noise,
        level,
    )


def _condition(system: Equations, terms: Sequence[str]) -> float:
    """The condition number of the scaled equations.

    Raises:
        ModelError: some terms cannot be told apart.
    """
    sizes = np.linalg.norm(system.table, axis=0)
    absent = [term for term, size in zip(terms, sizes, strict=True) if not size > 1e-9 * sizes.max()]
    if absent:
        raise ModelError(f"nothing in the motion tells {enumerate_words(absent)}; {_ADVICE}")
    _, values, directions = np.linalg.svd(system.table / sizes, full_matrices=False)
    condition = float(values[0] / max(values[-1], 1e-300))
    if condition > MOST_CONDITION:
        mixed = [term for term, share in zip(terms, np.abs(directions[-1]), strict=True) if share >= TOGETHER]
        raise _Mixed(
            f"{enumerate_words(mixed)} cannot be told apart (condition {condition:.3g}, at most {MOST_CONDITION:g}): "
            f"{_reason(mixed)}; {_ADVICE}",
            mixed,
        )
    return condition


_ADVICE = "move it both ways, fast and slow, over much of its travel, and starting and stopping in different places"


def _reason(mixed: Sequence[str]) -> str:
    if "coulomb" in mixed and ("gravity" in mixed or "offset" in mixed):
        return "it moves one way only, or hardly the other"
    if "coulomb" in mixed and ("viscous" in mixed or "back_emf" in mixed):
        return "it always moves at about one speed"
    if "gravity" in mixed or "gravity_sine" in mixed:
        return "it moves through too small an angle"
    return "whenever one acts, so does the other"


def _noise(motions: Sequence[Motion]) -> float:
    """Spread of positions that no smooth motion explains: from their fourth differences, whose own spread under white
    noise is sqrt(70) times it (J. von Neumann's idea, Annals of Mathematical Statistics 12 (1941) 367-395)."""
    differences = [np.diff(motion.position, 4) for motion in motions if len(motion.position) > 6]
    if not differences:
        return 0.0
    # The median passes over the few places where the motion itself is rough.
    return float(1.4826 * np.median(np.abs(np.concatenate(differences))) / np.sqrt(70.0))


def _blocks_of(refined: Refined | None, system: Equations, weak: Array) -> tuple[Array, Array]:
    """Normal matrices and pushes away from the fitted values, block by block."""
    if refined is not None:
        return refined.information, refined.push
    left = system.right - system.table @ weak
    parts = [system.blocks == block for block in np.unique(system.blocks)]
    return (
        np.array([system.table[part].T @ system.table[part] for part in parts]),
        np.array([system.table[part].T @ left[part] for part in parts]),
    )


def _interval(blocks: tuple[Array, Array], values: Array, level: float, seed: int) -> tuple[Array, Array]:
    information, push = blocks
    count = len(push)
    if count < LEAST_BLOCKS:
        unknown = np.full(len(values), np.nan)
        return unknown, unknown
    generator = np.random.default_rng(seed)
    drawn = generator.multinomial(count, np.full(count, 1.0 / count), size=DRAWS).astype(float)
    normal = np.tensordot(drawn, information, axes=1)
    normal += 1e-9 * np.mean(normal, axis=0)
    changes = np.linalg.solve(normal, (drawn @ push)[..., None])[..., 0]
    # Few blocks spread too little about their own mean, and their quantiles are not those of a normal law.
    changes *= np.sqrt(count / max(count - len(values) / 2.0, 1.0))
    low, high = np.quantile(changes, (0.5 - 0.5 * level, 0.5 + 0.5 * level), axis=0)
    return values + low, values + high


def _known(one: Estimate) -> list[float] | None:
    return [one.low, one.high] if np.isfinite(one.low) else None
