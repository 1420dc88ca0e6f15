"""The commands new, import, check and segments, as a person or a script runs them."""

import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from evalkit.cli import main
from evalkit.dataset import read_dataset
from evalkit.durable import dataset_lock
from evalkit.recordings import audio_sha256

from .test_dataset import contents

Writer = Callable[..., Path]
Captured = pytest.CaptureFixture[str]
SOURCE = Path(__file__).parents[1]
HEAVY = (
    "numpy",
    "scipy",
    "numba",
    "sklearn",
    "pandas",
    "matplotlib",
    "soundfile",
    "librosa",
    "joblib",
    "dask",
    "distributed",
    "jinja2",
    "rich",
)


def run_evalkit(*arguments: str, **options: object) -> "subprocess.CompletedProcess[bytes]":
    environment = {**os.environ, "PYTHONPATH": str(SOURCE), **dict(options.pop("environment", {}))}
    return subprocess.run(
        [sys.executable, "-m", "evalkit", *arguments],
        capture_output=True,
        check=False,
        env=environment,
        **options,
    )


def run_json(capsys: Captured, *arguments: object) -> dict:
    """Run a command with --json and return its document; nothing else may be on standard output."""
    capsys.readouterr()
    status = main([*map(str, arguments), "--json"])
    captured = capsys.readouterr()
    assert status == 0, captured.err
    return json.loads(captured.out)


class TestStart:
    """Start-up and help."""

    @pytest.mark.parametrize("arguments", [["--help"], [], ["import", "--help"], ["segments", "--help"]])
    def test_help_loads_nothing_heavy(self, arguments: list[str]) -> None:
        code = (
            "import sys; from evalkit.cli import main; status = main(sys.argv[1:]); "
            f"print([name for name in {HEAVY} if name in sys.modules], status, file=sys.stderr)"
        )
        environment = {**os.environ, "PYTHONPATH": str(SOURCE)}
        result = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            capture_output=True,
            text=True,
            check=False,
            env=environment,
        )
        assert result.stderr.strip() == "[] 0"
        assert result.stdout.startswith("Usage: evalkit")

    def test_help_lists_the_commands(self, capsys: Captured) -> None:
        assert main(["--help"]) == 0
        out = capsys.readouterr().out
        for command in ("new", "import", "check", "segments"):
            assert f"\n  {command} " in out

    def test_module_and_function_are_the_same_command(self) -> None:
        assert run_evalkit("--help").stdout == run_evalkit().stdout


