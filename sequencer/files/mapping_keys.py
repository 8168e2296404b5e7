"""Every key of a mapping file, which says what the columns of a log of another program are."""

from __future__ import annotations

from sequencer.machine.shape import Key, Part, Section, Table
from sequencer.machine.written import OneOf, Quantity, Text

COLUMN = Section(
    "a column",
    (
        Key("column", Text("the heading of a column"), "which column it is", required=True),
        Key("unit", Text("a unit such as mm"), "the unit of what stands in it", default="a plain number"),
        Key("scale", Quantity("number"), "what to multiply it by", default="1"),
        Key("sign", Quantity("number"), "1, or -1 where it counts the other way", default="1"),
    ),
)

MAPPING = Section(
    "a mapping",
    (
        Key("log", Text("a name"), "what the log is of", required=True),
        Key("separator", Text("one character"), "what stands between columns", default="as in the first line"),
        Key("decimal", OneOf((".", ",")), "what stands before decimals", default="."),
        Key("time", Part(COLUMN), "the stamps", required=True),
        Key("columns", Table("quantity", Part(COLUMN)), "the columns by quantity", required=True),
    ),
)
