"""Which label a proposal should have: guessed from what a person has labelled so far.

The features are few and simple, taken from the drawn levels alone: how long,
how far over the recording's quiet level, how peaked, how quickly it rises, how
much lies above 500 Hz, and the share of each half-octave band. The model is a
forest of randomised trees (scikit-learn), which needs few examples and no
scaling; the share of trees is its confidence. What was dismissed, and
proposals in reviewed time that no segment answers, are examples of nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.drawn_levels import BAND_STEP_DB, DrawnLevels
from evalkit.edits import Labels
from evalkit.proposals import Proposal, matching_share
from evalkit.spans import Span, intersect_spans

__all__ = ["Examples", "Suggester", "Suggestion", "examples_of", "features_of"]

NOTHING = ""
"""Stands for no segment at all."""

_TREES = 150
_FEWEST_EXAMPLES = 4
_SAME = 0.5
_KNOCK_DB = 10.0
_QUIETEST = 1e-12


@dataclass(frozen=True)
class Suggestion:
    """What the model makes of a proposal."""

    label: str
    """Empty: nothing that should be labelled."""
    confidence: float
    """0 to 1."""


@dataclass(frozen=True)
class Examples:
    """What a person has said, as the model takes it."""

    features: NDArray[np.float32]
    """(n_examples, n_features)."""
    labels: tuple[str, ...]
    """One for each; empty: nothing."""

    @classmethod
    def joined(cls, parts: Iterable["Examples"]) -> "Examples":
        """Return the examples of several recordings together."""
        parts = tuple(parts)
        rows = [part.features for part in parts if len(part.labels)]
        features = np.concatenate(rows) if rows else np.zeros((0, 0), np.float32)
        return cls(features, tuple(label for part in parts for label in part.labels))


def features_of(levels: DrawnLevels, spans: Sequence[Span]) -> NDArray[np.float32]:
    """Return the features of some stretches of a recording: (n_spans, n_features)."""
    if not spans:
        return np.zeros((0, 0), np.float32)
    square, upper, bands = levels.square, levels.upper, levels.bands
    block_s = levels.block_samples / levels.sample_rate_hz
    hop_s = levels.hop_samples / levels.sample_rate_hz
    quiet_db = _db(np.percentile(square[:: max(1, len(square) // 50_000)], 10))
    rows = []
    for span in spans:
        a, b = _cells(span, block_s, len(square))
        level, above = _db(square[a:b]), _db(upper[a:b])
        c, d = _cells(span, hop_s, len(bands))
        band_db = bands[c:d].max(axis=0).astype(np.float32) * BAND_STEP_DB
        peak = float(level.max())
        rows.append(
            [
                np.log10(span.end_s - span.start_s),
                peak - quiet_db,
                peak - np.median(level),
                float(above.max()) - peak,
                np.mean(level > peak - _KNOCK_DB),
                np.argmax(level) / len(level),
                np.std(level),
                # What went on just before: a knock alone, or during something.
                _db(square[max(0, a - 25) : a].mean()) - peak if a else quiet_db - peak,
                *(band_db - band_db.max()),
            ]
        )
    return np.array(rows, np.float32)


def examples_of(levels: DrawnLevels, labels: Labels, proposals: Sequence[Proposal]) -> Examples:
    """Return what the labels of a recording teach."""
    spans = [Span(each.start_s, each.end_s) for each in labels.segments]
    names = [each.label for each in labels.segments]
    for span in labels.dismissed:
        if intersect_spans([span], [Span(0.0, labels.duration_s)]):
            spans.append(span)
            names.append(NOTHING)
    for proposal in proposals:
        inside = any(r.start_s <= proposal.start_s and proposal.end_s <= r.end_s for r in labels.reviewed)
        # Reviewed: whoever looked through this time did not think it worth a label.
        if inside and not any(matching_share(proposal, span) >= _SAME for span in spans):
            spans.append(proposal.span)
            names.append(NOTHING)
    return Examples(features_of(levels, spans), tuple(names))


class Suggester:
    """The model.

    Parameters
    ----------
    examples : Examples
        Of all recordings at hand. Labels with fewer than four examples are not learned.
    """

    def __init__(self, examples: Examples) -> None:
        names = np.array(examples.labels, dtype=object)
        known = {name for name in set(examples.labels) if (names == name).sum() >= _FEWEST_EXAMPLES}
        keep = np.array([name in known for name in examples.labels], bool)
        self._model: Any = None
        if len(known) >= 2:
            from sklearn.ensemble import ExtraTreesClassifier

            # Balanced: the rare machine is as much worth finding as the hundredth ring.
            self._model = ExtraTreesClassifier(
                _TREES, min_samples_leaf=1, class_weight="balanced", random_state=0, n_jobs=1
            )
            self._model.fit(examples.features[keep], names[keep].astype(str))

    @property
    def ready(self) -> bool:
        """Whether there was enough to learn from: four examples of each of two labels."""
        return self._model is not None

    def suggest(self, features: NDArray[np.float32]) -> tuple[Suggestion, ...]:
        """Return a suggestion for each row of features; none if the model is not ready."""
        if self._model is None or not len(features):
            return ()
        shares = self._model.predict_proba(features)
        best = shares.argmax(axis=1)
        return tuple(Suggestion(str(self._model.classes_[k]), float(row[k])) for k, row in zip(best, shares))


def _db(square: Any) -> Any:
    return 10.0 * np.log10(np.maximum(square, _QUIETEST))


def _cells(span: Span, step_s: float, n: int) -> tuple[int, int]:
    """Return the entries [first, last) that a span covers, at least one."""
    first = min(int(span.start_s / step_s), n - 1)
    return first, min(n, max(first + 1, round(span.end_s / step_s)))
