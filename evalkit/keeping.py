"""Labels that are being edited, kept on disk from one moment to the next.

A change goes into the journal before the caller goes on, so it survives the
death of the program, and a thread of its own writes it to the label table and
the descriptor within a second. What another program wrote there meanwhile is
noticed first: it is merged, or the caller is asked; it is never overwritten.
"""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from evalkit.dataset import Recording, read_recording
from evalkit.descriptor import (
    DESCRIPTOR_NAME,
    Descriptor,
    RecordingEntry,
    read_descriptor,
    write_descriptor,
)
from evalkit.durable import TEMPORARY_PREFIX, dataset_lock, make_folder, move_file, write_bytes
from evalkit.edits import Change, History, Labels
from evalkit.errors import Busy, EvalkitError, FileFault
from evalkit.journal import Journal, Mark, Saved
from evalkit.merging import Merge, Side, merge_labels
from evalkit.segments import format_segments, parse_segments, read_segments

__all__ = ["Access", "LabelKeeper", "editing"]

# A change is given this long to be followed by others before it is written ...
_GATHER_S = 0.15
# ... and without changes the files are looked at so often for another program's.
_LOOK_S = 0.7
_OUTSIDE = "another program's change"


@dataclass(frozen=True)
class Access:
    """What may be done with a dataset's labels."""

    folder: Path
    refusal: str | None
    """Why nothing may be written: who has the dataset, or what is wrong with its folder."""


@contextmanager
def editing(folder: Path) -> Iterator[Access]:
    """Hold the right to change a dataset's labels, or else the right to look at them."""
    lock = dataset_lock(folder)
    try:
        lock.__enter__()
    except (Busy, FileFault) as error:
        yield Access(folder, str(error))
        return
    try:
        yield Access(folder, None)
    finally:
        lock.__exit__(None, None, None)


