"""What a person should look at in a dataset: every fault of it, each with its place."""

import difflib
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from evalkit.board_faults import board_faults
from evalkit.board_file import read_board
from evalkit.dataset import read_labels
from evalkit.day import BACKGROUND, Day, read_day
from evalkit.descriptor import Descriptor, RecordingEntry, read_descriptor
from evalkit.durable import TEMPORARY_PREFIX
from evalkit.errors import FileFault
from evalkit.faults import find_faults
from evalkit.licences import combine
from evalkit.names import name_key
from evalkit.recordings import Share, audio_sha256, file_sha256
from evalkit.segments import STANDARD_ROLES, Role, Segment

__all__ = ["Finding", "check_dataset", "label_findings"]

_PASSES = 2


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, or that a person may not have meant."""

    kind: str
    place: str
    """A recording, or a file of the dataset."""
    message: str
    start_s: float | None = None
    """Seconds from the recording's start, where the finding has a place in time."""
    end_s: float | None = None
    usable: bool = True
    """Whether the dataset can be read and scored all the same."""


def check_dataset(
    folder: Path,
    *,
    names: Collection[str] | None = None,
    progress: Callable[[float, float], None] = lambda done, total: None,
) -> tuple[Finding, ...]:
    """Return everything in a dataset that a person should look at.

    Parameters
    ----------
    folder : Path
        The dataset.
    names : collection of str, optional
        Only these recordings are examined; by default all, and what lies
        beside them.
    progress : callable
        Told how many bytes are done, of how many; each file is gone through twice.

    Raises
    ------
    FileFault
        If `folder` is no dataset, or its `datapackage.json` is wrong.
    """
    descriptor = read_descriptor(folder)
    chosen = [entry for entry in descriptor.entries if names is None or entry.name in names]
    found: list[Finding] = []
    day = Day()
    try:
        day = read_day(folder / "day.toml")
    except FileFault as fault:
        found += _unusable("day", "day.toml", fault)
    segments: list[Segment] = []
    pauses_s: list[float] = []
    done, total = 0.0, float(_PASSES * sum(entry.n_bytes for entry in chosen))
    for entry in chosen:

        def share(part: float, n_bytes: int = entry.n_bytes) -> None:
            nonlocal done
            done += part * n_bytes
            progress(done, total)

        found += _audio_findings(folder, entry, share)
        try:
            read = read_labels(folder, entry)
        except FileFault as fault:
            found += _unusable("labels", entry.name, fault)
        else:
            segments += read
            pauses_s += _pauses_s(read, day)
            found += _table_findings(entry, read)
    found += _board_findings(folder, pauses_s)
    found += _session_findings(descriptor.entries, {entry.session for entry in chosen})
    found += _spelling_findings("session", (entry.session for entry in descriptor.entries))
    found += _spelling_findings("phone", (entry.phone for entry in descriptor.entries if entry.phone))
    found += _label_findings(segments, day)
    if names is None:
        found += _double_findings(descriptor.entries)
        found += _licence_findings(descriptor)
        found += _stray_findings(folder, descriptor.entries)
        found += _day_findings(segments, day) if segments else []
    return tuple(found)


def label_findings(folder: Path, segments: Iterable[Segment]) -> tuple[Finding, ...]:
    """Return, once for each label of the user's own, what it counts as, unless day.toml gives it a role."""
    try:
        day = read_day(folder / "day.toml")
    except FileFault:
        # That the day is wrong is told by whatever needs it.
        day = Day()
    return tuple(_label_findings(segments, day))


def _unusable(kind: str, place: str, fault: FileFault) -> list[Finding]:
    return [Finding(kind, place, line, usable=False) for line in fault.details or (str(fault),)]


def _board_findings(folder: Path, pauses_s: Sequence[float]) -> list[Finding]:
    try:
        board = read_board(folder / "board.toml")
    except FileFault as fault:
        return _unusable("board", "board.toml", fault)
    return [
        Finding("board", f"board.toml {fault.place}", fault.message)
        for fault in board_faults(board, pauses_s)
    ]


def _pauses_s(segments: Iterable[Segment], day: Day) -> list[float]:
    """Return the times from each call of a recording to the next."""
    rings = sorted(s for s in segments if day.role(s.label) is Role.TARGET)
    reached = [max(s.end_s for s in rings[: k + 1]) for k in range(len(rings))]
    gaps = [after.start_s - end_s for end_s, after in zip(reached, rings[1:])]
    return [gap for gap in gaps if gap > day.call_gap_s]


def _audio_findings(folder: Path, entry: RecordingEntry, share: Share) -> list[Finding]:
    path = folder / entry.audio_path
    found: list[Finding] = []
    try:
        if file_sha256(path, share=share) != entry.file_sha256:
            if audio_sha256(path, channel=entry.channel) != entry.audio_sha256:
                text = f"{entry.audio_path} holds other audio than was imported; bring the original back"
                return [Finding("changed", entry.name, text, usable=False)]
            text = f"{entry.audio_path} was changed since it was imported, but its audio is the same"
            found.append(Finding("changed", entry.name, text))
        for fault in find_faults(path, channel=entry.channel, share=share):
            found.append(Finding(fault.kind, entry.name, fault.message, fault.start_s, fault.end_s))
    except FileFault as fault:
        kind = "audio" if path.exists() else "missing"
        found += _unusable(kind, entry.name, fault)
    return found


def _table_findings(entry: RecordingEntry, segments: Sequence[Segment]) -> list[Finding]:
    found: list[Finding] = []
    if segments and not entry.reviewed:
        text = f"has {len(segments)} segments but no reviewed time, so none of it is scored"
        found.append(Finding("not-reviewed", entry.name, text))
    if any(segment.phone for segment in segments) != entry.labels_name_phones:
        text = (
            f"datapackage.json tells other columns than {entry.labels_path} has; the next change mends that"
        )
        found.append(Finding("description", entry.name, text))
    return found


