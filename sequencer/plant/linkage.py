"""Equations of motion of a planar tree of slides and hinges: mass matrix and bias, M(q) q'' + bias(q, q') = forces.

Composite bodies, after Featherstone, Rigid Body Dynamics Algorithms (2008), chapter 6, written for the plane: points
and vectors are complex numbers, x forward and y up, a turn by phi is a factor exp(i phi). Gravity enters as an upward
acceleration of the frame. A hinge measured from the level keeps its angle when its carrier turns: for that carrier,
what it carries is a point at its pivot.
"""

from __future__ import annotations

from cmath import rect
from collections.abc import Sequence
from math import cos, sin
from typing import NamedTuple

from sequencer.machine.machine import Machine
from sequencer.plant.equations import Structure, compiled
from sequencer.units import STANDARD_GRAVITY


class Joint(NamedTuple):
    """One slide or hinge, `at` [m] in its carrier's coordinates.

    It moves by `share` of the axis number `coordinate` of the machine. `parent` is its place in the linkage, -1 the
    frame. A slide goes `along` a unit vector; a `level` hinge keeps its angle from the level.
    """

    parent: int
    coordinate: int
    share: float
    hinge: bool
    level: bool
    at: complex
    along: complex


class Body(NamedTuple):
    """`mass` [kg] at `centre` [m] in a joint's own coordinates, with `inertia` [kg m2] about that centre."""

    mass: float
    centre: complex
    inertia: float = 0.0


# parent, coordinate, share, hinge, level, at, along, own mass, first moment and second moment of mass about the joint
_Outward = tuple[int, int, float, bool, bool, complex, complex, float, complex, float]
# ancestor, hinge, row, share of both, whether turning stops on the way
_Ancestor = tuple[int, bool, int, float, bool]
# joint, parent, hinge, level, row, share, mass from here on, ancestors
_Inward = tuple[int, int, bool, bool, int, float, float, tuple[_Ancestor, ...]]


