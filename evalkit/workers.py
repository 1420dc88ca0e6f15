"""Recordings shared out among processes of this machine, or among the workers of a cluster.

The unit is one recording: work on it touches no other, so neither who does it
nor the order in which they end can change a bit. Processes come from joblib, a
cluster from Dask; audio and cache are read and kept where they lie, in the
dataset's folder. Work that dies with its worker is done again.

joblib has a backend for Dask too. It is not used: what it sends along with the
work is kept by the workers only, and lost with those that have it.
"""

import hashlib
import logging
import math
import os
import sys
import threading
import time
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from evalkit.dataset import Recording
from evalkit.errors import EvalkitError, FileFault, WrongUse

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["Progress", "Threads", "Workers", "each_recording", "open_workers"]

Progress = Callable[[float, float], None]
"""Called with the audio seconds done and the seconds there are."""

Result = TypeVar("Result")
Work = Callable[[Recording, Callable[[float], None]], Result]
"""What is done with a recording; told whom to tell how many of its seconds are done."""
Ended = Generator[tuple[int, Result], None, None]
"""The place of each recording and its result, as they end."""

_MOST_DEATHS = 3
"""So many processes may die in a row, with no recording done in between."""
_CONNECT_S = 10.0
_LOOK_EVERY_S = 2.0
_PATIENCE_S = 60.0
"""For so long a cluster may be without any worker."""
_LIBRARIES = ("numpy", "numba", "llvmlite", "scipy", "scikit-learn", "librosa", "soundfile")
"""Beside evalkit itself, whose version decides over the last bit of a result."""


class Workers(Protocol):
    """Who works on recordings."""

    def each(self, work: Work[Result], recordings: Sequence[Recording]) -> Ended[Result]:
        """Yield the place of each recording and its result, as they end."""


def each_recording(
    work: Work[Result],
    recordings: Sequence[Recording],
    *,
    progress: Progress | None = None,
    workers: Workers | None = None,
) -> list[Result]:
    """Return the results for all recordings, in their order, whoever made them.

    Parameters
    ----------
    work : callable
        Given a recording, and whom to tell how far it is. For workers it must
        be such that it can be pickled.
    recordings : sequence of Recording
    progress : callable, optional
        Told as each recording ends; meanwhile too, if the work is done here.
    workers : Workers, optional
        Without them one recording is worked on after the other, here.
    """
    total, done = math.fsum(r.duration_s for r in recordings), 0.0

    def tell(seconds: float) -> None:
        if progress is not None:
            progress(done + seconds, total)

    found: dict[int, Result] = {}
    ended = _here(work, recordings, tell) if workers is None else workers.each(work, recordings)
    with closing(ended):
        for place, result in ended:
            found[place] = result
            done += recordings[place].duration_s
            tell(0.0)
    return [found[place] for place in range(len(recordings))]


@contextmanager
def open_workers(processes: int | None, scheduler: str | None) -> Iterator[Workers | None]:
    """Provide the workers that a command was told to use.

    Parameters
    ----------
    processes : int, optional
        How many processes of this machine; 1 is this one alone.
    scheduler : str, optional
        Address of a Dask scheduler.

    Yields
    ------
    Workers or None
        None: the work is done here.

    Raises
    ------
    WrongUse
        If both are given, Dask is not installed, or no scheduler answers there.
    """
    if scheduler is None:
        yield None if processes in (None, 1) else _Processes(processes)
        return
    if processes is not None:
        raise WrongUse("--workers are processes of this machine, --scheduler is a cluster: give one of them")
    client = _connect(scheduler)
    with _quiet("distributed", "distributed.client"):
        try:
            yield _Cluster(client, scheduler)
        finally:
            client.close(timeout=_CONNECT_S)


class Threads:
    """Threads of this process, for work that lets other threads run."""

    def each(self, work: Work[Result], recordings: Sequence[Recording]) -> Ended[Result]:
        """Yield the place of each recording and its result, as they end."""
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            begun = {pool.submit(work, r, _untold): place for place, r in _longest_first(recordings)}
            for future in as_completed(begun):
                yield begun[future], future.result()


class _Processes:
    """Processes of this machine, kept between calls; each works in one thread."""

    def __init__(self, processes: int) -> None:
        self._processes = processes
        # joblib keeps one pool, which a call that fails takes down with all that runs in it
        self._one_at_a_time = threading.Lock()
        # said of a process that joblib has grow old and replaces, which costs nothing
        warnings.filterwarnings("ignore", message="A worker stopped while some jobs were given")

    def each(self, work: Work[Result], recordings: Sequence[Recording]) -> Ended[Result]:
        from concurrent.futures.process import BrokenProcessPool

        from joblib import Parallel, delayed, parallel_config

        left, deaths = dict(_longest_first(recordings)), 0
        with self._one_at_a_time:
            while left:
                tasks = [delayed(_placed)(place, work, recording) for place, recording in left.items()]
                with parallel_config("loky", n_jobs=self._processes, inner_max_num_threads=1):
                    parallel = Parallel(batch_size=1, return_as="generator_unordered", max_nbytes=None)
                try:
                    for place, result in parallel(tasks):
                        del left[place]
                        deaths = 0
                        yield place, result
                except BrokenProcessPool:
                    deaths += 1
                    if deaths == _MOST_DEATHS:
                        raise EvalkitError(
                            f"a worker process was killed, {deaths} times in a row, before any of "
                            f"{_names(left.values())} was done; if memory is short, give fewer --workers"
                        ) from None