class TestData:
    """new, import and check."""

    def test_from_nothing_to_a_checked_dataset(
        self, capsys: Captured, tmp_path: Path, write_wav: Writer, rng: np.random.Generator
    ) -> None:
        folder = tmp_path / "bench"
        assert run_json(capsys, "new", folder, "--licence", "cc0-1.0") == {
            "dataset": str(folder),
            "spdx": "CC0-1.0",
        }
        path = write_wav("in/a.wav", 0.1 * rng.standard_normal((32_000, 2)))
        (tmp_path / "in" / "a.csv").write_text("start_s,end_s,label,note\n1,1.5,ring,\n")
        document = run_json(
            capsys,
            *("import", folder, path, "--session", "monday", "--phone", "slab", "--channel", "2"),
            *(
                "--full-scale-v",
                "1.23",
                "--input-ohms",
                "10k",
                "--labels",
                path.parent,
                "--reviewed",
                "0-1.2,1.4-2",
            ),
        )
        assert document["imported"] == [
            {
                "recording": "a",
                "session": "monday",
                "phone": "slab",
                "channel": 2,
                "sample_rate_hz": 16_000,
                "duration_s": 2.0,
                "segments": 1,
                "reviewed": [[0.0, 1.2], [1.4, 2.0]],
                "audio_sha256": audio_sha256(path, channel=2),
            }
        ]
        assert document["findings"] == []
        recording = read_dataset(folder).recording("a")
        assert (recording.full_scale_v, recording.input_ohms) == (1.23, 10_000.0)
        checked = run_json(capsys, "check", folder)
        assert (checked["recordings"], checked["usable"]) == (1, True)
        assert {finding["kind"] for finding in checked["findings"]} == {"exposure"}

    @pytest.mark.parametrize(("text", "value"), [("2", 2.0), ("20m", 0.02), ("1.5 V", 1.5), ("4.7u", 4.7e-6)])
    def test_numbers_take_prefixes(
        self, capsys: Captured, tiny_dataset: Path, write_wav: Writer, text: str, value: float
    ) -> None:
        path = write_wav("b.wav", np.arange(8_000) / 9_000)
        run_json(capsys, "import", tiny_dataset, path, "--session", "x", "--full-scale-v", text)
        assert read_dataset(tiny_dataset).recording("b").full_scale_v == pytest.approx(value, rel=1e-12)

    def test_import_tells_faults_with_their_place(
        self, capsys: Captured, tiny_dataset: Path, write_wav: Writer, rng: np.random.Generator
    ) -> None:
        samples = 0.1 * rng.standard_normal(16_000)
        samples[8_000:8_100] = 1.0
        path = write_wav("loud.wav", samples)
        (finding,) = run_json(capsys, "import", tiny_dataset, path, "--session", "x")["findings"]
        assert (finding["kind"], finding["place"]) == ("clipping", "loud")
        assert (finding["start_s"], finding["end_s"]) == (0.5, 0.50625)
        assert main(["check", str(tiny_dataset)]) == 0
        assert "clipping" in capsys.readouterr().out

    def test_a_truncated_file_is_taken_and_told(
        self, capsys: Captured, tiny_dataset: Path, write_wav: Writer, rng: np.random.Generator
    ) -> None:
        path = write_wav("cut.wav", 0.1 * rng.standard_normal(16_000))
        path.write_bytes(path.read_bytes()[:-8_000])
        document = run_json(capsys, "import", tiny_dataset, path, "--session", "x")
        assert document["imported"][0]["duration_s"] == 0.75
        assert [finding["kind"] for finding in document["findings"]] == ["truncated"]

    def test_check_answers_about_a_dataset_that_cannot_be_used(
        self, capsys: Captured, tiny_dataset: Path
    ) -> None:
        (tiny_dataset / "labels" / "monday.csv").write_text("start_s,end_s,label,note\n1,x,tap,\n2,1,tap,\n")
        document = run_json(capsys, "check", tiny_dataset)
        assert document["usable"] is False
        assert [finding["kind"] for finding in document["findings"] if not finding["usable"]] == [
            "labels"
        ] * 2
        assert main(["check", str(tiny_dataset)]) == 0
        captured = capsys.readouterr()
        assert "row 2: end_s='x' is not a number" in captured.out
        assert "cannot be used" in captured.err


class TestSegments:
    """Labels from scripts."""

    def test_add_list_and_remove(self, capsys: Captured, tiny_dataset: Path) -> None:
        before = run_json(capsys, "segments", "list", tiny_dataset, "monday")
        arguments = (tiny_dataset, "monday", "9", "9500m", "hammer")
        after = run_json(capsys, "segments", "add", *arguments, "--note", "copper", "--phone", "brick")
        (recording,) = after["recordings"]
        assert recording["segments"][-1] == {
            "start_s": 9.0,
            "end_s": 9.5,
            "label": "hammer",
            "note": "copper",
            "phone": "brick",
        }
        assert run_json(capsys, "segments", "remove", *arguments) == before

    def test_a_label_that_may_be_a_slip_is_told(self, capsys: Captured, tiny_dataset: Path) -> None:
        assert main(["segments", "add", str(tiny_dataset), "monday", "9", "10", "Ring"]) == 0
        assert "'Ring' (1 segments) differs from the standard label 'ring'" in capsys.readouterr().err
        assert main(["segments", "add", str(tiny_dataset), "monday", "10", "11", "tool"]) == 0
        assert capsys.readouterr().err.count("\n") == 1

    def test_list_shows_all_recordings_in_order_of_names(self, capsys: Captured, tiny_dataset: Path) -> None:
        document = run_json(capsys, "segments", "list", tiny_dataset)
        assert [each["recording"] for each in document["recordings"]] == ["monday", "tuesday"]
        assert document["recordings"][0]["reviewed"] == [[0.0, 12.0]]
        assert main(["segments", "list", str(tiny_dataset)]) == 0
        out = capsys.readouterr().out
        assert "6.000000" in out
        assert "call 1" in out

    def test_export_edit_import(self, capsys: Captured, tiny_dataset: Path, tmp_path: Path) -> None:
        table = tmp_path / "out.csv"
        run_json(capsys, "segments", "export", tiny_dataset, "monday", table)
        assert table.read_bytes() == (tiny_dataset / "labels" / "monday.csv").read_bytes()
        before = contents(tiny_dataset)
        run_json(capsys, "segments", "import", tiny_dataset, "monday", table)
        assert contents(tiny_dataset) == before
        table.write_text(table.read_text() + "9,10,tool,by hand\n")
        document = run_json(capsys, "segments", "import", tiny_dataset, "monday", table)
        assert [each["label"] for each in document["recordings"][0]["segments"]] == ["tap", "ring", "tool"]

    def test_export_writes_over_another_file_only_when_told(
        self, capsys: Captured, tiny_dataset: Path, tmp_path: Path
    ) -> None:
        table = tmp_path / "mine.csv"
        table.write_text("mine")
        assert main(["segments", "export", str(tiny_dataset), "monday", str(table)]) == 1
        assert table.read_text() == "mine"
        assert main(["segments", "export", str(tiny_dataset), "monday", str(table), "--replace"]) == 0
        assert table.read_text().startswith("start_s,end_s,label,note\n")

    def test_review(self, capsys: Captured, tiny_dataset: Path) -> None:
        document = run_json(capsys, "segments", "review", tiny_dataset, "monday", "1-2,4-6")
        assert document["recordings"][0]["reviewed"] == [[1.0, 2.0], [4.0, 6.0]]
        assert main(["segments", "review", str(tiny_dataset), "monday", "none"]) == 0
        assert "0.000 s reviewed" in capsys.readouterr().err

    def test_labels_can_be_edited_while_another_table_is_wrong(
        self, capsys: Captured, tiny_dataset: Path
    ) -> None:
        (tiny_dataset / "labels" / "tuesday.csv").write_text("nonsense")
        run_json(capsys, "segments", "add", tiny_dataset, "monday", 9, 10, "tool")


