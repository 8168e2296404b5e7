"""The moving parts stepped through time: linkages and spins with dry friction, hard stops and driving forces.

A step of h drifts half a step, kicks, and drifts the other half (second order in h):

    q_m = q + h/2 v,   (M(q_m) + h/2 D) dv = h (F - D v - bias(q_m, v + h/2 a_last)) + p,   q+ = q_m + h/2 (v + dv)

with D the viscous friction and the drag of the motors, solved implicitly. Dry friction is an impulse p within +- h F_c
that brings a speed to rest and no farther, so what stands, stands: first all axes at rest are tried together, then each
in turn. An axis that stands at a hard stop may lean on it with any force; one that arrives there bounces.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from sequencer.plant.linkage import Linkage

RESTITUTION = 0.1
"""Share of speed that a hard stop gives back (common practice, no source)."""
NO_BOUNCE_BELOW = 0.05
"""Speed [m/s or rad/s] below which a hard stop gives nothing back, so that a resting axis stays in contact."""
PASSES = 3
"""How often the friction impulses are gone through while some axes stick and others slide."""


class Mechanism:
    """State and step of all axes that have masses; axes are numbered as in the machine.

    Attributes:
        position, speed, acceleration: of each axis [SI]; accelerations are those of the last step, without hard stops.
        force: what drives each axis now [N or N m]; `damping` [N s/m or N m s/rad] is how fast that force falls with
        speed.
        viscous: friction of each axis [N s/m or N m s/rad].
        resist_forward, resist_backward: dry friction against motion in the positive and the negative sense [N or N m].
        extra_inertia: of rotors and rollers, at the axis [kg or kg m2].
        known: accelerations of prescribed axes [m/s2 or rad/s2]; 0 for the others.
        impact: hardest impulse of each axis at its stops so far [N s or N m s].
    """

    def __init__(self, count: int, trees: Sequence[Linkage], prescribed: Sequence[bool], spins: Sequence[int]) -> None:
        self.position = [0.0] * count
        self.speed = [0.0] * count
        self.acceleration = [0.0] * count
        self.force = [0.0] * count
        self.damping = [0.0] * count
        self.viscous = [0.0] * count
        self.resist_forward = [0.0] * count
        self.resist_backward = [0.0] * count
        self.extra_inertia = [0.0] * count
        self.known = [0.0] * count
        self.impact = [0.0] * count
        self.lowest = [-inf] * count
        self.highest = [inf] * count
        self.trees = tuple(trees)
        self._spins = tuple(spins)
        self._solved: list[tuple[Linkage, tuple[tuple[int, int], ...]]] = []
        for tree in trees:
            tree.prescribe([prescribed[axis] for axis in tree.coordinates])
            free = tuple((row, axis) for row, axis in enumerate(tree.coordinates) if not prescribed[axis])
            if free:
                self._solved.append((tree, free))
        self._felt: list[tuple[tuple[int, ...], tuple[float, ...]]] = [((axis,), (0.0,)) for axis in range(count)]
        self._middle = [0.0] * count
        self._rate = [0.0] * count

    def step(self, duration: float) -> None:
        """Move on by `duration` [s]; prescribed axes have been put where they are in the middle of the step before."""
        half = 0.5 * duration
        for axis in self._spins:
            inertia = self.extra_inertia[axis]
            self._alone(
                axis,
                inertia,
                -self.viscous[axis] * self.speed[axis],
                duration,
                self.position[axis] + half * self.speed[axis],
            )
        if not self._solved:
            return
        middle, rate, speed = self._middle, self._rate, self.speed
        index = 0
        for x, v, a in zip(self.position, speed, self.acceleration, strict=True):
            middle[index] = x + half * v
            rate[index] = v + half * a
            index += 1  # noqa: SIM113, enumerate() would cost a tuple more in the innermost loop
        for tree, free in self._solved:
            terms = tree.equations(middle, rate, self.known, tree.masses)
            size = len(tree.coordinates)
            if len(free) == 1:
                row, axis = free[0]
                self._alone(
                    axis,
                    terms[place_in_triangle(size, row, row)] + self.extra_inertia[axis],
                    -terms[row - size] - self.viscous[axis] * speed[axis],
                    duration,
                    middle[axis],
                )
            elif len(free) == 2:
                if size != 2:
                    terms = _chosen(terms, size, free)
                self._pair(terms, free[0][1], free[1][1], duration)
            else:
                self._several(_chosen(terms, size, free), free, duration)

    def compliance(self, axis: int) -> float:
        """Speed per impulse of an axis in the last step, all that it moves with it free [1/kg or 1/(kg m2)]."""
        axes, row = self._felt[axis]
        return row[axes.index(axis)]

    def strike(self, axis: int, impulse: float) -> None:
        """Let an impulse [N s or N m s] act on an axis, and so on all that moves with it."""
        axes, row = self._felt[axis]
        for other, share in zip(axes, row, strict=True):
            self.speed[other] += share * impulse

    def _alone(self, axis: int, inertia: float, load: float, duration: float, middle: float) -> None:
        old = self.speed[axis]
        inertia += 0.5 * duration * (self.damping[axis] + self.viscous[axis])
        self._felt[axis] = (axis,), (1.0 / inertia,)
        momentum = inertia * old + duration * (self.force[axis] + load)
        most, least = self._resistance(axis, duration)
        new = (
            (momentum - most) / inertia
            if momentum > most
            else (momentum - least) / inertia
            if momentum < least
            else 0.0
        )
        self.acceleration[axis] = (new - old) / duration
        moved = middle + 0.5 * duration * new
        if not self.lowest[axis] <= moved <= self.highest[axis]:
            moved, bounced = self._bounce(axis, moved, new)
            self.impact[axis] = max(self.impact[axis], inertia * abs(bounced - new))
            new = bounced
        self.position[axis] = moved
        self.speed[axis] = new

    def _pair(self, terms: tuple[float, ...], a: int, b: int, duration: float) -> None:
        m_aa, m_ab, m_bb, bias_a, bias_b = terms
        half = 0.5 * duration
        speed, middle = self.speed, self._middle
        old_a, old_b = speed[a], speed[b]
        m_aa += self.extra_inertia[a] + half * (self.damping[a] + self.viscous[a])
        m_bb += self.extra_inertia[b] + half * (self.damping[b] + self.viscous[b])
        push_a = duration * (self.force[a] - bias_a - self.viscous[a] * old_a)
        push_b = duration * (self.force[b] - bias_b - self.viscous[b] * old_b)
        total_a = m_aa * old_a + m_ab * old_b + push_a
        total_b = m_ab * old_a + m_bb * old_b + push_b
        most_a, least_a = self._resistance(a, duration)
        most_b, least_b = self._resistance(b, duration)
        scale = 1.0 / (m_aa * m_bb - m_ab * m_ab)
        i_aa, i_ab, i_bb = m_bb * scale, -m_ab * scale, m_aa * scale
        self._felt[a], self._felt[b] = ((a, b), (i_aa, i_ab)), ((a, b), (i_ab, i_bb))
        if least_a <= total_a <= most_a and least_b <= total_b <= most_b:
            new_a = new_b = 0.0
        else:
            new_a = i_aa * total_a + i_ab * total_b
            new_b = i_ab * total_a + i_bb * total_b
            held_a = held_b = 0.0
            for _ in range(PASSES):
                wanted = held_a + new_a / i_aa
                wanted = most_a if wanted > most_a else least_a if wanted < least_a else wanted
                new_a -= i_aa * (wanted - held_a)
                new_b -= i_ab * (wanted - held_a)
                held_a = wanted
                wanted = held_b + new_b / i_bb
                wanted = most_b if wanted > most_b else least_b if wanted < least_b else wanted
                if wanted == held_b:
                    break
                new_a -= i_ab * (wanted - held_b)
                new_b -= i_bb * (wanted - held_b)
                held_b = wanted
        self.acceleration[a] = (new_a - old_a) / duration
        self.acceleration[b] = (new_b - old_b) / duration
        moved_a, moved_b = middle[a] + half * new_a, middle[b] + half * new_b
        if not self.lowest[a] <= moved_a <= self.highest[a]:
            moved_a, bounced = self._bounce(a, moved_a, new_a)
            impulse = (bounced - new_a) / i_aa
            self.impact[a] = max(self.impact[a], abs(impulse))
            new_a = bounced
            new_b += i_ab * impulse
        if not self.lowest[b] <= moved_b <= self.highest[b]:
            moved_b, bounced = self._bounce(b, moved_b, new_b)
            impulse = (bounced - new_b) / i_bb
            self.impact[b] = max(self.impact[b], abs(impulse))
            new_b = bounced
            new_a += i_ab * impulse
        self.position[a], self.position[b] = moved_a, moved_b
        speed[a], speed[b] = new_a, new_b

    def _several(self, terms: tuple[float, ...], free: tuple[tuple[int, int], ...], duration: float) -> None:
        half = 0.5 * duration
        speed = self.speed
        axes = [axis for _, axis in free]
        count = len(free)
        size = range(count)
        bias = terms[-count:]
        matrix = [[terms[place_in_triangle(count, row, column)] for column in size] for row in size]
        for k in size:
            axis = axes[k]
            matrix[k][k] += self.extra_inertia[axis] + half * (self.damping[axis] + self.viscous[axis])
        total = []
        for k in size:
            axis = axes[k]
            push = self.force[axis] - bias[k] - self.viscous[axis] * speed[axis]
            total.append(duration * push + sum(matrix[k][i] * speed[axes[i]] for i in size))
        resistances = [self._resistance(axis, duration) for axis in axes]
        most, least = [pair[0] for pair in resistances], [pair[1] for pair in resistances]
        inverse = _inverse(matrix)
        for k in size:
            self._felt[axes[k]] = tuple(axes), tuple(inverse[k])
        if all(least[k] <= total[k] <= most[k] for k in size):
            new = [0.0 for _ in size]
        else:
            new = [sum(inverse[k][i] * total[i] for i in size) for k in size]
            held = [0.0 for _ in size]
            for _ in range(PASSES):
                for k in size:
                    wanted = min(max(held[k] + new[k] / inverse[k][k], least[k]), most[k])
                    change = wanted - held[k]
                    held[k] = wanted
                    if change:
                        for i in size:
                            new[i] -= inverse[i][k] * change
        for k in size:
            self.acceleration[axes[k]] = (new[k] - speed[axes[k]]) / duration
        moved = [self._middle[axes[k]] + half * new[k] for k in size]
        for k in size:
            axis = axes[k]
            if not self.lowest[axis] <= moved[k] <= self.highest[axis]:
                moved[k], bounced = self._bounce(axis, moved[k], new[k])
                impulse = (bounced - new[k]) / inverse[k][k]
                self.impact[axis] = max(self.impact[axis], abs(impulse))
                for i in size:
                    new[i] += inverse[i][k] * impulse
        for k in size:
            self.position[axes[k]], speed[axes[k]] = moved[k], new[k]

    def _resistance(self, axis: int, duration: float) -> tuple[float, float]:
        """The greatest impulses against motion in the positive and (below 0) in the negative sense."""
        position = self.position[axis]
        return (
            duration * self.resist_forward[axis] if position < self.highest[axis] else inf,
            -duration * self.resist_backward[axis] if position > self.lowest[axis] else -inf,
        )

    def _bounce(self, axis: int, position: float, speed: float) -> tuple[float, float]:
        """Position and speed after a hard stop that `position` lies beyond."""
        low = position < self.lowest[axis]
        stop = self.lowest[axis] if low else self.highest[axis]
        if (speed < 0.0) != low or speed == 0.0:
            return stop, speed
        return stop, -RESTITUTION * speed if abs(speed) > NO_BOUNCE_BELOW else 0.0


def place_in_triangle(size: int, row: int, column: int) -> int:
    """Where in an upper triangle, written row by row, an entry stands."""
    row, column = min(row, column), max(row, column)
    return row * size - row * (row - 1) // 2 + column - row


def _chosen(terms: tuple[float, ...], size: int, free: tuple[tuple[int, int], ...]) -> tuple[float, ...]:
    """The triangle and the bias of the axes that are not prescribed."""
    rows = [row for row, _ in free]
    if len(rows) == size:
        return terms
    kept = [terms[place_in_triangle(size, row, column)] for k, row in enumerate(rows) for column in rows[k:]]
    return (*kept, *(terms[row - size] for row in rows))


def _inverse(matrix: list[list[float]]) -> list[list[float]]:
    """Inverse of a symmetric positive definite matrix by Gauss-Jordan elimination (no pivoting is needed)."""
    size = len(matrix)
    rows = [[*row, *(1.0 if i == k else 0.0 for i in range(size))] for k, row in enumerate(matrix)]
    for k in range(size):
        scale = 1.0 / rows[k][k]
        pivot = [entry * scale for entry in rows[k]]
        rows[k] = pivot
        for i in range(size):
            if i != k and rows[i][k]:
                factor = rows[i][k]
                rows[i] = [entry - factor * along for entry, along in zip(rows[i], pivot, strict=True)]
    return [row[size:] for row in rows]
