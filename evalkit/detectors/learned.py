"""Learned detectors: a probability for each frame, compared like any other level.

Each fit is cross-fitted: the training sessions are dealt into up to three
groups (makers, where a dataset merges several, are never divided), and one
estimator is fitted without each group. Its probabilities are
calibrated by a sigmoid (Platt) on what the other estimators said of their own
left-out groups. So a recording of a training session is scored by an estimator
and a sigmoid to which its session's labels were not shown, even where a
setting is chosen; any other recording by the mean log-odds of all of them.
"""

import hashlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evalkit.crossings import Crossings
from evalkit.detectors import N_LANES, Cost, Fitted, Frames, Levels, LevelUnit, Source, Training, continued
from evalkit.detectors.envelope import crossings_of_level
from evalkit.detectors.features import FEATURES, WINDOW_S, FrameMaker, FrameState
from evalkit.errors import TooLittleData

__all__ = ["LearnedDetector", "fit_boosted_trees", "fit_logistic", "fit_rhythm", "log_odds", "probability"]

_GROUPS = 3
_REACH = 6.0
"""The axis goes from minus this to this, in log-odds."""
_LEAST_SIGMA = 0.25
_DECIMALS = 6
"""Log-odds are rounded to so many, so that the order in which a library sums cannot move a crossing."""
_RHYTHM = (
    *("band 157-177 Hz", "band 177-198 Hz", "level", "line prominence", "line drift", "burst length"),
    *("on share", "depth", "periodicity", "period", "unsteadiness"),
)

_Estimator = Any


def probability(position: float) -> float:
    """Return the probability of a position on the axis of log-odds."""
    return 1.0 / (1.0 + math.exp(-position))


def log_odds(probability: float) -> float:
    """Return the position of a probability.

    Raises
    ------
    ValueError
        If it is not between 0 and 1, exclusive.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability={probability} must lie between 0 and 1, exclusive")
    return math.log(probability / (1.0 - probability))


@dataclass(frozen=True)
class LearnedState:
    """What is carried from block to block."""

    frames: FrameState
    members: tuple[int, ...]
    """Estimators that have not seen the recording's session."""
    high: NDArray[np.uint8]
    next_frame: int


@dataclass(frozen=True)
class _Member:
    """An estimator with its calibration: log-odds = slope x what it decides + offset."""

    estimator: _Estimator
    slope: float
    offset: float

    def log_odds(self, rows: NDArray[np.float32]) -> NDArray[np.float64]:
        return np.asarray(self.slope * self.estimator.decision_function(rows) + self.offset)


@dataclass(frozen=True)
class _Model:
    """Calibrated estimators and who has seen what."""

    name: str
    maker: FrameMaker
    members: tuple[_Member, ...]
    unseen: Mapping[str, int]
    """For each training session the estimator that was fitted without it."""
    sigma: float
    fingerprint: str


