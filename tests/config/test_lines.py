"""The line of every key of a TOML file."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.config.lines import key_lines, line_of

TEXT = '''\
# a comment with [brackets] and "quotes"
[a]
x = 3 # [not a table]
"q.r" = 4
b.c = [5,
  6, # six, and a comma
  7]

[[k]]
z = """
[no]
x = 1
"""
w = 14
[k.sub]
v = 16
[[k]]
w = 18
s = "a # b [ { " # open
t = '[ \\'
u = { deep = 21, other = [1, 2] }
y = 22
'''


def paths(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    """Return every leaf with its path."""
    if isinstance(value, dict):
        return [leaf for k, v in value.items() for leaf in paths(v, (*path, k))]
    if isinstance(value, list):
        return [leaf for k, v in enumerate(value) for leaf in paths(v, (*path, k))]
    return [(path, value)]


def test_numbers_that_are_their_own_line_are_found_there() -> None:
    """Every number larger than 2 in the text is the number of its line."""
    lines = key_lines(TEXT)
    leaves = [leaf for leaf in paths(tomllib.loads(TEXT)) if isinstance(leaf[1], int)]
    numbered = [leaf for leaf in leaves if leaf[1] > 2]
    assert len(numbered) == 10
    assert [line_of(lines, path) for path, _ in numbered] == [value for _, value in numbered]


def test_tables_are_found_at_their_header_and_unknown_keys_at_their_table() -> None:
    """What is missing is reported where its table begins."""
    lines = key_lines(TEXT)
    assert line_of(lines, ("a",)) == 2
    assert line_of(lines, ("k", 0, "sub")) == 15
    assert line_of(lines, ("k", 1, "absent")) == 17
    assert line_of(lines, ("absent",)) is None


BARE = st.text("abcXYZ019-_", min_size=1, max_size=6)
QUOTED = st.text("ab .#[]{}=,'", min_size=1, max_size=6).map(lambda s: f'"{s}"')


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(BARE | QUOTED, st.lists(BARE | QUOTED, min_size=1)), max_size=5))
def test_any_file_of_tables_and_keys_is_read_back(
    tables: list[tuple[str, list[str]]],
) -> None:
    """Whatever the keys look like, a value that is its own line number is found there."""
    text, line, seen = "", 0, set()
    for table, keys in tables:
        if table.strip('"') in seen:
            continue
        seen.add(table.strip('"'))
        text += f"[{table}] # [x]\n\n"
        line += 2
        for key in dict.fromkeys(k.strip('"') for k in keys):
            line += 1
            text += f"'{key}' = {line}\n" if "'" not in key else f'"{key}" = {line}\n'
    lines = key_lines(text)
    for path, value in paths(tomllib.loads(text)):
        assert line_of(lines, path) == value
