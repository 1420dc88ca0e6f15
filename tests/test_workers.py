"""Whoever works on the recordings, in whatever order and pieces: the same bits."""

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from shutil import rmtree
from typing import Any

import numpy as np
import pytest

import evalkit.cache
import evalkit.recordings
import evalkit.workers
from evalkit.cache import CrossingCache
from evalkit.cli import main
from evalkit.dataset import Dataset, Recording, create_dataset, import_recordings, read_dataset
from evalkit.errors import EvalkitError, FileFault, WrongUse
from evalkit.recommendation import recommend
from evalkit.scoring import Sweep
from evalkit.settings import settings_document
from evalkit.spans import ALL_TIME
from evalkit.training import DetectorName
from evalkit.workers import Threads, Workers, each_recording, open_workers

from .workshops import make_workshop

DETECTORS = [DetectorName.CIRCUIT, DetectorName.LOGISTIC]
Bits = dict[str, bytes | str]


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    """Four sessions of some minutes, invented."""
    return make_workshop(tmp_path_factory.mktemp("workers") / "bench", sessions=4, calls=2, seed=8)


@pytest.fixture(scope="module")
def expected(workshop: Dataset) -> dict[DetectorName, Bits]:
    """What comes out with nothing kept, in one process, block by block as ever."""
    return {name: bits_of(workshop, name) for name in DETECTORS}


def bits_of(dataset: Dataset, name: DetectorName, workers: Workers | None = None) -> Bits:
    """Return every array of the sweep and the settings document, by name."""
    found = recommend(dataset, name, cache=CrossingCache(dataset.folder), workers=workers)
    document = settings_document(found, dataset)
    assert found.held_out is not None
    return {**bits_of_sweep(found.sweep), "settings": json.dumps(document)}


def bits_of_sweep(sweep: Sweep) -> Bits:
    found: Bits = {
        "delays": sweep.delay_s.tobytes(),
        "levels": sweep.levels.position.tobytes(),
        "order": repr([tally.recording for tally in sweep.tallies]),
    }
    for tally in sweep.tallies:
        for field in fields(tally):
            value = getattr(tally, field.name)
            whole = (
                (str(value.dtype).encode() + value.tobytes())
                if isinstance(value, np.ndarray)
                else repr(value)
            )
            found[f"{tally.recording}: {field.name}"] = whole
    return found


def forget(dataset: Dataset) -> None:
    """Empty the cache, so that audio is gone through again."""
    rmtree(dataset.folder / ".evalkit" / "crossings")


def imported_backwards(dataset: Dataset, folder: Path) -> Dataset:
    """The same recordings in another dataset, imported in the other order."""
    create_dataset(folder, spdx="CC0-1.0")
    (folder / "day.toml").write_bytes((dataset.folder / "day.toml").read_bytes())
    for recording in sorted(dataset.recordings, key=lambda r: r.session, reverse=True):
        import_recordings(
            folder,
            [recording.path],
            session=recording.session,
            full_scale_v=recording.full_scale_v,
            input_ohms=recording.input_ohms,
            labels=dataset.folder / "labels" / f"{recording.name}.csv",
            reviewed=ALL_TIME,
        )
    return read_dataset(folder)