class LearnedDetector:
    """Log-odds of each frame, compared with a row of thresholds; no hysteresis.

    Parameters
    ----------
    model : _Model
        As fitted.
    position : ndarray of shape (n_lanes,), rising
        Thresholds, log-odds.
    """

    lag_s = WINDOW_S
    cost = Cost(
        3,
        "the pickup's amplifier, then a microcontroller with a 12-bit converter at 8 kHz or more, some 50 kB "
        "of memory and a program to write: per second 31 spectra of 1,024 points or more, and the model",
        "10 to 40 mA for a controller of that kind (common practice, no source)",
    )

    def __init__(self, model: _Model, position: NDArray[np.float64]) -> None:
        self.model = model
        self.name = model.name
        self.maker = model.maker
        self.position = np.asarray(position, dtype=np.float64)

    @property
    def fingerprint(self) -> str:
        """Name, what it was fitted on, thresholds."""
        return f"{self.model.fingerprint} {self.position.tobytes().hex()}"

    @cached_property
    def levels(self) -> Levels:
        """The axis: log-odds, no volts."""
        return Levels(self.position, LevelUnit.LOG_ODDS, None, None, self.model.sigma)

    def at_rest(self, source: Source) -> LearnedState:
        """Return the state in which a recording starts."""
        own = self.model.unseen.get(source.session)
        return LearnedState(
            frames=self.maker.at_rest(source),
            members=tuple(range(len(self.model.members))) if own is None else (own,),
            high=np.zeros(len(self.position), np.uint8),
            next_frame=0,
        )

    def advance(self, block: NDArray[np.float32], state: LearnedState) -> tuple[Crossings, LearnedState]:
        """Return the crossings of a block and the state after it."""
        rows, frames = self.maker.advance(block, state.frames)
        return self.compare(rows, replace(state, frames=frames))

    def level(self, rows: NDArray[np.float32], state: LearnedState) -> NDArray[np.float64]:
        """Return the log-odds of rows of features, by the estimators that have not seen the session."""
        return _level(self.model.members, state.members, rows)

    def compare(self, rows: NDArray[np.float32], state: LearnedState) -> tuple[Crossings, LearnedState]:
        """Return the crossings of rows of features and the state after them.

        Parameters
        ----------
        rows : ndarray of shape (n_frames, n_features)
            The recording's next frames.
        state : LearnedState

        Returns
        -------
        (Crossings, LearnedState)
            A crossing's sample is the last one of its frame: before it, nobody could know.
        """
        level = self.level(rows, state)
        crossings, high = crossings_of_level(
            level, self.position, self.position, high=state.high, first_sample=state.next_frame
        )
        hop = state.frames.grid.hop
        crossings = replace(crossings, sample=(crossings.sample + 1) * hop - 1)
        return crossings, replace(state, high=high, next_frame=state.next_frame + len(rows))


def fit_logistic(training: Training) -> Fitted:
    """Fit a logistic regression on all features."""
    return _fit("logistic", _logistic, training)


def fit_boosted_trees(training: Training) -> Fitted:
    """Fit gradient-boosted trees on all features."""
    return _fit("boosted-trees", _boosted_trees, training)


def fit_rhythm(training: Training) -> Fitted:
    """Fit a logistic regression of second order on the features that tell of rhythm."""
    return _fit("rhythm", _rhythm, training)


def _logistic() -> _Estimator:
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return make_pipeline(StandardScaler(), LogisticRegression(C=0.1, max_iter=500))


def _boosted_trees() -> _Estimator:
    from sklearn.ensemble import HistGradientBoostingClassifier

    return HistGradientBoostingClassifier(
        max_iter=50,
        learning_rate=0.15,
        max_leaf_nodes=15,
        min_samples_leaf=100,
        l2_regularization=1.0,
        early_stopping=False,
        random_state=0,
    )


def _rhythm() -> _Estimator:
    from sklearn.compose import ColumnTransformer
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures, StandardScaler

    names = [feature.name for feature in FEATURES]
    columns = [names.index(name) for name in _RHYTHM]
    return make_pipeline(
        ColumnTransformer([("rhythm", StandardScaler(), columns)]),
        PolynomialFeatures(2, include_bias=False),
        StandardScaler(),
        LogisticRegression(C=0.1, max_iter=500),
    )


@dataclass(frozen=True)
class _FittedModel:
    model: _Model

    def axis(self, *, extra: int = 0) -> LearnedDetector:
        return LearnedDetector(self.model, continued(np.linspace(-_REACH, _REACH, N_LANES), extra))

    def at(self, position: float) -> LearnedDetector:
        return LearnedDetector(self.model, np.array([position]))


def _fit(name: str, estimator: Callable[[], _Estimator], training: Training) -> Fitted:
    """Cross-fit and calibrate an estimator on the frames of some sessions, in one thread."""
    frames = training.frames()
    group = _groups(frames)
    if len(np.unique(group)) < 2:
        what = "makers" if frames.makers else "sessions"
        raise TooLittleData(
            f"{name} learns from the {what} that it is not scored on: at least 2 with a ring and "
            "something else in reviewed time are needed"
        )
    with _threads().limit(limits=1):
        members = _cross_fitted(estimator, frames, group[frames.session])
    return _FittedModel(
        _Model(
            name=name,
            maker=FrameMaker(training.board),
            members=members,
            unseen=MappingProxyType({s: int(g) for s, g in zip(frames.sessions, group)}),
            sigma=_sigma(members, frames),
            fingerprint=f"{name} {_digest(frames)}",
        )
    )


