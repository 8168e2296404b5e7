"""Counts over a whole test run, on one process or several, what the rehearsals exercise; tells it and judges it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import StepgraphError
from sequencer.testing.coverage import Coverage, coverage_lines
from sequencer.testing.plugin import WORKSHOP
from sequencer.testing.rehearsed import ENDING, Workshop
from sequencer.whole_file import whole_file

_KEY = "stepgraph_coverage"


class CountedRoutines:
    """Part of the plugin, there when one of its options asks for it.

    Args:
        config: of the test run.
    """

    def __init__(self, config: pytest.Config) -> None:
        self.config = config
        self.coverage = Coverage()
        self.files: set[Path] = set()

    def pytest_collect_file(self, file_path: Path) -> None:
        """Every routine file that pytest comes across counts, whether or not a test rehearses it."""
        if file_path.name.endswith(ENDING):
            self.files.add(file_path)

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """What one of several test processes has counted."""
        found = getattr(node, "workeroutput", {}).get(_KEY)
        if found is not None:
            self.coverage.merge(found["coverage"])
            self.files |= {Path(path) for path in found["files"]}

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Hand over what was counted, or take up what nothing rehearsed, write the file and judge the share."""
        if hasattr(self.config, "workeroutput"):
            files = sorted(str(path) for path in self.files)
            self.config.workeroutput[_KEY] = {"coverage": self.coverage.data(), "files": files}
            return
        self._take_up_the_rest()
        target = self.config.getoption("--routine-coverage-to")
        if target is not None:
            with whole_file(self.config.invocation_params.dir / target) as file:
                json.dump(self.coverage.data(), file, indent=1, ensure_ascii=False)
        if self._too_little() and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        """The table, what is untested, and whether it is enough."""
        least = self.config.getoption("--routine-coverage-min")
        if self.config.getoption("--routine-coverage") or self._too_little():
            terminalreporter.section("coverage of routines")
            for line in coverage_lines(self.coverage):
                terminalreporter.write_line(line)
        if self._too_little():
            found = f"{100 * self.coverage.share:.1f} % of the points of the routines were met"
            terminalreporter.write_line(f"{found}; at least {least:g} % were asked for", red=True)

    def _too_little(self) -> bool:
        least = self.config.getoption("--routine-coverage-min")
        return least is not None and 100.0 * self.coverage.share < least

    def _take_up_the_rest(self) -> None:
        """Routine files that nothing rehearsed: with all their points unmet, or with the reason."""
        known = {Path(file).resolve() for file in self.coverage.routines}
        workshop = self.config.stash.get(WORKSHOP, None) or Workshop()
        for path in sorted(self.files):
            if path.resolve() in known:
                continue
            name = path.name.removesuffix(ENDING)
            try:
                routine = workshop.routine(path)
                checked = workshop.examined(routine).checked
            except StepgraphError as error:
                self.coverage.refuse(str(path), name, str(error).splitlines()[0])
            else:
                assert checked is not None
                self.coverage.know(str(path), checked)