class Linkage:
    """One tree of joints that hangs on the frame, parents before children.

    A stage that moves with a share of an axis is a joint of its own. `coordinates` are the machine's axes in it;
    `matrix` [kg or kg m or kg m2] and `bias` [N or N m] have a row for each. `equations` computes the same from
    `masses`, as code written out for this tree and the masses that it carries now.
    """

    def __init__(self, joints: Sequence[Joint], gravity: float = STANDARD_GRAVITY) -> None:
        self.joints = tuple(joints)
        self.coordinates = tuple(dict.fromkeys(joint.coordinate for joint in joints))
        self.gravity = gravity
        self.prescribed = (False,) * len(self.coordinates)
        self.masses: list[float] = []
        size, count = len(self.coordinates), len(self.joints)
        self.matrix = [[0.0] * size for _ in range(size)]
        self.bias = [0.0] * size
        self._bodies: list[list[Body]] = [[] for _ in range(count)]
        self._outward: list[_Outward] = []
        self._inward: list[_Inward] = []
        self._angle, self._origin, self._rise, self._along = ([0j] * count for _ in range(4))
        self._rate, self._turning = [0.0] * count, [0.0] * count
        self._force, self._first = [0j] * count, [0j] * count
        self._moment, self._second = [0.0] * count, [0.0] * count
        self._gather()

    def prescribe(self, prescribed: Sequence[bool]) -> None:
        """Say of each coordinate whether its acceleration is given from outside."""
        self.prescribed = tuple(prescribed)
        self._gather()

    def add(self, joint: int, body: Body) -> None:
        """Fix a body to a joint."""
        self._bodies[joint].append(body)
        self._gather()

    def remove(self, joint: int, body: Body) -> None:
        """Take a body off that was fixed before."""
        self._bodies[joint].remove(body)
        self._gather()

    def joint_of(self, coordinate: int, share: float = 1.0) -> int:
        """The joint that moves by a share of a coordinate, or else the one that moves by the whole of it."""
        whole = -1
        for index, joint in enumerate(self.joints):
            if joint.coordinate == coordinate and joint.share == share:
                return index
            if joint.coordinate == coordinate and joint.share == 1.0:
                whole = index
        return whole

    def evaluate(self, position: Sequence[float], speed: Sequence[float], known: Sequence[float]) -> None:
        """Set `matrix` and `bias` for a pose and its speeds; each sequence has an entry for every axis of the machine.

        Args:
            position: [m or rad].
            speed: [m/s or rad/s].
            known: accelerations given from outside [m/s2 or rad/s2], 0 for the axes that are solved for.
        """
        angles, origins, rises, alongs = self._angle, self._origin, self._rise, self._along
        rates, turnings, forces, moments = self._rate, self._turning, self._force, self._moment
        firsts, seconds = self._first, self._second
        index = 0
        for parent, coordinate, share, hinge, level, at, along, mass, first, second in self._outward:
            if parent < 0:
                angle, origin, rate, turning, rise = 1 + 0j, at, 0.0, 0.0, complex(0.0, self.gravity)
            else:
                angle, rate, turning = angles[parent], rates[parent], turnings[parent]
                arm = angle * at
                origin = origins[parent] + arm
                rise = rises[parent] + complex(-rate * rate, turning) * arm
            if hinge:
                turn = rect(1.0, share * position[coordinate])
                if level:
                    angle, rate, turning = turn, share * speed[coordinate], share * known[coordinate]
                else:
                    angle *= turn
                    rate += share * speed[coordinate]
                    turning += share * known[coordinate]
            else:
                along *= angle
                alongs[index] = along
                out, sliding = share * position[coordinate], share * speed[coordinate]
                origin += out * along
                inwards, sideways = rate * rate * out, 2.0 * rate * sliding + turning * out
                rise += complex(share * known[coordinate] - inwards, sideways) * along
            angles[index], origins[index], rises[index] = angle, origin, rise
            rates[index], turnings[index] = rate, turning
            first *= angle
            firsts[index], seconds[index] = first, second
            forces[index] = mass * rise + complex(-rate * rate, turning) * first
            moments[index] = first.real * rise.imag - first.imag * rise.real + second * turning
            index += 1  # noqa: SIM113, enumerate() would cost a tuple more in the innermost loop
        self._solve_inward()

    def _solve_inward(self) -> None:
        matrix, bias, origins, alongs = self.matrix, self.bias, self._origin, self._along
        forces, moments, firsts, seconds = self._force, self._moment, self._first, self._second
        for row in matrix:
            for column in range(len(row)):
                row[column] = 0.0
        for column in range(len(bias)):
            bias[column] = 0.0
        for index, parent, hinge, level, row_index, share, mass, ancestors in self._inward:
            force, first = forces[index], firsts[index]
            row = matrix[row_index]
            if hinge:
                moment = seconds[index]
                reaction = 1j * first
                bias[row_index] += share * moments[index]
                row[row_index] += share * share * moment
            else:
                along = alongs[index]
                moment = first.real * along.imag - first.imag * along.real
                reaction = mass * along
                bias[row_index] += share * (along.real * force.real + along.imag * force.imag)
                row[row_index] += share * share * mass
            origin = origins[index]
            for ancestor, turns, column, both, stops in ancestors:
                if stops:
                    moment = 0.0
                arm = origin - origins[ancestor]
                origin = origins[ancestor]
                moment += arm.real * reaction.imag - arm.imag * reaction.real
                if turns:
                    entry = both * moment
                else:
                    along = alongs[ancestor]
                    entry = both * (along.real * reaction.real + along.imag * reaction.imag)
                row[column] += entry
                matrix[column][row_index] += entry
            if parent >= 0:
                arm = origins[index] - origins[parent]
                forces[parent] += force
                moments[parent] += arm.real * force.imag - arm.imag * force.real
                firsts[parent] += mass * arm
                seconds[parent] += mass * (arm.real * arm.real + arm.imag * arm.imag)
                if not level:
                    moments[parent] += moments[index]
                    seconds[parent] += seconds[index] + 2.0 * (arm.real * first.real + arm.imag * first.imag)
                    firsts[parent] += first

    def sums(self) -> list[float]:
        """Mass [kg], first moment [kg m] along x and y and second moment [kg m2] of all bodies, joint by joint."""
        return [
            float(entry)
            for *_, mass, first, second in self._outward
            for entry in (mass, first.real, first.imag, second)
        ]

    def height_energy(self, position: Sequence[float]) -> float:
        """Energy of position [J] of all bodies, with the frame's origin as zero."""
        angles: list[complex] = []
        origins: list[complex] = []
        energy = 0.0
        for index, joint in enumerate(self.joints):
            angle, origin = (1 + 0j, 0j) if joint.parent < 0 else (angles[joint.parent], origins[joint.parent])
            origin += angle * joint.at
            moved = joint.share * position[joint.coordinate]
            if not joint.hinge:
                origin += moved * angle * joint.along
            elif joint.level:
                angle = rect(1.0, moved)
            else:
                angle *= rect(1.0, moved)
            angles.append(angle)
            origins.append(origin)
            energy += sum(
                body.mass * self.gravity * (origin + angle * body.centre).imag for body in self._bodies[index]
            )
        return energy

    def motion_energy(self, position: Sequence[float], speed: Sequence[float]) -> float:
        """Energy of motion [J] of all bodies, half of speed times mass matrix times speed."""
        self.evaluate(position, speed, [0.0] * len(position))
        total = 0.0
        for i, row in zip(self.coordinates, self.matrix, strict=True):
            for j, entry in zip(self.coordinates, row, strict=True):
                total += 0.5 * speed[i] * entry * speed[j]
        return total

    def _gather(self) -> None:
        """Sum up the bodies of each joint, and the mass from each outwards, which no pose changes."""
        rows = {coordinate: row for row, coordinate in enumerate(self.coordinates)}
        self._outward.clear()
        self._inward.clear()
        for joint, bodies in zip(self.joints, self._bodies, strict=True):
            first = sum((body.mass * body.centre for body in bodies), 0j)
            second = sum(body.mass * abs(body.centre) ** 2 + body.inertia for body in bodies)
            self._outward.append((*joint, sum(body.mass for body in bodies), first, second))
        sums = self.sums()
        self.masses = [entry for entry in sums if entry != 0.0]
        self.structure = Structure(
            self.joints, self.coordinates, self.gravity, self.prescribed, tuple(entry != 0.0 for entry in sums)
        )
        self.equations = compiled(self.structure)
        mass = [joint[7] for joint in self._outward]
        for index in range(len(self.joints) - 1, -1, -1):
            joint = self.joints[index]
            chain: list[_Ancestor] = []
            ancestor, stops = joint.parent, joint.level
            while ancestor >= 0:
                above = self.joints[ancestor]
                chain.append((ancestor, above.hinge, rows[above.coordinate], above.share * joint.share, stops))
                ancestor, stops = above.parent, above.level
            self._inward.append(
                (
                    index,
                    joint.parent,
                    joint.hinge,
                    joint.level,
                    rows[joint.coordinate],
                    joint.share,
                    mass[index],
                    tuple(chain),
                )
            )
            if joint.parent >= 0:
                mass[joint.parent] += mass[index]


