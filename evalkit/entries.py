"""What a dataset's descriptor says, as values: the dataset and each of its recordings."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath
from typing import Any, Protocol, TypeVar

from evalkit.errors import WrongUse
from evalkit.origin import Cut, Origin
from evalkit.spans import Span

__all__ = ["LABELS_FOLDER", "RECORDINGS_FOLDER", "Descriptor", "RecordingEntry", "pick_named"]

RECORDINGS_FOLDER = "recordings"
"""Where the audio files are in a dataset."""
LABELS_FOLDER = "labels"
"""Where the label tables are."""


class _HasName(Protocol):
    @property
    def name(self) -> str: ...


_Named = TypeVar("_Named", bound=_HasName)


@dataclass(frozen=True)
class RecordingEntry:
    """One recording as the descriptor tells of it."""

    file_name: str
    """Name of the audio file in ``recordings/``; its stem names the recording."""
    session: str
    phone: str
    """Empty if unknown."""
    channel: int
    """Counts from 1."""
    sample_rate_hz: int
    n_frames: int
    full_scale_v: float | None
    input_ohms: float | None
    reviewed: tuple[Span, ...]
    audio_sha256: str
    file_sha256: str
    n_bytes: int
    labels_name_phones: bool = False
    """Whether the label table has the column ``phone``."""
    origin: Origin | None = None
    """The pack that brought it; None: it is the dataset's own."""
    cut_from: Cut | None = None
    """The longer audio that it was cut from, as its pack tells."""
    audio_extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the recording's resource that evalkit does not know."""
    labels_extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the label table's resource that evalkit does not know."""

    @property
    def name(self) -> str:
        """Name of the recording."""
        return PurePosixPath(self.file_name).stem

    @property
    def maker(self) -> str | None:
        """Who made it; None: whoever the dataset belongs to."""
        return None if self.origin is None else self.origin.maker

    @property
    def audio_path(self) -> str:
        """Where the audio is, from the dataset's folder."""
        return f"{RECORDINGS_FOLDER}/{self.file_name}"

    @property
    def labels_path(self) -> str:
        """Where the label table is, from the dataset's folder."""
        return f"{LABELS_FOLDER}/{self.name}.csv"


@dataclass(frozen=True)
class Descriptor:
    """What `datapackage.json` says."""

    name: str
    """Name of the package: lower-case letters, digits, point, hyphen, underscore."""
    title: str
    spdx: str | None
    """SPDX identifier of the licence."""
    entries: tuple[RecordingEntry, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    """Properties of the package that evalkit does not know."""
    other_resources: tuple[Mapping[str, Any], ...] = field(default=(), compare=False)
    """Resources that are neither recordings nor label tables, `board.toml` and `day.toml` among them."""

    def entry(self, name: str) -> RecordingEntry:
        """Return the recording of that name; WrongUse if there is none."""
        return pick_named(self.entries, name)

    def with_entry(self, entry: RecordingEntry) -> "Descriptor":
        """Return the same with one recording told anew."""
        entries = tuple(entry if each.name == entry.name else each for each in self.entries)
        return replace(self, entries=entries)


def pick_named(candidates: Sequence[_Named], name: str) -> _Named:
    """Return the recording of that name.

    Raises
    ------
    WrongUse
        If there is none, with the name that may have been meant.
    """
    names = [candidate.name for candidate in candidates]
    if name in names:
        return candidates[names.index(name)]
    if not names:
        raise WrongUse(f"no recording {name!r}: the dataset has none yet")
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"the dataset's {len(names)} have other names"
    raise WrongUse(f"no recording {name!r}; {hint}")