def _session_findings(entries: Iterable[RecordingEntry], sessions: Collection[str]) -> list[Finding]:
    members: dict[str, list[RecordingEntry]] = defaultdict(list)
    for entry in entries:
        members[entry.session].append(entry)
    found = []
    for session in sorted(sessions):
        calibrations = {(entry.full_scale_v, entry.input_ohms) for entry in members[session]}
        if len(calibrations) > 1:
            names = ", ".join(sorted(entry.name for entry in members[session]))
            text = (
                f"recordings of different full scale or input resistance ({names}), though a session is one "
                "box, place and gain"
            )
            found.append(Finding("calibration", f"session {session}", text))
        makers = {entry.maker for entry in members[session]}
        if len(makers) > 1:
            who = " and ".join(sorted(maker or "your own" for maker in makers))
            text = (
                f"holds recordings of several makers ({who}), which count as one sitting; rename one of them"
            )
            found.append(Finding("session", f"session {session}", text))
    return found


def _licence_findings(descriptor: Descriptor) -> list[Finding]:
    """Tell apart the licences of what came from others, and what all of it may be shared under."""
    groups: dict[tuple[str, str | None], int] = Counter(
        ("your own", descriptor.spdx) if entry.origin is None else (entry.origin.maker, entry.origin.spdx)
        for entry in descriptor.entries
    )
    if all(entry.origin is None for entry in descriptor.entries):
        return []
    found = [
        Finding("licence", who, f"{count} recordings under {spdx or 'no licence: ask before sharing them'}")
        for (who, spdx), count in sorted(groups.items(), key=lambda item: (item[0][0], item[0][1] or ""))
    ]
    together = combine(spdx for _, spdx in groups)
    return [*found, Finding("licence", "all together", together.reason)]


def _spelling_findings(what: str, names: Iterable[str]) -> list[Finding]:
    spellings: dict[str, set[str]] = defaultdict(set)
    for name in names:
        spellings[name_key(name)].add(name)
    return [
        Finding("spelling", what, f"{' and '.join(map(repr, sorted(same)))} count as different {what}s")
        for same in spellings.values()
        if len(same) > 1
    ]


def _label_findings(segments: Iterable[Segment], day: Day) -> list[Finding]:
    counts = Counter(segment.label for segment in segments)
    found = []
    for label, count in sorted(counts.items()):
        if label in STANDARD_ROLES or label == BACKGROUND:
            continue
        near = _nearest(label, STANDARD_ROLES)
        role = day.role(label)
        if near is not None and near.casefold() == label.casefold():
            text = f"differs from the standard label {near!r} in the case of its letters only"
        elif label in day.roles:
            continue
        else:
            text = "is your own and has no role in day.toml" + (f"; was {near!r} meant?" if near else "")
        found.append(Finding("label", "labels", f"{label!r} ({count} segments) {text}; it counts as {role}"))
    return found


def _day_findings(segments: Iterable[Segment], day: Day) -> list[Finding]:
    """Compare the classes of the day with those of the labels."""
    labels = {segment.label for segment in segments}
    brought = {exposure.label for exposure in day.exposures}
    found = []
    for label in sorted(labels):
        if day.role(label) is Role.NUISANCE and label not in brought:
            text = f"has no exposure for {label!r}: its false alarms do not count in the day's figure"
            found.append(Finding("exposure", "day.toml", text))
    for exposure in day.exposures:
        amount = exposure.events_per_day or exposure.hours_per_day
        if exposure.label != BACKGROUND and amount and exposure.label not in labels:
            near = _nearest(exposure.label, labels)
            hint = f"was {near!r} meant?" if near else "record some of it, or set it to 0 if it never happens"
            text = f"brings {exposure.label!r}, which no segment has, so the day's figure is unknown; {hint}"
            found.append(Finding("exposure", "day.toml", text))
    for label in sorted(set(day.roles) - labels):
        found.append(Finding("role", "day.toml", f"gives a role to {label!r}, which no segment has"))
    return found


def _double_findings(entries: Iterable[RecordingEntry]) -> list[Finding]:
    first: dict[str, str] = {}
    found = []
    for entry in entries:
        if entry.audio_sha256 in first:
            text = f"the same audio as {first[entry.audio_sha256]}: what is in it counts twice"
            found.append(Finding("double", entry.name, text))
        first.setdefault(entry.audio_sha256, entry.name)
    return found


def _stray_findings(folder: Path, entries: Iterable[RecordingEntry]) -> list[Finding]:
    """Return the files in the dataset's folders that it does not list."""
    listed = {path for entry in entries for path in (entry.audio_path, entry.labels_path)}
    found = []
    for place in ("recordings", "labels"):
        try:
            names = sorted(path.name for path in (folder / place).iterdir())
        except OSError as error:
            found.append(Finding("missing", place, f"cannot be read: {error.strerror or error}"))
            continue
        for name in names:
            if f"{place}/{name}" not in listed and not name.startswith(TEMPORARY_PREFIX):
                text = "is not part of the dataset: import it, or move it away"
                found.append(Finding("stray", f"{place}/{name}", text))
    return found


def _nearest(label: str, known: Iterable[str]) -> str | None:
    """Return the known label that a person may have meant."""
    folded = {each.casefold(): each for each in known}
    near = difflib.get_close_matches(label.casefold(), folded, n=1, cutoff=0.75)
    return folded[near[0]] if near else None
