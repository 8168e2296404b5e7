"""The shape of checked data: what the runner relies on without asking again at every tick.

The checks are small functions `(value, where) -> None` that raise PackError with the path to the wrong entry. Entries
that are not listed may be there; they are for readers that know them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from sequencer.errors import PackError

Shape = Callable[[Any, str], None]


def check_shape(machine: Mapping[str, Any], routines: Sequence[Mapping[str, Any]]) -> None:
    """Whether machine and routine data have the types, lists and indices that the runner reads.

    Raises:
        PackError: with the path to the first entry that does not fit, what is there and what belongs there.
    """
    _mapping(machine, "machine")
    sizes = {key: len(machine[key]) if isinstance(machine.get(key), list) else 0 for key in ("axes", "outputs")}
    axis, output = _index(sizes["axes"], "an axis"), _index(sizes["outputs"], "an output")
    _machine_shape(axis)(machine, "machine")
    for number, routine in enumerate(routines):
        where = f"routines[{number}]"
        _mapping(routine, where)
        steps = routine.get("steps")
        _routine_shape(axis, output, _index(len(steps) if isinstance(steps, list) else 0, "a step"))(routine, where)


def _machine_shape(axis: Shape) -> Shape:
    tolerance = _record(
        position=_number, speed=_number, settle=_time, following=_optional(_number), behind=_one_of("wait", "fault")
    )
    rest = _record(mode=_one_of("hold", "brake", "off", "voltage"), voltage=_number, when=_optional(_term))
    feedforward = _record(
        constant=_number, cosine=_number, angle=_number, coulomb=_number, velocity=_number, acceleration=_number
    )
    zero = _record(speed=_number, until=_term, then=_number, once=_optional(_term))
    # What packs of before these were known do not have.
    newer = {"zero": _optional(zero), "differ_by": _optional(_number), "most_current": _optional(_number)}
    stop = _one_of("off", "ramp_then_off", "ramp_then_hold")
    return _record(
        name=_text,
        period=_time,
        longest_gap=_time,
        overlays=_list(_text),
        axes=_list(
            _every(
                _may_have(**newer),
                _record(
                    name=_text,
                    kind=_one_of("linear", "rotary", "spin"),
                    travel=_optional(_row(_number, _number)),
                    limits=_limits,
                    sure=_limits,
                    tolerance=tolerance,
                    latency=_row(_time, _time),
                    between=_one_of("hold", "carry_on"),
                    rest=_list(rest, least=1),
                    stop=stop,
                    feedforward=_optional(feedforward),
                ),
            ),
            least=1,
        ),
        sensors=_list(
            _record(
                name=_text,
                kind=_one_of("switch", "number", "one_of"),
                values=_list(_text),
                stale_after=_optional(_time),
                derived=_optional(_record(term=_term, steady=_time, blind=_time, axes=_list(axis))),
            )
        ),
        outputs=_list(_record(name=_text, kind=_one_of("switch", "number", "one_of"), rest=_value)),
        keep_outs=_list(
            _record(name=_text, box=_list(_row(axis, _number, _number), least=1), when=_optional(_term), because=_text)
        ),
        must_stay=_list(_record(name=_text, term=_term, axes=_list(axis), stop=_optional(stop), because=_text)),
        presets=_table(_list(_row(axis, _number))),
        hash=_text,
    )


def _routine_shape(axis: Shape, output: Shape, step: Shape) -> Shape:
    steps = _step_shape(axis, output, step)
    number = _record(kind=_one_of("number"), value=_number, low=_number, high=_number, dimension=_row(*[_whole] * 5))
    preset = _record(kind=_one_of("preset"), value=_text, choices=_list(_text, least=1))
    parameters = _by_kind({"number": number, "preset": preset})

    def afterwards(value: Any, where: str) -> None:
        _mapping(value, where)
        inside = value.get("steps")
        size = len(inside) if isinstance(inside, list) else 0
        _routine_shape(axis, output, _index(size, "a step"))(value, where)

    row = _row(axis, _number, _number)
    whole = _record(
        **{"from": _text},
        name=_text,
        region=_list(row),
        parameters=_list(_every(_record(name=_text), parameters)),
        roots=_list(step),
        steps=_list(steps),
        waived=_list(_record(rule=_text, step=_optional(_text), because=_text)),
        planned=_number,
    )
    table = _record(
        axes=_list(_text, least=1),
        goal=_list(_row(_text, _number), least=1),
        legs=_list(_row(*[_list(_number)] * 3)),
        following=_list(_whole),
        costs=_list(_number),
        speeds=_list(_number),
        longest=_number,
        covered=_number,
    )
    ways = _record(machine=_text, tables=_list(table, least=1))
    cleared = _list(_row(_list(axis), _list(_list(_number)), _list(step)))
    more = {"cleared": _table(cleared), "starts": _list(_list(row, least=1)), "ways": ways, "enters": _list(step)}
    return _every(_may_have(**more, on_cancel=_optional(afterwards), on_fault=_optional(afterwards)), whole)


def _step_shape(axis: Shape, output: Shape, step: Shape) -> Shape:
    start = _by_kind(
        {
            "after": _record(steps=_list(step), any=_boolean, branches=_list(_list(step))),
            "with": _record(step=step),
            "passing": _record(step=step, at=_operand, axis=_optional(axis), lead=_time_operand, lag=_time_operand),
            "at": _record(time=_time),
        }
    )
    drive = _first_word(
        {
            "axis": _row(_text, axis, _one_of("voltage", "speed"), _operand),
            "output": _row(_text, output, _one_of("value"), _value_operand),
        }
    )
    kinds = {
        "move": _record(goals=_list(_row(axis, _goal), least=1)),
        "flick": _record(axis=axis, through=_operand, speed=_operand, to=_operand),
        "press": _record(axis=axis, effort=_operand, toward=_operand),
        "pulse": _record(drives=_list(drive, least=1)),
        "wait": _record(),
        "set": _record(values=_list(_row(output, _value), least=1)),
        "choose": _record(branches=_list(_record(term=_term, steps=_list(step))), otherwise=_optional(_list(step))),
        "repeat": _record(times=_optional(_operand), steps=_list(step)),
        "perform": _record(steps=_list(step)),
    }
    common = _record(
        name=_text,
        parent=_whole,
        start=start,
        once=_optional(_term),
        until=_optional(_term),
        must_stay=_optional(_term),
        only_if=_optional(_term),
        steady=_time_operand,
        blind=_time_operand,
        duration=_optional(_time_operand),
        timeout=_optional(_time),
        on_timeout=_text,
        retry=_whole,
        preempt=_boolean,
        phase=_boolean,
        together=_boolean,
        profile=_one_of("s_curve", "trapezoid", "motor"),
        place=_text,
        limits=_table(_limits),
    )
    envelope = _record(
        inertia=_number,
        stall_force=_number,
        drag=_number,
        most_force=_number,
        coulomb=_number,
        viscous=_number,
        loss=_number,
        constant=_number,
        cosine=_number,
        angle=_number,
    )
    newer = _may_have(touching=_list(_row(_text, _text)), envelopes=_table(envelope), ways=_list(_whole))
    return _every(newer, common, _by_kind(kinds))


def _wrong(where: str, value: object, allowed: str) -> PackError:
    text = repr(value)
    shown = text if len(text) <= 60 else text[:57] + "..."
    return PackError(f"{where} is {shown}, and {allowed} belongs there; pack the routines again")


def _text(value: Any, where: str) -> None:
    if not isinstance(value, str):
        raise _wrong(where, value, "a text")


def _boolean(value: Any, where: str) -> None:
    if not isinstance(value, bool):
        raise _wrong(where, value, "true or false")


def _number(value: Any, where: str) -> None:
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise _wrong(where, value, "a number")


def _whole(value: Any, where: str) -> None:
    if not isinstance(value, int) or isinstance(value, bool):
        raise _wrong(where, value, "a whole number")


def _time(value: Any, where: str) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise _wrong(where, value, "a whole number of nanoseconds, not negative,")


def _value(value: Any, where: str) -> None:
    if not isinstance(value, bool | int | float | str):
        raise _wrong(where, value, "a number, a word or true or false")


def _mapping(value: Any, where: str) -> None:
    if not isinstance(value, Mapping):
        raise _wrong(where, value, "a mapping")


def _optional(shape: Shape) -> Shape:
    def check(value: Any, where: str) -> None:
        if value is not None:
            shape(value, where)

    return check


def _one_of(*words: str) -> Shape:
    def check(value: Any, where: str) -> None:
        if value not in words:
            raise _wrong(where, value, f"one of {', '.join(words)}" if len(words) > 1 else words[0])

    return check


def _index(size: int, what: str) -> Shape:
    def check(value: Any, where: str) -> None:
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < size:
            raise _wrong(where, value, f"{what}'s index below {size}")

    return check


def _list(shape: Shape, least: int = 0) -> Shape:
    def check(value: Any, where: str) -> None:
        if not isinstance(value, list) or len(value) < least:
            raise _wrong(where, value, "a list" if least == 0 else f"a list of at least {least}")
        for number, item in enumerate(value):
            shape(item, f"{where}[{number}]")

    return check


def _row(*shapes: Shape) -> Shape:
    def check(value: Any, where: str) -> None:
        if not isinstance(value, list) or len(value) != len(shapes):
            raise _wrong(where, value, f"a list of exactly {len(shapes)}")
        for number, (shape, item) in enumerate(zip(shapes, value, strict=True)):
            shape(item, f"{where}[{number}]")

    return check


def _record(**fields: Shape) -> Shape:
    def check(value: Any, where: str) -> None:
        _mapping(value, where)
        for key, shape in fields.items():
            if key not in value:
                raise PackError(f"{where} has no '{key}'; pack the routines again")
            shape(value[key], f"{where}.{key}")

    return check


def _may_have(**fields: Shape) -> Shape:
    """Entries that may be missing, and are looked at where they are there."""

    def check(value: Any, where: str) -> None:
        _mapping(value, where)
        for key, shape in fields.items():
            if key in value:
                shape(value[key], f"{where}.{key}")

    return check


def _table(shape: Shape) -> Shape:
    def check(value: Any, where: str) -> None:
        _mapping(value, where)
        for key, item in value.items():
            shape(item, f"{where}.{key}")

    return check


def _every(*shapes: Shape) -> Shape:
    def check(value: Any, where: str) -> None:
        for shape in shapes:
            shape(value, where)

    return check


def _by_kind(kinds: Mapping[str, Shape]) -> Shape:
    named = _record(kind=_one_of(*kinds))

    def check(value: Any, where: str) -> None:
        named(value, where)
        kinds[value["kind"]](value, where)

    return check


def _first_word(words: Mapping[str, Shape]) -> Shape:
    def check(value: Any, where: str) -> None:
        if not isinstance(value, list) or not value or not isinstance(value[0], str) or value[0] not in words:
            raise _wrong(where, value, f"a list that begins with one of {', '.join(words)}")
        words[value[0]](value, where)

    return check


def _time_operand(value: Any, where: str) -> None:
    if isinstance(value, list):
        _row(_one_of("parameter"), _text)(value, where)
    else:
        _time(value, where)


def _operand(value: Any, where: str) -> None:
    if isinstance(value, list):
        _REFERENCE(value, where)
    elif value != "through":
        _number(value, where)


def _value_operand(value: Any, where: str) -> None:
    if isinstance(value, list):
        _REFERENCE(value, where)
    else:
        _value(value, where)


def _term(value: Any, where: str) -> None:
    _TERMS(value, where)


def _terms(value: Any, where: str) -> None:
    if len(value) < 2:
        raise _wrong(where, value, "a list of at least one term after its first word")
    for number, item in enumerate(value[1:], 1):
        _term(item, f"{where}[{number}]")


_PAIR = _row(_number, _number)
_limits: Shape = _row(_PAIR, _PAIR, _optional(_number))
_REFERENCE = _first_word({"parameter": _row(_text, _text), "preset": _row(_text, _text, _text)})
_comparison = _row(_text, _text, _operand)
_named = _row(_text, _text)
_inner = _row(_text, _term)
_TERMS = _first_word(
    {
        **dict.fromkeys(("<", "<=", ">", ">="), _comparison),
        **dict.fromkeys(("holds", "known"), _named),
        **dict.fromkeys(("rising", "falling", "not"), _inner),
        **dict.fromkeys(("and", "or"), _terms),
        "is": _row(_text, _text, _text),
    }
)
_goal = _first_word(
    {
        "at": _row(_text, _operand),
        "by": _row(_text, _operand),
        "reading": _row(_text, _text, _number, _number),
        "per": _row(_text, _text, _table(_number)),
    }
)
