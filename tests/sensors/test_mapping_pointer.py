"""JSON Pointer against the examples of its own standard."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.pointer import Pointer, pointer_to

# RFC 6901, section 5: the document, and what each pointer leads to.
DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
         "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"""
)
EXAMPLES = [
    ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1),
    ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
]  # fmt: skip


@pytest.mark.parametrize(("text", "leads_to"), EXAMPLES)
def test_the_examples_of_the_standard(text, leads_to):
    assert Pointer(text)(DOCUMENT) == leads_to


@pytest.mark.parametrize("text", ["foo", "#/foo", "/m~2n", "/m~", "/" + "x" * 256])
def test_what_is_no_pointer_is_refused(text):
    # Section 3 (syntax): a reference token begins with "/"; "~" is followed by 0 or 1.
    with pytest.raises(ValueError, match=r"JSON Pointer|characters"):
        Pointer(text)


@pytest.mark.parametrize(
    "text", ["/bar", "/foo/2", "/foo/-", "/foo/00", "/foo/+1", "/foo/bar", "/foo/0/0", "//x"]
)
def test_nothing_there_is_nothing(text):
    # Section 4: "-" is the member after the last, and array indexes have no leading zeros.
    assert Pointer(text)(DOCUMENT) is None


def test_null_is_nothing():
    assert Pointer("/a")({"a": None}) is None


@given(st.lists(st.text(max_size=8), max_size=6))
def test_what_is_written_is_found(steps):
    document: object = 42
    for step in reversed(steps):
        document = {step: document}
    assert Pointer(pointer_to(*steps))(document) == 42
