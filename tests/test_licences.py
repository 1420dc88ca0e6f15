"""What licences ask, after the chart of adapter's licences of the Creative Commons FAQ.

Read second-hand: libraries' guides that reproduce "Can I combine material under different Creative
Commons licenses in my work?" (creativecommons.org/faq). The rows for databases are from the texts
of the licences, from memory.
"""

import itertools

import pytest

from evalkit.licences import combine, terms_of

BY, SA, NC, NC_SA, ND = (f"CC-BY{x}-4.0" for x in ("", "-SA", "-NC", "-NC-SA", "-ND"))

# What may be made of two works under these licences.
CHART = [
    ("CC0-1.0", "CC0-1.0", "CC0-1.0"),
    ("CC0-1.0", BY, BY),
    ("CC0-1.0", SA, SA),
    ("PDDL-1.0", NC_SA, NC_SA),
    (BY, BY, BY),
    (BY, SA, SA),
    (BY, NC, NC),
    (BY, NC_SA, NC_SA),
    (SA, SA, SA),
    (NC, NC, NC),
    (NC, NC_SA, NC_SA),
    (SA, NC, None),
    (SA, NC_SA, None),
    (ND, ND, None),
    (ND, BY, None),
    ("CC-BY-3.0", BY, BY),
    ("CC-BY-SA-3.0", SA, SA),
    ("ODbL-1.0", "ODC-By-1.0", "ODbL-1.0"),
    ("ODbL-1.0", "CC0-1.0", "ODbL-1.0"),
    ("ODbL-1.0", SA, None),
]


@pytest.mark.parametrize(("a", "b", "as_one"), CHART)
def test_two_works_as_one(a: str, b: str, as_one: str | None) -> None:
    for pair in ((a, b), (b, a), (a, b, a)):
        found = combine(pair)
        assert found.as_one == as_one
        assert found.may_be_shared


@pytest.mark.parametrize("unknown", [None, "LicenseRef-club", "GPL-3.0-only", "CC-BY-SA-1.0"])
def test_what_is_not_known_is_not_guessed(unknown: str | None) -> None:
    found = combine([BY, unknown])
    assert not found.may_be_shared
    assert found.as_one is None
    assert "ask whoever made it" in found.reason
    assert (unknown or "no licence at all") in found.reason


def test_duties_are_told() -> None:
    assert combine([NC]).reason == f"all of it may be shared under {NC} (name the makers, not for money)"
    assert combine(["CC0-1.0"]).reason == "all of it may be shared under CC0-1.0"
    assert "side by side each part stays under its own licence" in combine([SA, NC]).reason


def test_terms() -> None:
    assert terms_of("CC-BY-NC-ND-3.0").no_derivatives
    assert terms_of("CC-BY-NC-ND-3.0").non_commercial
    assert not terms_of("CC-BY-XX-4.0").known
    assert not terms_of("CC-BY-4.0 AND CC0-1.0").known


def test_more_licences_never_allow_more() -> None:
    known = ["CC0-1.0", BY, SA, NC, NC_SA, ND, "ODbL-1.0", "ODC-By-1.0"]
    for trio in itertools.combinations(known, 3):
        if combine(trio).as_one is not None:
            assert all(combine(pair).as_one is not None for pair in itertools.combinations(trio, 2)), trio