class TestTerminal:
    """Pipes, colours, hostile names, closed pipes, interrupts and busy datasets."""

    def test_a_pipe_gets_whole_lines_and_no_escapes(self, tiny_dataset: Path) -> None:
        note = "a long note " * 30
        assert main(["segments", "add", str(tiny_dataset), "monday", "9", "10", "tool", "--note", note]) == 0
        result = run_evalkit(
            "segments", "list", str(tiny_dataset), environment={"FORCE_COLOR": "", "COLUMNS": "40"}
        )
        assert b"\x1b" not in result.stdout
        assert note.strip().encode() in result.stdout
        assert result.stderr == b""

    @pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
    @pytest.mark.parametrize(("variable", "coloured"), [("NO_COLOR", False), ("UNRELATED", True)])
    def test_no_color_is_obeyed_on_a_terminal(
        self, tiny_dataset: Path, variable: str, coloured: bool
    ) -> None:
        import pty

        controller, terminal = pty.openpty()
        environment = {
            key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "FORCE_COLOR")
        }
        environment |= {"PYTHONPATH": str(SOURCE), "TERM": "xterm-256color", variable: "1"}
        # This command shows a progress bar, which has colours, and a table.
        program = [sys.executable, "-m", "evalkit", "check", str(tiny_dataset)]
        with subprocess.Popen(program, stdout=terminal, stderr=terminal, env=environment) as process:
            os.close(terminal)
            shown = b""
            # On Linux the end of a pseudo-terminal is an error, not an empty read.
            while True:
                try:
                    piece = os.read(controller, 65_536)
                except OSError:
                    break
                if not piece:
                    break
                shown += piece
        os.close(controller)
        assert process.returncode == 0
        assert b"exposure" in shown
        # Bold is no colour; a colour is a parameter of 30 to 49 or 90 to 107.
        colours = re.findall(rb"\x1b\[(?:\d+;)*(?:3\d|4\d|9\d|10[0-7])[;m]", shown)
        assert bool(colours) is coloured

    def test_names_reach_the_terminal_harmless(self, capsys: Captured, tmp_path: Path) -> None:
        assert main(["check", str(tmp_path / "a\x1b]0;title\x07\nb[bold]")]) == 1
        err = capsys.readouterr().err
        assert "\x1b" not in err
        assert err.count("\n") == 1
        assert r"a\x1b]0;title\x07\nb[bold]" in err

    def test_a_closed_pipe_ends_quietly(self, tiny_dataset: Path) -> None:
        with subprocess.Popen(
            [sys.executable, "-m", "evalkit", "segments", "list", str(tiny_dataset), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(SOURCE)},
        ) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            process.stdout.close()
            assert process.stderr.read() == b""
        assert process.returncode == 141

    def test_an_interrupt_ends_quietly(
        self, capsys: Captured, monkeypatch: pytest.MonkeyPatch, tiny_dataset: Path
    ) -> None:
        def interrupt(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("evalkit.checking.check_dataset", interrupt)
        assert main(["check", str(tiny_dataset)]) == 130
        assert "Traceback" not in capsys.readouterr().err

    def test_an_error_of_ours_keeps_its_traceback(
        self, monkeypatch: pytest.MonkeyPatch, tiny_dataset: Path
    ) -> None:
        def fail(*_: object, **__: object) -> None:
            raise ZeroDivisionError

        monkeypatch.setattr("evalkit.checking.check_dataset", fail)
        with pytest.raises(ZeroDivisionError):
            main(["check", str(tiny_dataset)])

    def test_the_second_of_two_writers_is_told(self, tiny_dataset: Path) -> None:
        before = contents(tiny_dataset)
        with dataset_lock(tiny_dataset):
            result = run_evalkit("segments", "review", str(tiny_dataset), "monday", "none")
        assert result.returncode == 1
        assert f"being written to by process {os.getpid()}".encode() in result.stderr
        assert result.stderr.count(b"\n") == 1
        assert contents(tiny_dataset) == before

    def test_an_ascii_terminal_gets_escapes_not_a_traceback(self, tiny_dataset: Path) -> None:
        assert (
            main(
                ["segments", "add", str(tiny_dataset), "monday", "9", "10", "tool", "--note", "Schlüssel 鐘"]
            )
            == 0
        )
        environment = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
        result = run_evalkit("segments", "list", str(tiny_dataset), environment=environment)
        assert result.returncode == 0
        assert rb"Schl\xfcssel \u9418" in result.stdout


@pytest.fixture
def as_nobody() -> Iterator[tuple[Path, Callable[[], None]]]:
    """Give a folder of ours and a switch to a user who may read it and not write to it."""
    if not hasattr(os, "seteuid"):
        pytest.skip("users are told apart on POSIX systems only")
    if os.geteuid() != 0:
        pytest.skip("only root may become another user")
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        try:
            yield Path(name), lambda: os.seteuid(65_534)
        finally:
            os.seteuid(0)


def test_a_read_only_dataset_can_be_read_and_not_written(
    capsys: Captured, as_nobody: tuple[Path, Callable[[], None]], write_wav: Writer
) -> None:
    home, become_nobody = as_nobody
    folder = home / "bench"
    run_json(capsys, "new", folder)
    path = write_wav("a.wav", np.arange(8_000) / 9_000)
    run_json(capsys, "import", folder, path, "--session", "x")
    # Everything that is needed is loaded before the switch: the interpreter's folder may be closed.
    run_json(capsys, "segments", "list", folder)
    run_json(capsys, "segments", "export", folder, "a", home / "first.csv")
    before = contents(folder)
    become_nobody()
    assert run_json(capsys, "segments", "list", folder)["recordings"][0]["recording"] == "a"
    for arguments in (
        ("segments", "add", folder, "a", "0.1", "0.2", "tap"),
        ("segments", "review", folder, "a", "all"),
        ("segments", "export", folder, "a", home / "second.csv"),
        ("new", home / "other"),
    ):
        capsys.readouterr()
        assert main([*map(str, arguments)]) == 1
        err = capsys.readouterr().err
        assert "Permission denied" in err
        assert err.count("\n") == 1
    assert contents(folder) == before


def test_a_file_without_permission_is_told(
    capsys: Captured, as_nobody: tuple[Path, Callable[[], None]], write_wav: Writer
) -> None:
    home, become_nobody = as_nobody
    folder = home / "bench"
    path = write_wav("a.wav", np.arange(8_000) / 9_000)
    closed = home / "closed.wav"
    closed.write_bytes(path.read_bytes())
    closed.chmod(0)
    home.chmod(0o777)
    become_nobody()
    run_json(capsys, "new", folder)
    before = contents(folder)
    assert main(["import", str(folder), str(closed), "--session", "x"]) == 1
    assert "closed.wav: no permission to read it" in capsys.readouterr().err
    assert contents(folder) == before
