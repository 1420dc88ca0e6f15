"""The algebra of spans, against sets of whole seconds."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.spans import (
    ALL_TIME,
    Span,
    fit_spans,
    intersect_spans,
    merge_spans,
    parse_spans,
    subtract_spans,
    total_s,
)

SPANS = st.lists(st.tuples(st.integers(0, 20), st.integers(1, 8)).map(lambda pair: Span(pair[0], sum(pair))))


def seconds(spans: "list[Span] | tuple[Span, ...]") -> set[int]:
    """Return the whole seconds that are in the spans: half-open, so [1, 3) is seconds 1 and 2."""
    return {second for span in spans for second in range(int(span.start_s), int(span.end_s))}


def assert_disjoint(spans: tuple[Span, ...]) -> None:
    for before, after in zip(spans, spans[1:], strict=False):
        assert before.end_s < after.start_s


@settings(derandomize=True, deadline=None)
@given(a=SPANS, b=SPANS)
def test_spans_behave_as_sets_of_instants(a: list[Span], b: list[Span]) -> None:
    merged, shared, left = merge_spans(a), intersect_spans(a, b), subtract_spans(a, b)
    assert seconds(merged) == seconds(a)
    assert seconds(shared) == seconds(a) & seconds(b)
    assert seconds(left) == seconds(a) - seconds(b)
    for spans in (merged, shared, left):
        assert_disjoint(spans)
    assert total_s(a) == len(seconds(a))
    assert total_s(shared) + total_s(left) == total_s(merged)


def test_touching_spans_are_one_and_share_nothing() -> None:
    assert merge_spans([Span(1, 2), Span(0, 1)]) == (Span(0, 2),)
    assert intersect_spans([Span(0, 1)], [Span(1, 2)]) == ()


@pytest.mark.parametrize(("start_s", "end_s"), [(1, 1), (2, 1), (-1, 1), (math.nan, 1), (0, math.nan)])
def test_what_is_no_span_is_refused(start_s: float, end_s: float) -> None:
    with pytest.raises(ValueError, match="is no span of time"):
        Span(start_s, end_s)


@pytest.mark.parametrize(
    ("text", "spans"),
    [
        ("none", ()),
        ("all", ALL_TIME),
        ("0-12.5", (Span(0, 12.5),)),
        ("20-30, 0-12.5", (Span(0, 12.5), Span(20, 30))),
        ("0-5,5-6", (Span(0, 6),)),
        (".5-1.", (Span(0.5, 1),)),
    ],
)
def test_spans_as_people_write_them(text: str, spans: tuple[Span, ...]) -> None:
    assert parse_spans(text) == spans


@pytest.mark.parametrize(
    "text", ["", "some", "1", "1-", "-1", "1-2-3", "5-1", "1-1", "1-inf", "a-b", "1e3-2e3"]
)
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not all, none or START-END|is no span of time"):
        parse_spans(text)


def test_open_ends_close_at_the_end_and_half_a_sample_is_rounding() -> None:
    assert fit_spans(ALL_TIME, n_frames=10_000, sample_rate_hz=44_100) == (Span(0, 10_000 / 44_100),)
    end_s = 10_000 / 44_100
    assert fit_spans((Span(0, end_s + 0.4 / 44_100),), n_frames=10_000, sample_rate_hz=44_100) == (
        Span(0, end_s),
    )
    for late in (Span(0, end_s + 0.6 / 44_100), Span(end_s, math.inf), Span(1, 2)):
        with pytest.raises(ValueError, match="passes the end of the recording"):
            fit_spans((late,), n_frames=10_000, sample_rate_hz=44_100)
