"""What licences ask, and under what several of them may be shared together.

Not legal advice: what the licences' own texts and the Creative Commons FAQ
("Can I combine material under different Creative Commons licenses in my
work?", with its chart of adapter's licences) say of the common cases. What
is not among them is said to be unknown, never guessed.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Combination", "Terms", "combine", "terms_of"]

# Without version 1.0, whose share-alike allows no later version.
_CC = re.compile(r"CC-BY(-NC)?(-SA|-ND)?-(2\.0|2\.5|3\.0|4\.0)")
_PUBLIC_DOMAIN = frozenset({"CC0-1.0", "PDDL-1.0", "Unlicense", "0BSD"})
_DATABASE_BY = "ODC-By-1.0"
_DATABASE_SHARE_ALIKE = "ODbL-1.0"


@dataclass(frozen=True)
class Terms:
    """What one licence asks of whoever shares a work on."""

    spdx: str | None
    """SPDX identifier; None: no licence was given."""
    known: bool
    """Whether the rest says anything: an unknown licence, or none, is not known to allow sharing."""
    credit: bool = False
    """The maker must be named."""
    share_alike: bool = False
    """What is made of it must be under the same licence."""
    non_commercial: bool = False
    no_derivatives: bool = False
    """Only the unchanged work may be shared."""


@dataclass(frozen=True)
class Combination:
    """What works under several licences may be shared under."""

    may_be_shared: bool
    """Whether side by side, each under its own licence, they may."""
    as_one: str | None
    """SPDX identifier of the licence for something made of all of them; None: there is none."""
    reason: str
    """One or two sentences for a person."""


def terms_of(spdx: str | None) -> Terms:
    """Return what a licence asks.

    Parameters
    ----------
    spdx : str or None
        One SPDX identifier. Expressions of several are not known.

    Examples
    --------
    >>> terms_of("CC-BY-SA-4.0").share_alike, terms_of("mine").known
    (True, False)
    """
    if spdx is None:
        return Terms(None, known=False)
    if spdx in _PUBLIC_DOMAIN:
        return Terms(spdx, known=True)
    if spdx == _DATABASE_BY:
        return Terms(spdx, known=True, credit=True)
    if spdx == _DATABASE_SHARE_ALIKE:
        return Terms(spdx, known=True, credit=True, share_alike=True)
    found = _CC.fullmatch(spdx)
    if found is None:
        return Terms(spdx, known=False)
    non_commercial, rest, _ = found.groups()
    return Terms(
        spdx,
        known=True,
        credit=True,
        share_alike=rest == "-SA",
        non_commercial=non_commercial is not None,
        no_derivatives=rest == "-ND",
    )


def combine(licences: Iterable[str | None]) -> Combination:
    """Return what works under these licences may be shared under, side by side and as one.

    Examples
    --------
    >>> combine(["CC0-1.0", "CC-BY-4.0"]).as_one
    'CC-BY-4.0'
    >>> combine(["CC-BY-SA-4.0", "CC-BY-NC-4.0"]).as_one is None
    True
    """
    terms = [terms_of(spdx) for spdx in sorted(set(licences), key=lambda spdx: spdx or "")]
    unknown = [each.spdx or "no licence at all" for each in terms if not each.known]
    if unknown:
        return Combination(
            False,
            None,
            f"what is under {' and '.join(unknown)} is not known to allow sharing: ask whoever made it",
        )
    duties = _duties(terms)
    as_one, obstacle = _as_one(terms)
    if as_one is not None:
        return Combination(True, as_one, f"all of it may be shared under {as_one}{duties}")
    return Combination(
        True, None, f"side by side each part stays under its own licence{duties}; as one work: {obstacle}"
    )


def _duties(terms: Iterable[Terms]) -> str:
    listed = list(terms)
    duties = []
    if any(each.credit for each in listed):
        duties.append("name the makers")
    if any(each.non_commercial for each in listed):
        duties.append("not for money")
    return f" ({', '.join(duties)})" if duties else ""


def _as_one(terms: Iterable[Terms]) -> tuple[str | None, str]:
    """Return the licence for something made of all, or None and why there is none."""
    binding = [each for each in terms if each.spdx not in _PUBLIC_DOMAIN]
    names = {str(each.spdx) for each in binding}
    fixed = sorted(str(each.spdx) for each in binding if each.no_derivatives)
    if fixed:
        return None, f"{' and '.join(fixed)} allow no changes, so nothing made of them may be shared"
    if not names:
        return "CC0-1.0", ""
    databases = names & {_DATABASE_BY, _DATABASE_SHARE_ALIKE}
    if databases:
        if names == databases:
            return (_DATABASE_SHARE_ALIKE if _DATABASE_SHARE_ALIKE in names else _DATABASE_BY), ""
        return None, f"{' and '.join(sorted(names))} are not known to fit one licence"
    # Of the Creative Commons licences the newest version stands for all: each allows later ones.
    non_commercial = any(each.non_commercial for each in binding)
    share_alike = {each.non_commercial for each in binding if each.share_alike}
    if not share_alike:
        return ("CC-BY-NC-4.0" if non_commercial else "CC-BY-4.0"), ""
    if share_alike == {True}:
        return "CC-BY-NC-SA-4.0", ""
    if non_commercial:
        return None, "share-alike with and without commercial use cannot both be kept"
    return "CC-BY-SA-4.0", ""
