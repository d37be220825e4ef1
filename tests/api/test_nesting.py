"""How deep a body nests is told before it is decoded, the same way for every text in it."""

from hypothesis import example, given
from hypothesis import strategies as st

from service.api.reading import MOST_NESTED, nested_too_deep


def depth_of(body: str) -> int:
    """Return how deep `body` nests at most, looking at one character after the other (RFC 8259, sections 4, 5, 7)."""
    depth = deepest = 0
    in_text = escaped = False
    for character in body:
        if in_text:
            in_text, escaped = escaped or character != '"', not escaped and character == "\\"
        elif character == '"':
            in_text = True
        elif character in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif character in "]}":
            depth -= 1
    return deepest


pieces = st.sampled_from(
    ["[" * 9, "{" * 8, "]" * 3, "}", '"', '""', '"[[["', '"]]]"', '"a', "\\", '\\"', '"\\\\"', "1,", "ü"]
)


@given(st.lists(pieces, max_size=40).map("".join))
@example("[" * MOST_NESTED + '"]]]]' + "]" * MOST_NESTED)
@example('{"a": "' + "[" * 100 + '"}')
@example("[" * 60 + '"a\\"]]]]]]]]]]"' + "[" * 5)
@example("[" * 60 + '"\\' + "[" * 5)
@example("[" * 60 + '"]]]]]"' + "[" * 5)
def test_it_is_the_depth_outside_texts(body: str) -> None:
    """With escapes and without, with texts that never end."""
    assert nested_too_deep(body.encode()) == (depth_of(body) > MOST_NESTED)