class _Cluster:
    """The workers of a Dask scheduler, which sees to it that lost work is done again."""

    def __init__(self, client: "Client", address: str) -> None:
        self._client = client
        self._address = address

    def each(self, work: Work[Result], recordings: Sequence[Recording]) -> Ended[Result]:
        from uuid import uuid4

        call = uuid4().hex
        waiting: dict[Future, int] = {}
        if self._client.status == "closed":
            raise self._lost()
        try:
            for place, recording in _longest_first(recordings):
                # everything that the task needs goes with it: what is scattered is lost with its worker
                future = self._client.submit(
                    _at_a_worker, work, recording, _software(), key=f"evalkit-{call}-{place}", pure=False
                )
                waiting[future] = place
            while waiting:
                for future in self._ended(waiting):
                    result = self._result(future, recordings[waiting[future]])
                    yield waiting.pop(future), result
        finally:
            if waiting and self._client.status == "running":
                self._client.cancel(list(waiting))

    def _ended(self, waiting: "dict[Future, int]") -> "list[Future]":
        """Wait for some to end, for as long as somebody works on them."""
        from distributed import CancelledError, wait

        alone_since = time.monotonic()
        while True:
            try:
                with self._client.as_current():
                    return list(wait(list(waiting), _LOOK_EVERY_S, "FIRST_COMPLETED").done)
            except TimeoutError:
                if self._has_workers():
                    alone_since = time.monotonic()
                elif time.monotonic() - alone_since > _PATIENCE_S:
                    raise EvalkitError(
                        f"--scheduler {self._address}: for {_PATIENCE_S:.0f} s there was no worker, or no "
                        f"answer; start workers (dask worker {self._address}) where evalkit is installed, "
                        "and run this again"
                    ) from None
            except CancelledError:
                raise self._lost() from None

    def _has_workers(self) -> bool:
        ask = self._client.scheduler.identity
        try:
            return bool(self._client.sync(ask, callback_timeout=_CONNECT_S)["workers"])
        except (OSError, TimeoutError):
            return False

    def _lost(self) -> EvalkitError:
        return EvalkitError(
            f"--scheduler {self._address}: the scheduler was lost; start it and its workers and run this "
            "again (recordings that are done are not gone through again)"
        )

    def _result(self, future: "Future", recording: Recording) -> Any:
        from distributed import CancelledError, KilledWorker

        try:
            return future.result()
        except CancelledError:
            raise self._lost() from None
        except KilledWorker:
            raise EvalkitError(
                f"--scheduler {self._address}: one worker after the other died at {recording.name}; is there "
                "memory enough for it? their logs say more"
            ) from None


def _connect(address: str) -> "Client":
    try:
        from distributed import Client
        from distributed.comm import resolve_address
    except ImportError:
        raise WrongUse(
            "--scheduler needs Dask, which is not installed: pip install '.[cluster]' in evalkit's folder, "
            "or pip install 'dask[distributed]'"
        ) from None
    try:
        # a client of what is no address would not let itself be closed
        resolve_address(address)
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise WrongUse(
            f"--scheduler {address}: no Dask scheduler answers there, as one would at tcp://192.168.0.2:8786 "
            f"({' '.join(str(error).split())})"
        ) from None
    try:
        client.run_on_scheduler(_software)
    except (ImportError, AttributeError) as error:
        client.close(timeout=_CONNECT_S)
        raise WrongUse(
            f"--scheduler {address}: the scheduler cannot load evalkit as it is here ({error}); start it "
            "and its workers where the same evalkit is installed"
        ) from None
    return client


@contextmanager
def _quiet(*loggers: str) -> Iterator[None]:
    """Keep a library from telling what is told here, or what mends itself."""
    found = [logging.getLogger(name) for name in loggers]
    levels = [logger.level for logger in found]
    try:
        for logger in found:
            logger.setLevel(logging.CRITICAL)
        yield
    finally:
        for logger, level in zip(found, levels, strict=True):
            logger.setLevel(level)


def _here(
    work: Work[Result], recordings: Sequence[Recording], tell: Callable[[float], None]
) -> Ended[Result]:
    for place, recording in enumerate(recordings):
        yield place, work(recording, tell)


def _placed(place: int, work: Work[Result], recording: Recording) -> tuple[int, Result]:
    return place, work(recording, _untold)


def _at_a_worker(work: Work[Result], recording: Recording, software: tuple[str, ...]) -> Result:
    """Do the work on another machine, if it is the same there: same files, same software."""
    from distributed import get_worker

    where = get_worker().address
    for here, there in zip(software, _software(), strict=True):
        if here != there:
            raise WrongUse(
                f"worker {where} has {there} and this machine has {here}, so results would not be the same "
                "bit for bit; install the same there"
            )
    if not recording.path.is_file():
        raise FileFault(
            f"worker {where} does not see {recording.path}: every worker must have the dataset's folder, "
            "shared, at this same path"
        )
    return work(recording, _untold)


def _untold(seconds: float) -> None:
    """Whom work tells how far it is that is done where nobody hears it."""


def _longest_first(recordings: Sequence[Recording]) -> list[tuple[int, Recording]]:
    """Recordings with their places, the longest first, so that none is left to one worker at the end.

    Another process may be in another folder, so they are named in full.
    """
    placed = sorted(enumerate(recordings), key=lambda each: -each[1].duration_s)
    return [(place, replace(recording, path=recording.path.absolute())) for place, recording in placed]


def _names(recordings: Iterable[Recording]) -> str:
    names = sorted(recording.name for recording in recordings)
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


@cache
def _software() -> tuple[str, ...]:
    """Everything that may change a bit of a result, one line each."""
    from importlib.metadata import version

    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.rglob("*.py")):
        digest.update(source.read_bytes())
    python = ".".join(str(part) for part in sys.version_info[:2])
    libraries = (f"{name} {version(name)}" for name in _LIBRARIES)
    return (f"Python {python}", *libraries, f"evalkit's source {digest.hexdigest()[:12]}")
