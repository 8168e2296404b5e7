from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import ModelError
from sequencer.files import edit_file, edit_text, load_routine

TEXT = """# höhe über alles — a comment with wide characters
parameters:
  lead:   {value: 30 ms,   range: [0 ms, 110 ms]}   # tuned on Saturday
steps:
- raise:  { move: {lift: 'spot'}, timeout: 3 s }
- sort:
    choose:
    - if: piece is lantern
      steps:
      - inner: {wait: "1 s"}
shared: &one 5 mm
again: *one
words: |
  two
  lines
"""


@pytest.mark.parametrize(
    ("path", "value", "old", "new"),
    [
        ("parameters.lead.value", "42 ms", "value: 30 ms", "value: 42 ms"),
        ("parameters.lead.range[1]", "0.2 s", "[0 ms, 110 ms]", "[0 ms, 0.2 s]"),
        ("steps.raise.timeout", "none", "timeout: 3 s", "timeout: none"),
        ("steps.raise.move.lift", "ridge", "'spot'", "'ridge'"),
        ("steps.inner.wait", "2 s", '"1 s"', "2 s"),
        ("steps.raise.timeout", "a: b", "timeout: 3 s", 'timeout: "a: b"'),
    ],
)
def test_one_value_changes_and_every_other_character_stays(path: str, value: str, old: str, new: str) -> None:
    assert edit_text(TEXT, path, value) == TEXT.replace(old, new)


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("parameters.laed.value", r"nothing stands at parameters.laed; did you mean 'lead'\?"),
        ("steps.rise.timeout", r"nothing stands at steps.rise; did you mean 'raise'\?"),
        ("parameters.lead.range[2]", r"nothing stands at parameters.lead.range\[2\]; range is a list"),
        ("parameters.lead", "parameters.lead is a table; one value can be changed, not a whole list or table"),
        ("shared", "shared shares its value with other places of the file"),
        ("words", "words is a text over several lines; change it by hand"),
    ],
)
def test_what_cannot_be_changed_is_refused(path: str, said: str) -> None:
    with pytest.raises(ModelError, match=said):
        edit_text(TEXT, path, "1 s")


def test_a_file_keeps_its_line_ends_and_its_byte_order_mark(lantern: Path) -> None:
    file = lantern / "hang_ridge.routine.yaml"
    before = b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n")
    file.write_bytes(before)
    edit_file(file, "parameters.release_lead.value", "45 ms")
    assert file.read_bytes() == before.replace(b"value: 30 ms", b"value: 45 ms")
    assert load_routine(file).parameters["release_lead"].value == 0.045
    assert [entry.name for entry in lantern.iterdir() if entry.name.endswith(".new")] == []
