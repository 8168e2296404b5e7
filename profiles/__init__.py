"""Motion of one axis over time with the standard library alone: trapezoids, S-curves, stops, flicks, motor limits."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

# Five functions are named like their modules. Fetched later, the module would hide the function as soon as anything
# imports it.
from profiles.flick import flick
from profiles.motor_limited import motor_limited
from profiles.together import together
from profiles.trapezoid import trapezoid
from profiles.verify import verify

if TYPE_CHECKING:
    from profiles.envelope import Envelope
    from profiles.errors import (
        GoalAcceleration,
        GoalOutsideLimits,
        Infeasible,
        InvalidInput,
        InvalidLimit,
        JerkLimitMissing,
        OutsideTravel,
        ProfileError,
        RunUpTooShort,
    )
    from profiles.limits import Limits
    from profiles.profile import Extremes, PositionRange, Profile
    from profiles.scurve import s_curve
    from profiles.segment import Segment
    from profiles.state import State
    from profiles.stopping import StopTravel, stop, stop_travel, tick_exact_travel
    from profiles.verify import Violation, lines_to_paste

_MODULE_OF = {
    "Envelope": "envelope",
    "Extremes": "profile",
    "GoalAcceleration": "errors",
    "GoalOutsideLimits": "errors",
    "Infeasible": "errors",
    "InvalidInput": "errors",
    "InvalidLimit": "errors",
    "JerkLimitMissing": "errors",
    "Limits": "limits",
    "OutsideTravel": "errors",
    "PositionRange": "profile",
    "Profile": "profile",
    "ProfileError": "errors",
    "RunUpTooShort": "errors",
    "Segment": "segment",
    "State": "state",
    "StopTravel": "stopping",
    "Violation": "verify",
    "lines_to_paste": "verify",
    "s_curve": "scurve",
    "stop": "stopping",
    "stop_travel": "stopping",
    "tick_exact_travel": "stopping",
}

__all__ = [
    "Envelope",
    "Extremes",
    "GoalAcceleration",
    "GoalOutsideLimits",
    "Infeasible",
    "InvalidInput",
    "InvalidLimit",
    "JerkLimitMissing",
    "Limits",
    "OutsideTravel",
    "PositionRange",
    "Profile",
    "ProfileError",
    "RunUpTooShort",
    "Segment",
    "State",
    "StopTravel",
    "Violation",
    "flick",
    "lines_to_paste",
    "motor_limited",
    "s_curve",
    "stop",
    "stop_travel",
    "tick_exact_travel",
    "together",
    "trapezoid",
    "verify",
]


def __getattr__(name: str) -> object:
    """The other names are fetched on first use, so that importing one costs no more than it needs."""
    if name == "batch":  # a module of its own, which alone needs numpy
        return import_module(f"{__name__}.batch")
    try:
        module = import_module(f"{__name__}.{_MODULE_OF[name]}")
    except KeyError:
        raise AttributeError(f"The package profiles has no public name {name!r}.") from None
    value = getattr(module, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
