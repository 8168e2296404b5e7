"""Strict YAML 1.2. The rules are those of YAML 1.2.2 (yaml.org/spec/1.2.2, sections 7.3, 10.3.2); the words that 1.1
readers take for truth values are listed at yaml.org/type/bool.html."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.files.problems import FileErrors, FileProblem
from sequencer.files.yaml_text import MOST_ALIASES, MOST_BYTES, MOST_NESTING, parse_yaml, plain_scalar, read_yaml


def errors_of(text: str) -> list[str]:
    with pytest.raises(FileErrors) as caught:
        parse_yaml(text, "f.yaml")
    return str(caught.value).splitlines()


@pytest.mark.parametrize("word", ["on", "On", "ON", "off", "yes", "Yes", "no", "NO", "n", "N", "y", "Y"])
def test_a_switch_word_of_yaml_1_1_is_refused_as_value_and_as_key(word: str) -> None:
    """Y1: a switch word of yaml 1 1 is refused as value and as key (F01)."""
    said = f"'{word}' is read as a truth value by some and as text by others; write true or false, or quote it"
    assert errors_of(f"state: {word}") == [f"f.yaml:1:8: state: {said}"]
    assert errors_of(f"{word}: 1") == [f"f.yaml:1:1: {said}"]


@pytest.mark.parametrize("word", ["on", "yes", "n", "true", "12", "010", "1:30", ".inf", "null"])
def test_quotes_make_it_text(word: str) -> None:
    for quote in "'\"":
        node = parse_yaml(f"state: {quote}{word}{quote}").entries["state"]
        assert node.value == word
        assert node.quoted


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1e3", 1000.0),
        ("1E-3", 0.001),
        ("-12", -12),
        ("+.5", 0.5),
        ("3.", 3.0),
        ("0x1F", 31),
        ("0o17", 15),
        ("0", 0),
        ("0.5", 0.5),
        ("true", True),
        ("False", False),
        ("~", None),
        ("null", None),
        ("1_000", "1_000"),
        ("2001-12-14", "2001-12-14"),
        ("62 deg", "62 deg"),
        ("tRue", "tRue"),
        ("e3", "e3"),
        ("-", "-"),
    ],
)
def test_plain_scalars_follow_the_core_schema(text: str, value: object) -> None:
    """Y1: plain scalars follow the core schema (F02)."""
    found = plain_scalar(text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("010", "'010' has a leading zero, which some read as octal; write it without, or quote it"),
        ("-007.5", "'-007.5' has a leading zero, which some read as octal; write it without, or quote it"),
        ("1:30", "'1:30' is read as a number of base 60 by some; write plain seconds, such as 90 s, or quote it"),
        (".inf", "'.inf' is not a finite number; write a finite one"),
        ("-.INF", "'-.INF' is not a finite number; write a finite one"),
        (".nan", "'.nan' is not a finite number; write a finite one"),
        ("1e400", "'1e400' is not a finite number; write a finite one"),
    ],
)
def test_what_readers_disagree_about_is_refused(text: str, said: str) -> None:
    """Y1: what readers disagree about is refused (F04)."""
    assert errors_of(f"a:\n  to: {text}") == [f"f.yaml:2:7: a.to: {said}"]


def test_a_doubled_key_names_both_lines() -> None:
    """Y2: a doubled key names both lines (F05)."""
    assert errors_of("a:\n  timeout: 1 s\n  to: 2\n  timeout: 2 s") == [
        "f.yaml:4:3: a.timeout: the key 'timeout' stands here and in line 2; remove one of them"
    ]


@pytest.mark.parametrize("text", ["a:\n\tb: 1", "a: 1\n\tb: 2", "a:\n  b: 1\n\tc: 2", "- \t- 1\n\t- 2"])
def test_a_tab_as_indentation_says_use_spaces(text: str) -> None:
    """Y2: a tab as indentation says use spaces (F07)."""
    (line,) = errors_of(text)
    assert line.endswith("a tab stands where indentation is; use spaces")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "f.yaml:1:1: the file is empty"),
        ("# nothing\n", "f.yaml:1:1: the file is empty"),
        ("---\n...\n", "f.yaml:1:1: the file is empty"),
        ("- 1\n- 2", "f.yaml:1:1: the file holds a list; a table of keys was expected"),
        ("62 deg", "f.yaml:1:1: the file holds '62 deg'; a table of keys was expected"),
        ("a: 1\n---\nb: 2", "f.yaml:2:1: a second document starts here; a file holds one; remove the line ---"),
        ("1: 2", "f.yaml:1:1: a key must be text; the number 1 stands here; quote it if it is a name"),
        ("true: 2", "f.yaml:1:1: a key must be text; true stands here; quote it if it is a name"),
        ("? [a]\n: 1", "f.yaml:1:3: a key must be text; a list, a table or an alias stands here"),
        ("<<: {a: 1}", "f.yaml:1:1: merge keys (<<) are not part of YAML 1.2; write the keys out"),
        ("a: *b", "f.yaml:1:4: a: the alias *b has no anchor above it"),
        ("a: &b [*b]", "f.yaml:1:8: a[0]: the alias *b stands inside its own anchor"),
        (
            "a: !!python/name:os.system x",
            "f.yaml:1:4: a: the tag tag:yaml.org,2002:python/name:os.system is not allowed; remove it; "
            "values have no tags",
        ),
        (
            "%YAML 1.1\n---\na: 1",
            "f.yaml:1:1: the file says it is YAML 1.1; YAML 1.2 is read; remove the %YAML line",
        ),
        ("a: \x07", "f.yaml:1:4: a character that may not stand in YAML; remove it or write it as an escape"),
    ],
)
def test_each_misshapen_file_gets_one_clear_error(text: str, said: str) -> None:
    """Y2: each misshapen file gets one clear error (F12)."""
    assert errors_of(text) == [said]


def test_broken_syntax_has_a_line() -> None:
    (line,) = errors_of("a: [1, 2\nb: 3")
    assert line.startswith("f.yaml:2:")
    assert "this is not YAML" in line


def test_all_errors_come_in_one_run_sorted_by_line() -> None:
    """Y4: all errors come in one run sorted by line."""
    lines = errors_of("a: on\nb: {c: 010, c: 1}\nd: [1:30, .nan]")
    assert [line.split(":")[1:3] for line in lines] == [["1", "4"], ["2", "8"], ["2", "13"], ["3", "5"], ["3", "11"]]


def test_every_value_and_key_knows_its_place() -> None:
    root = parse_yaml("lift:\n  to:  1.2 m   # up\n  list: [a, 'b']\n", "f.yaml")
    lift = root.entries["lift"]
    assert str(root.place_of("lift")) == "f.yaml:1:1"
    assert str(lift.place_of("to")) == "f.yaml:2:3"
    assert str(lift.entries["to"].place) == "f.yaml:2:8"
    assert [str(item.place) for item in lift.entries["list"].items] == ["f.yaml:3:10", "f.yaml:3:13"]


def test_an_alias_used_twice_gives_two_equal_values_that_cannot_touch_each_other() -> None:
    """Y5: an alias used twice gives two equal values that cannot touch each other."""
    root = parse_yaml("a: &x {b: [1, 2]}\nc: *x\nd: *x")
    assert root.entries["c"] == root.entries["d"] == root.entries["a"]
    with pytest.raises(AttributeError):
        root.entries["c"].value = 1  # nodes are frozen, so that sharing one is as good as copying it


def test_nesting_is_bounded() -> None:
    """Y7: nesting is bounded."""
    deep = "a: " + "[" * (MOST_NESTING - 1) + "]" * (MOST_NESTING - 1)
    assert parse_yaml(deep)
    (line,) = errors_of("a: " + "[" * MOST_NESTING + "]" * MOST_NESTING)
    assert line.endswith("nested more than 40 deep")


def test_nesting_through_aliases_is_bounded() -> None:
    rows = ["x0: &x0 [1]", *(f"x{i}: &x{i} [*x{i - 1}]" for i in range(1, 60))]
    (line,) = errors_of("\n".join(rows))
    assert line.endswith("nested more than 40 deep")


def test_aliases_are_bounded_in_number() -> None:
    """Y7: aliases are bounded in number."""
    assert parse_yaml("a: &x 1\nb: [" + "*x, " * MOST_ALIASES + "]")
    (line,) = errors_of("a: &x 1\nb: [" + "*x, " * (MOST_ALIASES + 1) + "]")
    assert line.endswith("more than 1000 aliases")


def test_aliases_of_aliases_cannot_multiply() -> None:
    rows = ["x0: &x0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    rows += [f"x{i}: &x{i} [{', '.join([f'*x{i - 1}'] * 10)}]" for i in range(1, 9)]
    (line,) = errors_of("\n".join(rows))
    assert line.endswith("the aliases come to more than 100000 values when written out")


def test_a_file_over_512_kB_is_not_read(tmp_path: Path) -> None:
    """Y7: a file over 512 kB is not read."""
    file = tmp_path / "big.yaml"
    file.write_text("a: " + "x" * MOST_BYTES)
    with pytest.raises(FileErrors, match="the file has 524291 bytes; at most 524288 are read"):
        read_yaml(file)


def test_a_file_that_is_not_there_is_named_with_its_nearest_neighbour(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_text("a: 1")
    with pytest.raises(FileErrors, match=r"cannot be read: .*; did you mean 'machine.yaml'\?"):
        read_yaml(tmp_path / "machin.yaml")


def test_bytes_that_are_not_utf_8_have_a_place(tmp_path: Path) -> None:
    file = tmp_path / "latin.yaml"
    file.write_bytes("a: 1\nb: h\xfcte".encode("latin-1"))
    with pytest.raises(FileErrors) as caught:
        read_yaml(file)
    assert str(caught.value) == f"{file}:2:5: the text is not UTF-8; save the file as UTF-8"


def test_a_byte_order_mark_and_dos_line_ends_are_read(tmp_path: Path) -> None:
    file = tmp_path / "dos.yaml"
    file.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n")
    root = read_yaml(file).root
    assert {key: node.value for key, node in root.entries.items()} == {"a": 1, "b": 2}


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    problems: tuple[FileProblem, ...] = ()
    root = None
    try:
        root = parse_yaml(text, "f.yaml")
    except FileErrors as errors:
        problems = errors.problems
    assert (root is None) == bool(problems)
    assert all(problem.place.line >= 1 and problem.place.column >= 1 for problem in problems)
