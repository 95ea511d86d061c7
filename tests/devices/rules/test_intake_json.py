"""JSON in which a name stands twice: noticed wherever it stands, and everything else is read as ever."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.intake_json import Doubled, read_json

LONG = "x" * 99


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ('{"a": 1, "a": 1}', "a"),
        ('{"a": 1, "b": 2, "a": 3, "b": 4}', "a"),
        ('{"a": 1, "\\u0061": 2}', "a"),
        ('{"": 1, "": 2}', "(empty)"),
        (f'{{"{LONG}": 1, "{LONG}": 2}}', LONG[:40]),
        ('{"\\ud800": 1, "\\ud800": 2}', "·"),
    ],
)
def test_the_first_name_that_stands_again_is_told(text: str, name: str) -> None:
    found = read_json(text.encode())
    assert isinstance(found, Doubled)
    assert found.twice == name


@pytest.mark.parametrize(
    "text",
    [
        '{"rows": [{"a" :1, "a":2}]}', '{"rows" :[{"a":1, "a":2}]}', '{"rows":[{"x\\":":1, "a":1, "a":2}]}',
        '{"rows":[{"a":{"b":1, "b":2}}]}', '{"rows":[[{"b":1, "b":2}]]}', '{"b":1, "b":2, "rows":[]}',
        '{"rows":[{"a"\n:1, "a":2}], "note":"\\":"}', '{"rows":[{"a":1, "a"\t:2, "c":"\\":"}]}',
    ],
)  # fmt: skip
def test_no_blank_and_no_text_that_looks_like_a_name_hides_one_that_stands_twice(text: str) -> None:
    def doubled(value: Any) -> bool:
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        return isinstance(value, Doubled) or any(map(doubled, inner))

    assert doubled(read_json(text.encode()))


def test_signs_of_another_coding_hide_none() -> None:
    text = '{"rows":[{"a":1, "a":2}], "note":"' + "\u3a22" * 3 + '"}'
    found: Any = read_json(text.encode("utf-16-le"))
    assert isinstance(found["rows"][0], Doubled)


def test_it_is_noticed_deep_inside_and_only_there() -> None:
    found: Any = read_json(b'{"rows": [{"a": 1}, {"a": 1, "a": 2}]}')
    assert [type(one) for one in (found, *found["rows"])] == [dict, dict, Doubled]


any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=9,
)


@given(any_json)
def test_everything_else_is_read_as_the_library_reads_it(value: Any) -> None:
    assert read_json(json.dumps(value).encode()) == value


@pytest.mark.parametrize("raw", [b"", b"{", b"\xff", b'{"a" 1}'])
def test_what_is_no_json_raises_what_the_library_raises(raw: bytes) -> None:
    with pytest.raises(ValueError):
        read_json(raw)