def _cross_fitted(
    estimator: Callable[[], _Estimator], frames: Frames, group: NDArray[np.int64]
) -> tuple[_Member, ...]:
    """Fit one estimator without each group of frames, and a sigmoid for each on all groups but its own."""
    from sklearn.linear_model import LogisticRegression

    target = (frames.kind == 0).astype(np.int64)
    bare, decided = [], np.zeros(len(target))
    for g in range(int(group.max()) + 1):
        own = group == g
        bare.append(estimator().fit(frames.features[~own], target[~own]))
        decided[own] = bare[-1].decision_function(frames.features[own])
    members = []
    for g, each in enumerate(bare):
        others = group != g
        # nearly no penalty: two numbers from thousands of frames
        sigmoid = LogisticRegression(C=1e6).fit(decided[others, None], target[others])
        # what is worse than a guess elsewhere is taken for a guess, not for its opposite
        slope = max(0.0, float(sigmoid.coef_[0, 0]))
        members.append(_Member(each, slope, float(sigmoid.intercept_[0])))
    return tuple(members)


def _groups(frames: Frames) -> NDArray[np.int64]:
    """Deal the sessions into groups with about as many target frames each, a maker's all into one.

    Sessions without a target or without anything else can be in no group of
    their own; they go where they weigh least.
    """
    # what is dealt: sessions, or makers where those are held out whole
    names, dealt = np.unique(frames.makers or np.arange(len(frames.sessions)), return_inverse=True)
    n = len(names)
    targets = np.bincount(dealt[frames.session[frames.kind == 0]], minlength=n)
    others = np.bincount(dealt[frames.session[frames.kind > 0]], minlength=n)
    n_groups = min(_GROUPS, int(np.count_nonzero((targets > 0) & (others > 0))))
    load = np.zeros((2, max(n_groups, 1)))
    group = np.zeros(n, np.int64)
    for s in np.lexsort((-others, -targets, (targets == 0) | (others == 0))):
        group[s] = int(np.lexsort((load[1], load[0]))[0])
        load[:, group[s]] += (targets[s], others[s])
    return group[dealt]


def _level(
    members: tuple[_Member, ...], chosen: tuple[int, ...], rows: NDArray[np.float32]
) -> NDArray[np.float64]:
    """Mean log-odds of the chosen estimators for each row."""
    if not len(rows):
        return np.empty(0)
    total = np.zeros(len(rows))
    # OpenMP's limit is this thread's own, so sweeps that run side by side do not disturb each other
    with _threads().limit(limits=1, user_api="openmp"):
        for k in chosen:
            total += members[k].log_odds(rows)
    return np.round(total / len(chosen), _DECIMALS)


def _sigma(members: tuple[_Member, ...], frames: Frames) -> float:
    """How far the estimators differ about the same frame: the median deviation where the axis reaches."""
    each = np.stack([_level(members, (k,), frames.features) for k in range(len(members))])
    reached = np.abs(each.mean(axis=0)) <= _REACH
    spread = each.std(axis=0, ddof=1)[reached]
    return max(_LEAST_SIGMA, float(np.median(spread))) if spread.size else _LEAST_SIGMA


def _digest(frames: Frames) -> str:
    digest = hashlib.sha256(repr((frames.sessions, frames.makers, frames.classes)).encode())
    for column in (frames.features, frames.kind, frames.session):
        digest.update(np.ascontiguousarray(column).tobytes())
    return digest.hexdigest()


@cache
def _threads() -> Any:
    """The thread pools of the libraries that fits and predictions run in."""
    import sklearn.ensemble  # noqa: F401 - its pools must be loaded to be found
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