def linkages(machine: Machine, gravity: float = STANDARD_GRAVITY) -> list[Linkage]:
    """The machine's slides and hinges as trees, with the loads its axes declare (spins ride on what carries them).

    Args:
        machine: the machine; its axes' places in file order are the coordinates.
        gravity: acceleration of free fall [m/s2].
    """
    names = list(machine.axes)
    trees: dict[str, list[Joint]] = {}
    bodies: dict[str, list[tuple[int, Body]]] = {}
    found: dict[tuple[str, float], tuple[str, int]] = {}

    def joint(name: str, share: float) -> tuple[str, int]:
        """The tree and place of the joint that moves by a share of an axis, made if need be."""
        if (name, share) in found:
            return found[name, share]
        axis = machine.axes[name]
        mount, at = axis.mount, complex(*axis.mount.at)
        while mount.to != "frame" and machine.axes[mount.to].kind == "spin":
            # Spins turn nothing that they carry.
            mount = machine.axes[mount.to].mount
            at += complex(*mount.at)
        root, parent = (name, -1) if mount.to == "frame" else joint(mount.to, mount.share)
        joints = trees.setdefault(root, [])
        hinge = axis.kind == "rotary"
        along = complex(cos(axis.mount.direction), sin(axis.mount.direction))
        joints.append(
            Joint(
                parent,
                names.index(name),
                share,
                hinge,
                hinge and axis.mount.angle_from == "level",
                at,
                along,
            )
        )
        found[name, share] = root, len(joints) - 1
        return found[name, share]

    for axis in machine.axes.values():
        if axis.kind != "spin":
            joint(axis.name, 1.0)
    for axis in machine.axes.values():
        load = axis.load
        if load is None:
            continue
        centre = complex(*load.centre)
        if axis.kind != "spin":
            root, place = joint(axis.name, 1.0)
            bodies.setdefault(root, []).append(
                (place, Body(load.mass, centre, load.inertia if axis.kind == "rotary" else 0.0))
            )
        elif axis.mount.to != "frame" and machine.axes[axis.mount.to].kind != "spin":
            root, place = joint(axis.mount.to, axis.mount.share)
            bodies.setdefault(root, []).append((place, Body(load.mass, complex(*axis.mount.at) + centre)))
    result = []
    for root, joints in trees.items():
        linkage = Linkage(joints, gravity)
        for place, body in bodies.get(root, []):
            linkage.add(place, body)
        result.append(linkage)
    return result
