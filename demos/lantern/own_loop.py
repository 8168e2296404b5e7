"""The runner inside a loop of one's own, here one of virtual time: the ten lines of `run` are all it takes."""

from __future__ import annotations

from control_loop import HERE, Robot

from sequencer import Runner, check, load_machine, load_routine


def run(ticks: int) -> Runner:
    machine = load_machine(HERE / "machine.yaml")
    runner = Runner(check(load_routine(HERE / "to_stow.routine.yaml")))
    robot = Robot(machine)
    runner.request("to_stow")
    for tick in range(ticks):
        robot.write(runner.tick(robot.read(tick * machine.period)))
        if tick and not runner.status().runs[-1].steps:
            break
    return runner


if __name__ == "__main__":
    print(run(500).status().headline)
