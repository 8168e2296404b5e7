"""Pictures and texts of plans, traces and machines. The names are loaded when they are first used.

Importing this package also lets notebooks show plans, checked routines, traces, rehearsals and findings as pictures.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.report.draw import machine_svg, machine_text
    from sequencer.report.order_view import order_svg
    from sequencer.report.routine_page import Reported, routines_page
    from sequencer.report.routine_view import routine_svg, together_svg
    from sequencer.report.session_page import session_page
    from sequencer.report.timeline import Timeline, timeline_of_plan, timeline_of_trace
    from sequencer.report.timeline_picture import timeline_svg
    from sequencer.report.timeline_words import timeline_text

__all__ = [
    "Reported",
    "Timeline",
    "machine_svg",
    "machine_text",
    "order_svg",
    "routine_svg",
    "routines_page",
    "session_page",
    "timeline_of_plan",
    "timeline_of_trace",
    "timeline_svg",
    "timeline_text",
    "together_svg",
]

_HOMES = {
    "Reported": "routine_page",
    "Timeline": "timeline",
    "machine_svg": "draw",
    "machine_text": "draw",
    "order_svg": "order_view",
    "routine_svg": "routine_view",
    "routines_page": "routine_page",
    "session_page": "session_page",
    "timeline_of_plan": "timeline",
    "timeline_of_trace": "timeline",
    "timeline_svg": "timeline_picture",
    "timeline_text": "timeline_words",
    "together_svg": "routine_view",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sequencer.report' has no attribute '{name}'")
    return getattr(import_module(f"sequencer.report.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__


import_module("sequencer.report.notebook").register()