class LabelKeeper:
    """The labels of one recording while they are edited.

    Every method may be called from any thread. Close it in the end.

    Parameters
    ----------
    access : Access
        Of the dataset; its lock must be held as long as the keeper is open.
    name : str
        The recording.

    Raises
    ------
    WrongUse
        If there is no such recording.
    FileFault
        If its files are wrong or cannot be written.
    """

    def __init__(self, access: Access, name: str) -> None:
        self._folder = access.folder
        self._signature = self._sign(name)
        self.recording: Recording = read_recording(self._folder, read_descriptor(self._folder).entry(name))
        """As it was when the keeper was opened; only its labels change."""
        self.refusal = access.refusal
        """Why nothing can be changed; None if it can."""
        disk = Labels(self.recording.duration_s, self.recording.segments, self.recording.reviewed)
        # What the files hold, as far as our labels know of it: the base of the next merge.
        self._disk = disk
        self._theirs = disk
        self._history = History(disk)
        self._steps = 0
        self._merge: Merge | None = None
        self._trouble: str | None = None
        self._news: list[str] = []
        self._state = threading.RLock()
        self._files = threading.Lock()
        self._wake = threading.Event()
        self._closing = False
        self._journal: Journal | None = None
        if self.refusal is None:
            self._resume(disk)
        self._thread = threading.Thread(target=self._keep, name=f"labels of {name}", daemon=True)
        self._thread.start()

    @property
    def labels(self) -> Labels:
        """The labels as they are now."""
        return self._history.labels

    @property
    def history(self) -> History:
        """The labels with the changes that led to them."""
        return self._history

    @property
    def question(self) -> Merge | None:
        """What the caller must settle before anything is written again."""
        return self._merge

    @property
    def trouble(self) -> str | None:
        """Why the labels cannot be written at present."""
        return self._trouble

    @property
    def saved(self) -> bool:
        """Whether the label table and the descriptor hold the labels as they are now."""
        return _same(self._disk, self._history.labels)

    def news(self) -> tuple[str, ...]:
        """Return what has happened since the last call that a person should be told."""
        with self._state:
            told, self._news = tuple(self._news), []
        return told

    def do(self, what: str, labels: Labels) -> None:
        """Change the labels; the change is in the journal when this returns.

        Raises
        ------
        FileFault
            If the journal cannot be written, or the dataset is open for
            looking only; the labels are then as they were.
        """
        with self._state:
            self._go(self._history.do(what, labels))

    def undo(self) -> str | None:
        """Take the last change back and return what it was; None if there is none."""
        with self._state:
            if not self._history.position:
                return None
            what = self._history.changes[self._history.position - 1].what
            self._go(self._history.undo(), Mark.UNDO)
            return what

    def redo(self) -> str | None:
        """Make the change that was taken back last and return what it is; None if there is none."""
        with self._state:
            if self._history.position == len(self._history.changes):
                return None
            what = self._history.changes[self._history.position].what
            self._go(self._history.redo(), Mark.REDO)
            return what

    def settle(self, side: Side) -> None:
        """Answer the question; another program's table is kept in ``.evalkit/replaced`` if it loses."""
        with self._files, self._state:
            if self._merge is None:
                return
            if side is Side.OURS:
                self._set_aside()
            # Made anew: the caller may have gone on editing since the question came up.
            settled = merge_labels(self._disk, self._history.labels, self._theirs).settled(side)
            self._disk, self._merge = self._theirs, None
            self._go(self._history.do(_OUTSIDE, settled))
        self._wake.set()

    def save(self) -> None:
        """Write what is not written yet, and take in what another program wrote."""
        with self._files:
            try:
                self._take_in()
                if self._journal is not None and self._merge is None:
                    self._write()
                self._trouble = None
            except (EvalkitError, OSError) as error:
                self._trouble = str(error)

    def close(self) -> None:
        """Write what is not written yet and stop."""
        self._closing = True
        self._wake.set()
        self._thread.join()
        self.save()
        if self._journal is not None:
            self._journal.close()
            self._journal = None
            self.refusal = "closed"

    def _resume(self, disk: Labels) -> None:
        """Take up the journal; what it holds beyond the table is merged with what the table says."""
        name = self.recording.name
        self._journal = Journal(
            self._folder / ".evalkit" / "journal" / f"{name}.jsonl",
            audio_sha256=self.recording.audio_sha256,
            start=disk,
        )
        if self._journal.set_aside is not None:
            self._news.append(
                f"the journal could not be used and is kept as {self._journal.set_aside.name}; "
                "undo starts afresh"
            )
        history = History(self._journal.start)
        reached = [history.labels]
        saved = 0
        for entry in self._journal.entries:
            if isinstance(entry, Saved):
                saved = entry.steps
                continue
            if isinstance(entry, Change):
                history = history.record(entry)
            else:
                history = history.undo() if entry is Mark.UNDO else history.redo()
            reached.append(history.labels)
        self._history = history
        self._steps = len(reached) - 1
        # The program may have died between the write of a table and the line that says so:
        # whatever was reached since the last such line may be what lies on the disk.
        base, reached = reached[saved], reached[saved:]
        theirs = disk
        if any(labels.segments == disk.segments for labels in reached):
            theirs = replace(theirs, segments=base.segments)
        if any(labels.reviewed == disk.reviewed for labels in reached):
            theirs = replace(theirs, reviewed=base.reviewed)
        if not _same(history.labels, disk):
            self._disk = base
            self._meet(theirs)
            if self._merge is None:
                self._disk = disk
        self._wake.set()

    def _go(self, history: History, mark: Mark | None = None) -> None:
        """Go on to another point of the history once the journal has it."""
        if self.refusal is not None or self._journal is None:
            raise FileFault(f"nothing can be changed: {self.refusal}")
        if history is self._history:
            return
        self._journal.append(mark if mark is not None else history.changes[-1])
        self._history = history
        self._steps += 1
        self._wake.set()

    def _keep(self) -> None:
        """Write soon after a change, look for others' now and then; runs in its own thread."""
        while not self._closing:
            if self._wake.wait(_LOOK_S) and not self._closing:
                time.sleep(_GATHER_S)
            self._wake.clear()
            if not self._closing:
                self.save()

    def _take_in(self) -> None:
        """Take in the table and the reviewed spans if they are no longer what was written last."""
        signature = self._sign(self.recording.name)
        if signature == self._signature:
            return
        entry = read_descriptor(self._folder).entry(self.recording.name)
        with self._state:
            if not signature[0]:
                # A table that is gone holds nothing that could be overwritten: ours is written again.
                self._disk = replace(self._disk, segments=())
                self._signature = signature
                return
            segments = read_segments(
                self._folder / entry.labels_path,
                n_frames=entry.n_frames,
                sample_rate_hz=entry.sample_rate_hz,
            )
            self._signature = signature
            theirs = replace(self._disk, segments=segments, reviewed=entry.reviewed)
            if _same(theirs, self._disk):
                self._merge = None
            elif self._merge is None or not _same(theirs, self._theirs):
                self._meet(theirs)

    def _meet(self, theirs: Labels) -> None:
        """Put our labels and another program's together, both made of what is known to be on disk."""
        self._theirs, self._merge = theirs, None
        ours = self._history.labels
        if self._journal is None:
            self._disk, self._history = theirs, History(theirs)
            self._news.append("the labels were changed by another program; shown as they are now")
            return
        merge = merge_labels(self._disk, ours, theirs)
        if not merge.agrees:
            self._merge = merge
            self._news.append("another program changed the same segments; say whose word holds")
            return
        self._disk = theirs
        change = Change.between(_OUTSIDE, ours, merge.labels)
        if not change.is_empty:
            self._go(self._history.record(change))
            self._news.append(
                f"another program changed the labels: {len(change.added)} added, "
                f"{len(change.removed)} removed; merged"
            )

    def _write(self) -> None:
        """Write table and descriptor if they do not hold the labels as they are now."""
        assert self._journal is not None
        with self._state:
            labels, steps = self._history.labels, self._steps
        if _same(labels, self._disk):
            return
        self._journal.flush()
        descriptor = read_descriptor(self._folder)
        entry = descriptor.entry(self.recording.name)
        table = self._signature[0]
        if labels.segments != self._disk.segments:
            table = self._write_table(entry, labels)
        self._write_entry(descriptor, entry, labels)
        self._disk = labels
        # Whoever wrote the descriptor last is found out at the next look.
        self._signature = (table, ())
        with self._state:
            self._journal.append(Saved(steps))

    def _write_table(self, entry: RecordingEntry, labels: Labels) -> tuple[int, ...]:
        """Write the label table and return its signature."""
        path = self._folder / entry.labels_path
        text = format_segments(labels.segments)
        # What is written is what a reader will find, or nothing is.
        parse_segments(text, path=path, duration_s=labels.duration_s, slack_s=0.5 / entry.sample_rate_hz)
        ready = path.with_name(f"{TEMPORARY_PREFIX}{entry.name}.csv")
        write_bytes(ready, text.encode("utf-8"))
        # The last look before the rename: between the two no program has time to save.
        if self._sign(entry.name)[0] != self._signature[0]:
            raise FileFault(f"{path}: was changed by another program this moment; looking again")
        signature = _signature(ready)
        move_file(ready, path)
        return signature

    def _write_entry(self, descriptor: Descriptor, entry: RecordingEntry, labels: Labels) -> None:
        with_phones = any(segment.phone for segment in labels.segments)
        told = replace(entry, reviewed=labels.reviewed, labels_name_phones=with_phones)
        if told != entry:
            write_descriptor(self._folder, descriptor.with_entry(told))

    def _set_aside(self) -> None:
        """Keep the table as another program wrote it."""
        place = self._folder / ".evalkit" / "replaced"
        make_folder(place)
        number = 1
        while (path := place / f"{self.recording.name}-{number}.csv").exists():
            number += 1
        write_bytes(path, format_segments(self._theirs.segments).encode("utf-8"))
        self._news.append(f"the other program's table is kept in {path}")

    def _sign(self, name: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Return what tells that the label table or the descriptor was written."""
        return _signature(self._folder / "labels" / f"{name}.csv"), _signature(self._folder / DESCRIPTOR_NAME)


def _same(a: Labels, b: Labels) -> bool:
    """Whether two states are the same on disk, where dismissed proposals are not written."""
    return a.segments == b.segments and a.reviewed == b.reviewed


def _signature(path: Path) -> tuple[int, ...]:
    try:
        status = path.stat()
    except OSError:
        return ()
    return status.st_ino, status.st_size, status.st_mtime_ns
