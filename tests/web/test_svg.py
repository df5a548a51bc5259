"""Templates of figures are filled as MarkupSafe's own method fills them."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup, escape

from service.web.svg import drawn

PARTS = st.one_of(
    st.text(), st.floats(), st.integers(), st.booleans(), st.none(), st.text().map(escape)
)


@given(PARTS, PARTS, PARTS)
def test_parts_go_in_as_markupsafe_puts_them_in(first: object, second: object, x: object) -> None:
    shown = drawn('<text x="{x}" y="{}">{} {{}} {x}</text>', first, second, x=x)
    theirs = Markup('<text x="{x}" y="{}">{} {{}} {x}</text>').format(first, second, x=x)
    assert shown == theirs


def test_what_somebody_typed_in_draws_nothing() -> None:
    shown = drawn("<text>{}{name}</text>", "<script>", name="{0}\"'&")
    assert shown == "<text>&lt;script&gt;{0}&#34;&#39;&amp;</text>"
    assert isinstance(shown, Markup)