class TestSameBits:
    """The whole sweep and the settings document, whatever the way there."""

    def test_the_check_itself_sees_one_bit(self, workshop: Dataset) -> None:
        swept = recommend(workshop, DetectorName.CIRCUIT, cache=CrossingCache(workshop.folder)).sweep
        last, changed = swept.tallies[-1], 0
        for field in fields(last):
            value = getattr(last, field.name)
            if not isinstance(value, np.ndarray):
                continue
            other = bytearray(value.tobytes())
            other[-1] ^= 1
            array = np.frombuffer(bytes(other), value.dtype).reshape(value.shape)
            tallies = (*swept.tallies[:-1], replace(last, **{field.name: array}))
            assert bits_of_sweep(replace(swept, tallies=tallies)) != bits_of_sweep(swept)
            changed += 1
        assert changed == 6

    @pytest.mark.parametrize("name", DETECTORS)
    @pytest.mark.parametrize("block_frames", [1_000, 65_537])
    def test_block_size(
        self,
        workshop: Dataset,
        expected: dict[DetectorName, Bits],
        name: DetectorName,
        block_frames: int,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        read = partial(evalkit.recordings.read_blocks, block_frames=block_frames)
        monkeypatch.setattr(evalkit.recordings, "read_blocks", read)
        forget(workshop)
        assert bits_of(workshop, name) == expected[name]
        # and in what pieces it is read back from the disk, where only the tallies are not known
        monkeypatch.setattr(evalkit.recordings, "read_blocks", None)
        monkeypatch.setattr(evalkit.cache, "_package_digest", lambda: b"another version")
        monkeypatch.setattr(evalkit.cache, "_CHUNK_RECORDS", block_frames)
        monkeypatch.setattr(evalkit.cache, "_CHUNK_ROWS", 7)
        assert bits_of(workshop, name) == expected[name]

    @pytest.mark.parametrize("name", DETECTORS)
    def test_order_of_import(
        self, workshop: Dataset, expected: dict[DetectorName, Bits], name: DetectorName, tmp_path: Path
    ) -> None:
        assert bits_of(imported_backwards(workshop, tmp_path / "bench"), name) == expected[name]

    @pytest.mark.parametrize("name", DETECTORS)
    def test_workers_and_cache(
        self, workshop: Dataset, expected: dict[DetectorName, Bits], name: DetectorName
    ) -> None:
        with open_workers(1, None) as nobody:
            assert nobody is None
        forget(workshop)
        with open_workers(2, None) as workers:
            assert workers is not None
            for _ in ("cold", "warm"):
                assert bits_of(workshop, name, workers) == expected[name]
        assert bits_of(workshop, name) == expected[name]


class TestEachRecording:
    """What the callers rely on."""

    @pytest.fixture
    def team(self, request: pytest.FixtureRequest) -> Iterator[Workers | None]:
        if request.param == "threads":
            yield Threads()
            return
        with open_workers(request.param, None) as workers:
            yield workers

    @pytest.mark.parametrize("team", [None, "threads", 2], indirect=True)
    def test_results_are_in_the_order_of_the_recordings(
        self, workshop: Dataset, team: Workers | None
    ) -> None:
        def work(recording: Recording, advance: Callable[[float], None]) -> tuple[str, int]:
            advance(1.0)
            assert recording.path.is_file()
            return recording.name, os.getpid()

        told: list[tuple[float, float]] = []
        found = each_recording(
            work, workshop.recordings, progress=lambda *far: told.append(far), workers=team
        )
        assert [name for name, _ in found] == [r.name for r in workshop.recordings]
        total = sum(r.duration_s for r in workshop.recordings)
        assert told == sorted(told)
        assert told[-1] == (pytest.approx(total), pytest.approx(total))
        # at least as each recording ends
        assert len(told) >= len(workshop.recordings)
        elsewhere = {pid for _, pid in found} - {os.getpid()}
        assert bool(elsewhere) == (team is not None and not isinstance(team, Threads))

    @pytest.mark.parametrize("team", [None, "threads", 2], indirect=True)
    def test_a_fault_is_reported_as_it_is(self, workshop: Dataset, team: Workers | None) -> None:
        last = workshop.recordings[-1].name

        def work(recording: Recording, advance: Callable[[float], None]) -> None:
            if recording.name == last:
                raise FileFault(f"{recording.name}: is broken", details=["here"])

        with pytest.raises(FileFault, match=f"{last}: is broken") as caught:
            each_recording(work, workshop.recordings, workers=team)
        assert caught.value.details == ("here",)

    def test_a_process_uses_one_thread_for_compiled_code(self, workshop: Dataset) -> None:
        def work(recording: Recording, advance: Callable[[float], None]) -> int:
            import numba

            return int(numba.config.NUMBA_NUM_THREADS)

        with open_workers(2, None) as workers:
            assert set(each_recording(work, workshop.recordings, workers=workers)) == {1}

    def test_nothing_to_do(self, workshop: Dataset) -> None:
        with open_workers(2, None) as workers:
            assert each_recording(lambda *_: 0, [], workers=workers) == []


def deadly_once(mark: Path) -> Callable[[Recording, Callable[[float], None]], str]:
    """Return work that kills its process the first time that it comes to `s2`."""

    def work(recording: Recording, advance: Callable[[float], None]) -> str:
        if recording.name == "s2" and not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return recording.name

    return work


class TestKilled:
    """A process that is killed, as the kernel does where memory is short."""

    def test_its_work_is_done_again(self, workshop: Dataset, tmp_path: Path) -> None:
        with open_workers(2, None) as workers:
            found = each_recording(deadly_once(tmp_path / "died"), workshop.recordings, workers=workers)
        assert found == [r.name for r in workshop.recordings]
        assert (tmp_path / "died").exists()

    def test_the_user_is_told_where_it_happens_again_and_again(self, workshop: Dataset) -> None:
        def work(recording: Recording, advance: Callable[[float], None]) -> None:
            if recording.name == "s2":
                os.kill(os.getpid(), signal.SIGKILL)

        with (
            open_workers(2, None) as workers,
            pytest.raises(
                EvalkitError, match=r"killed, 3 times in a row, before any of .*s2.* done; .*fewer --workers"
            ),
        ):
            each_recording(work, workshop.recordings, workers=workers)


class TestCommandLine:
    """One clear line, status 2, for what cannot be used."""

    @pytest.mark.parametrize(
        ("options", "said"),
        [
            (["--workers", "0"], "'--workers'"),
            (["--workers", "2", "--scheduler", "tcp://127.0.0.1:9"], "give one of them"),
            (["--scheduler", "nowhere"], "--scheduler nowhere: no Dask scheduler answers there"),
            (["--scheduler", "tcp://127.0.0.1:9"], "no Dask scheduler answers there"),
        ],
    )
    @pytest.mark.parametrize("command", ["recommend", "score", "plan", "report", "check"])
    def test_wrong_use(
        self,
        workshop: Dataset,
        command: str,
        options: list[str],
        said: str,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        if "--scheduler" in options:
            pytest.importorskip("distributed", reason="Dask is not installed (the extra `cluster`)")
        monkeypatch.setattr(evalkit.workers, "_CONNECT_S", 0.2)
        assert main([command, str(workshop.folder), *options]) == 2
        told = capsys.readouterr()
        assert told.out == ""
        assert said in told.err
        assert len(told.err.splitlines()) == 1

    def test_dask_is_not_installed(
        self, workshop: Dataset, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.setitem(sys.modules, "distributed", None)
        assert main(["recommend", str(workshop.folder), "--scheduler", "tcp://127.0.0.1:9"]) == 2
        told = capsys.readouterr()
        assert told.out == ""
        assert "pip install '.[cluster]'" in told.err
        assert len(told.err.splitlines()) == 1

    def test_settings_are_the_same_file(
        self, workshop: Dataset, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        for name, options in (("here", []), ("shared", ["--workers", "2"])):
            assert main(["recommend", str(workshop.folder), "--out", str(tmp_path / name), *options]) == 0
        assert (tmp_path / "here").read_bytes() == (tmp_path / "shared").read_bytes()


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two local workers, each under a nanny that starts it again."""
    distributed = pytest.importorskip("distributed", reason="Dask is not installed (the extra `cluster`)")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        # what dies on purpose is not to be read about
        silence_logs="CRITICAL",
    ) as found:
        yield found


def pids_of(cluster: Any) -> list[int]:
    """Wait until both workers are there (again) and return their processes."""
    for _ in range(600):
        known = cluster.scheduler.workers
        nannies = [nanny for nanny in cluster.workers.values() if nanny.worker_address in known]
        if len(nannies) == len(known) == 2:
            return [nanny.pid for nanny in nannies]
        time.sleep(0.1)
    raise AssertionError("the nannies did not start their workers again")


@pytest.mark.slow
class TestCluster:
    """Dask: `--scheduler`."""

    @pytest.mark.parametrize("name", DETECTORS)
    def test_a_worker_is_killed_midway(
        self, workshop: Dataset, expected: dict[DetectorName, Bits], name: DetectorName, cluster: Any
    ) -> None:
        pids = pids_of(cluster)
        told: list[float] = []

        def progress(done: float, total: float) -> None:
            told.append(done)
            if len(told) == 1:
                os.kill(pids[0], signal.SIGKILL)

        forget(workshop)
        with open_workers(None, cluster.scheduler_address) as workers:
            found = recommend(
                workshop, name, cache=CrossingCache(workshop.folder), progress=progress, workers=workers
            )
            # no longer there, so its work was done by others
            with pytest.raises(ProcessLookupError):
                os.kill(pids[0], 0)
            assert {
                **bits_of_sweep(found.sweep),
                "settings": json.dumps(settings_document(found, workshop)),
            } == (expected[name])
            assert bits_of(workshop, name, workers) == expected[name]

    def test_lost_work_is_done_again(self, workshop: Dataset, cluster: Any, tmp_path: Path) -> None:
        with open_workers(None, cluster.scheduler_address) as workers:
            found = each_recording(deadly_once(tmp_path / "died"), workshop.recordings, workers=workers)
        assert found == [r.name for r in workshop.recordings]
        assert (tmp_path / "died").exists()

    def test_all_workers_are_killed_at_once(self, workshop: Dataset, cluster: Any) -> None:
        pids = pids_of(cluster)
        told: list[float] = []

        def work(recording: Recording, advance: Callable[[float], None]) -> str:
            time.sleep(0.5)
            return recording.name

        def progress(done: float, total: float) -> None:
            told.append(done)
            if len(told) == 1:
                for pid in pids:
                    os.kill(pid, signal.SIGKILL)

        with open_workers(None, cluster.scheduler_address) as workers:
            found = each_recording(work, workshop.recordings, progress=progress, workers=workers)
        assert found == [r.name for r in workshop.recordings]

    def test_a_worker_that_does_not_see_the_dataset(self, workshop: Dataset, cluster: Any) -> None:
        lost = replace(workshop.recordings[0], path=Path("/not/shared/s0.wav"))
        with (
            open_workers(None, cluster.scheduler_address) as workers,
            pytest.raises(FileFault, match=r"worker tcp://\S+ does not see /not/shared/s0.wav: every worker"),
        ):
            each_recording(lambda *_: 0, [lost], workers=workers)

    def test_a_worker_with_other_software(
        self, workshop: Dataset, cluster: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        here = evalkit.workers._software()
        monkeypatch.setattr(evalkit.workers, "_software", lambda: (*here[:1], "numpy 1.0.0", *here[2:]))
        with (
            open_workers(None, cluster.scheduler_address) as workers,
            pytest.raises(
                WrongUse, match=r"worker tcp://\S+ has numpy 2\S+ and this machine has numpy 1.0.0"
            ),
        ):
            each_recording(lambda *_: 0, workshop.recordings[:1], workers=workers)

    def test_a_recording_that_kills_every_worker(self, workshop: Dataset, cluster: Any) -> None:
        def work(recording: Recording, advance: Callable[[float], None]) -> None:
            if recording.name == "s2":
                os.kill(os.getpid(), signal.SIGKILL)

        with (
            open_workers(None, cluster.scheduler_address) as workers,
            pytest.raises(EvalkitError, match="one worker after the other died at s2"),
        ):
            each_recording(work, workshop.recordings, workers=workers)

    def test_nobody_is_left(
        self,
        workshop: Dataset,
        cluster: Any,
        monkeypatch: pytest.MonkeyPatch,
        request: pytest.FixtureRequest,
    ) -> None:
        monkeypatch.setattr(evalkit.workers, "_PATIENCE_S", 3.0)
        request.addfinalizer(lambda: cluster.scale(2))
        cluster.scale(0)
        with (
            open_workers(None, cluster.scheduler_address) as workers,
            pytest.raises(EvalkitError, match="for 3 s there was no worker"),
        ):
            each_recording(lambda *_: 0, workshop.recordings, workers=workers)
