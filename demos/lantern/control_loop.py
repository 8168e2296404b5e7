"""A whole robot-side program: `python demos/lantern/control_loop.py --seconds 6`, in real time, on the plant.

On a real robot, `Robot` below is replaced by classes of your own over your motor controllers, which keep the contract
in `sequencer.testing`; the rest stays. `check` belongs on the desk: the robot has `Runner(load_pack("robot.pack"),
confirmations=Confirmations("confirmed.jsonl"))`, which runs what nobody has confirmed at a quarter of its speed.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from sequencer import Loop, Machine, Orders, Plant, Readings, Runner, check, load_machine, load_routine
from sequencer.ports.actuators import check_orders

HERE = Path(__file__).parent
BUTTONS = {0.4: "stow", 0.8: "hold", 1.8: "go on"}
"""When the operator, who is simulated too, presses which button [s]."""


class Robot:
    """Actuators and gauges in one; HERE GO THE CLASSES OF A REAL ROBOT."""

    def __init__(self, machine: Machine) -> None:
        self.plant = Plant(machine, start={"lift": 1.10, "wrist": 0.349})
        self.before: int | None = None

    def read(self, now_ns: int) -> Readings:
        self.plant.advance(0 if self.before is None else now_ns - self.before)
        self.before = now_ns
        return self.plant.readings(now_ns)

    def write(self, orders: Orders) -> None:
        check_orders(orders, self.plant.machine.axes)
        self.plant.apply(orders)


def main(seconds: float) -> Loop:
    machine = load_machine(HERE / "machine.yaml")
    runner = Runner(check(load_routine(HERE / "to_stow.routine.yaml")))
    presses = {"stow": lambda: runner.request("to_stow"), "hold": runner.hold, "go on": runner.resume}
    due, robot = sorted(BUTTONS.items()), Robot(machine)
    loop = Loop(runner, robot, robot)

    def each_tick(orders: Orders) -> None:
        while due and loop.ticks * machine.period * 1e-9 >= due[0][0]:
            presses[due.pop(0)[1]]()
        for event in orders.events:
            print(f"{event.tick:5d}  {event.kind:8s} {event.run} {event.step} {event.text}")

    loop.run(seconds, each_tick)
    print(f"{loop.ticks} ticks, {loop.late_ticks} late: {runner.status().headline}", *loop.told, sep="\n")
    return loop


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=6.0, help="how long the program runs")
    main(parser.parse_args().seconds)
