"""Bad input: every case ends with its exit status and one line that names the thing, and changes nothing.

To add a case, add a line to CASES: its name, the command line, the exit
status, what the line must name, and, where a file must be spoilt or made
first, a function of the folder. ``{ds}`` is a good dataset with recordings
`monday` and `tuesday` of 12 s, ``{in}`` a folder that `arrange` may fill.
"""

import os
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from evalkit.cli import main

from .test_dataset import contents, edit_package

HEADER = "start_s,end_s,label,note\n"
Arrange = Callable[[Path, Path], None]


def nothing(dataset: Path, incoming: Path) -> None:
    """Leave everything as it is."""


def file(name: str, content: "str | bytes") -> Arrange:
    """Put a file into the incoming folder."""

    def arrange(_: Path, incoming: Path) -> None:
        path = incoming / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))

    return arrange


def spoil(name: str, content: "str | bytes") -> Arrange:
    """Overwrite a file of the dataset."""

    def arrange(dataset: Path, _: Path) -> None:
        (dataset / name).write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))

    return arrange


def remove(name: str) -> Arrange:
    """Remove a file of the dataset."""
    return lambda dataset, _: (dataset / name).unlink()


def audio(name: str, samples: object = None, rate_hz: int = 16_000, subtype: str = "PCM_16") -> Arrange:
    """Put a recording of one second into the incoming folder."""

    def arrange(_: Path, incoming: Path) -> None:
        wave = 0.3 * np.sin(np.arange(rate_hz) / 9) if samples is None else np.asarray(samples)
        (incoming / name).parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(incoming / name, wave, rate_hz, subtype=subtype)

    return arrange


def both(*parts: Arrange) -> Arrange:
    """Do one after the other."""

    def arrange(dataset: Path, incoming: Path) -> None:
        for part in parts:
            part(dataset, incoming)

    return arrange


def table(*rows: str) -> Arrange:
    """Put a recording and a label table with these rows into the incoming folder."""
    return both(audio("new.wav"), file("new.csv", HEADER + "".join(f"{row}\n" for row in rows)))


def property_of_monday(key: str, value: object) -> Arrange:
    """Set a property of a recording in datapackage.json."""

    def arrange(dataset: Path, _: Path) -> None:
        edit_package(dataset, lambda package: package["resources"][2].update({key: value}))

    return arrange


def pipe(dataset: Path, incoming: Path) -> None:
    """Put a named pipe where a file is expected: opening it would wait for ever."""
    os.mkfifo(incoming / "pipe.wav")


def same_audio(dataset: Path, incoming: Path) -> None:
    """Put the audio of a recording under another name."""
    (incoming / "other.wav").write_bytes((dataset / "recordings" / "monday.wav").read_bytes())


def no_samples(dataset: Path, incoming: Path) -> None:
    """Put a WAV file without samples."""
    form = struct.pack("<HHIIHH", 1, 1, 8_000, 16_000, 2, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", 0)
    (incoming / "none.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


def flac_head(dataset: Path, incoming: Path) -> None:
    """Put the first bytes of a FLAC file."""
    soundfile.write(incoming / "whole.flac", np.zeros(9_000), 8_000)
    (incoming / "head.flac").write_bytes((incoming / "whole.flac").read_bytes()[:60])


@dataclass(frozen=True)
class Case:
    """One bad input."""

    name: str
    arguments: str
    """Split at blanks; a blank inside an argument is written as %20."""
    status: int
    named: str
    """A regular expression that the one line must match."""
    arrange: Arrange = nothing
    several: bool = False
    """Whether several faults are told, one in each line after the first."""


NEW = "import {ds} {in}/new.wav --session x"
LABELLED = NEW + " --labels {in}/new.csv"
SCORE = "score {ds}"
ADD = "segments add {ds} monday"

CASES = [
    # Files that are no recordings.
    Case("missing file", "import {ds} {in}/gone.wav --session x", 1, r"gone\.wav: no such file"),
    Case("folder", "import {ds} {in} --session x", 1, r"in: is a folder"),
    Case("empty file", NEW, 1, r"new\.wav: is empty", file("new.wav", b"")),
    Case("text", NEW, 1, r"new\.wav: is not audio", file("new.wav", "hello " * 99)),
    Case("picture", NEW, 1, r"new\.wav: is not audio", file("new.wav", b"\x89PNG\r\n\x1a\n" + bytes(999))),
    Case("half a header", NEW, 1, r"new\.wav: is not audio", file("new.wav", b"RIFF\x24\0\0\0WAVEfmt ")),
    Case("no samples", "import {ds} {in}/none.wav --session x", 1, r"none\.wav: holds no samples",
         no_samples),
    Case("head of a FLAC", "import {ds} {in}/head.flac --session x", 1, r"head\.flac: ", flac_head),
    Case("raw samples", "import {ds} {in}/a.raw --session x", 1, r"a\.raw: is raw", file("a.raw", bytes(99))),
    Case("named pipe", "import {ds} {in}/pipe.wav --session x", 1, r"pipe\.wav: is not a regular file", pipe),
    Case("not a number", NEW, 1, r"new\.wav: the sample at 0\.000125 s \(frame 2\) is not a finite",
         audio("new.wav", [0, 0, np.nan, 0], subtype="FLOAT")),
    Case("infinite", NEW, 1, r"new\.wav: the sample at .* \(frame 1\) is not",
         audio("new.wav", [0, np.inf], subtype="FLOAT")),
    Case("two channels", NEW, 2, r"new\.wav: has 2 channels; pick one with --channel",
         audio("new.wav", np.eye(2))),
    Case("same audio", "import {ds} {in}/other.wav --session x", 1, r"other\.wav: the same audio as monday",
         same_audio),
    Case("same name", "import {ds} {in}/Monday.wav --session x", 1, r"a recording named monday",
         audio("Monday.wav")),
    Case("name for Windows", "import {ds} {in}/con.wav --session x", 1, r"'con\.wav' is a name that Windows",
         audio("con.wav")),
    Case("hidden name", "import {ds} {in}/.a.wav --session x", 1, r"'\.a\.wav' begins or ends",
         audio(".a.wav")),
    Case("colon in name", "import {ds} {in}/a:b.wav --session x", 1, r"'a:b\.wav' holds :", audio("a:b.wav")),
    Case("escape in name", "import {ds} {in}/a\x1b[2Jb.wav --session x", 1, r"holds the invisible character",
         audio("a\x1b[2Jb.wav")),
    Case("good and bad", "import {ds} {in}/new.wav {in}/gone.wav --session x", 1, r"gone\.wav",
         audio("new.wav")),
    Case("two bad", "import {ds} {in}/new.wav {in}/gone.wav {in}/a.wav --session x", 1,
         r"2 files cannot be taken",
         audio("new.wav"), several=True),
    # Label tables.
    Case("no labels there", NEW + " --labels {in}/gone.csv", 1, r"gone\.csv: no such file", audio("new.wav")),
    Case("not in the folder", NEW + " --labels {in}", 1, r"new\.csv: no such file; the labels of new\.wav",
         audio("new.wav")),
    Case("one table, two files", "import {ds} {in}/new.wav {in}/b.wav --session x --labels {in}/new.csv", 2,
         r"new\.csv: one label table for 2 files", both(table(), audio("b.wav", np.ones(9)))),
    Case("empty table", LABELLED, 1, r"new\.csv, row 1: the table is empty",
         both(audio("new.wav"), file("new.csv", ""))),
    Case("no header", LABELLED, 1, r"row 1: .* the first row must be the header",
         both(audio("new.wav"), file("new.csv", "0.1,0.2,tap,\n"))),
    Case("semicolons", LABELLED, 1, r"row 1: .* separated by commas",
         both(audio("new.wav"), file("new.csv", "start_s;end_s;label;note\n"))),
    Case("Latin-1", LABELLED, 1, r"new\.csv, row 2: not UTF-8",
         both(audio("new.wav"), file("new.csv", HEADER.encode() + b"0.1,0.2,tap,caf\xe9\n"))),
    Case("UTF-16", LABELLED, 1, r"new\.csv, row 1: not UTF-8 text but UTF-16",
         both(audio("new.wav"), file("new.csv", HEADER.encode("utf-16")))),
    Case("audio as labels", NEW + " --labels {in}/new.wav", 1, r"new\.wav, row 1: ", audio("new.wav")),
    Case("a word for a time", LABELLED, 1, r"new\.csv, row 3: start_s='soon'",
         table("0.1,0.2,tap,", "soon,1,tap,")),
    Case("decimal comma", LABELLED, 1, r"row 2: start_s='0,1' .* point", table('"0,1","0,2",tap,')),
    Case("end before start", LABELLED, 1, r"row 2: end_s=0\.100000 is not after", table("0.2,0.1,tap,")),
    Case("negative time", LABELLED, 1, r"row 2: start_s=-0\.100000 is before", table("-0.1,0.1,tap,")),
    Case("milliseconds", LABELLED, 1, r"row 2: end_s=900\.000000 is past .* milliseconds",
         table("100,900,tap,")),
    Case("nan", LABELLED, 1, r"row 2: end_s='nan'", table("0.1,nan,tap,")),
    Case("no label", LABELLED, 1, r"row 2: the label is empty", table("0.1,0.2,,")),
    Case("path as label", LABELLED, 1, r"row 2: the label '\.\./x' holds /", table("0.1,0.2,../x,")),
    Case("escape in note", LABELLED, 1, r"row 2: the note .* invisible", table("0.1,0.2,tap,\x1b[2J")),
    Case("too few fields", LABELLED, 1, r"row 2: 3 fields where the header has 4", table("0.1,0.2,tap")),
    Case("overlap", LABELLED, 1, r"row 3: tap 0\.150000-0\.300000 overlaps row 2",
         table("0.1,0.2,tap,", "0.15,0.3,tap,")),
    Case("open quote", LABELLED, 1, r"row 2: not a row of CSV", table('0.1,0.2,tap,"')),
    Case("three wrong rows", LABELLED, 1, r"new\.csv: 3 faults", table("a,1,tap,", "1,b,tap,", "3,2,tap,"),
         several=True),
    # Options and arguments.
    Case("no session", "import {ds} {in}/new.wav", 2, r"--session", audio("new.wav")),
    Case("empty session", "import {ds} {in}/new.wav --session %20", 2, r"session", audio("new.wav")),
    Case("session with slash", "import {ds} {in}/new.wav --session a/b", 2, r"the session 'a/b' holds /",
         audio("new.wav")),
    Case("long phone", NEW + " --phone " + "x" * 101, 2, r"the phone has 101 characters", audio("new.wav")),
    Case("channel 0", NEW + " --channel 0", 2, r"new\.wav: has no channel 0", audio("new.wav")),
    Case("channel 2 of 1", NEW + " --channel 2", 2, r"new\.wav: has no channel 2", audio("new.wav")),
    Case("channel left", NEW + " --channel left", 2, r"--channel.*left", audio("new.wav")),
    Case("volts in words", NEW + " --full-scale-v two", 2, r"--full-scale-v.*'two' is not a number",
         audio("new.wav")),
    Case("volts with comma", NEW + " --full-scale-v 1,5", 2, r"'1,5' is not a number", audio("new.wav")),
    Case("volts in ohms", NEW + " --full-scale-v 2ohm", 2, r"'2ohm' is not a number of V", audio("new.wav")),
    Case("no volts", NEW + " --full-scale-v 0", 2, r"full scale in volts is 0", audio("new.wav")),
    Case("negative ohms", NEW + " --input-ohms=-1k", 2, r"input resistance in ohms is -1000",
         audio("new.wav")),
    Case("infinite ohms", NEW + " --input-ohms inf", 2, r"'inf' is not a number", audio("new.wav")),
    Case("reviewed some", NEW + " --reviewed some", 2, r"--reviewed.*'some' is not all, none or",
         audio("new.wav")),
    Case("reviewed backwards", NEW + " --reviewed 5-1", 2, r"5-1 is no span", audio("new.wav")),
    Case("reviewed past the end", NEW + " --reviewed 0-2", 2, r"new\.wav: reviewed 0-2 s passes the end",
         audio("new.wav")),
    Case("unknown command", "improt {ds}", 2, r"improt"),
    Case("unknown option", "check {ds} --fast", 2, r"--fast"),
    Case("no dataset argument", "check", 2, r"DATASET"),
    Case("no files", "import {ds} --session x", 2, r"FILE"),
    Case("no subcommand", "segments", 2, r"command"),
    # The dataset.
    Case("no such dataset", "check {in}/gone", 1, r"gone/datapackage\.json: no such file"),
    Case("not a dataset", "segments list {in}", 1, r"in is not a dataset; `evalkit new` makes one"),
    Case("import into no dataset", "import {in} {in}/new.wav --session x", 1, r"in is not a dataset",
         both(audio("new.wav"), file(".tmp-mine", "mine"), file("labels/.tmp-mine", "mine"))),
    Case("labels into no dataset", "segments add {in} new 1 2 tap", 1, r"in is not a dataset"),
    Case("reviewed in no dataset", "segments review {in} new all", 1, r"in is not a dataset"),
    Case("file as dataset", "check {in}/f", 1, r"f: is not a folder", file("f", "x")),
    Case("new over a dataset", "new {ds}", 1, r"bench: is a dataset already"),
    Case("new over files", "new {in}", 1, r"in: is not empty", file("mine.txt", "x")),
    Case("new over a file", "new {in}/f", 1, r"f: is a file, not a folder", file("f", "x")),
    Case("new below a file", "new {in}/f/g", 1, r"g: is a file, not a folder|f/g: ", file("f", "x")),
    Case("no licence", "new {in}/a --licence mine", 2, r"'mine' is no SPDX licence"),
    Case("reserved name", "new {in}/aux", 2, r"'aux' is a name that Windows reserves"),
    Case("broken package", "check {ds}", 1, r"datapackage\.json: not JSON", spoil("datapackage.json", "{")),
    Case("path out of the dataset", "check {ds}", 1, r"datapackage\.json: resources\[2\]",
         property_of_monday("path", "recordings/../../x.wav")),
    Case("wrong calibration", "segments list {ds}", 1, r"full_scale_v must be a number above 0",
         property_of_monday("full_scale_v", "loud")),
    Case("reviewed beyond", "segments list {ds}", 1, r"reviewed 0-99 is no span",
         property_of_monday("reviewed", [[0, 99]])),
    Case("labels spoilt", "segments list {ds}", 1, r"monday\.csv, row 2: start_s='x'",
         spoil("labels/monday.csv", HEADER + "x,1,tap,\n")),
    Case("audio spoilt", "segments list {ds}", 1, r"monday\.wav: is not audio",
         spoil("recordings/monday.wav", "x")),
    # The day and the board.
    Case("day is no TOML", SCORE, 1, r"day\.toml: not TOML", spoil("day.toml", "grace_s =")),
    Case("day in Latin-1", SCORE, 1, r"day\.toml: not UTF-8", spoil("day.toml", b"# caf\xe9")),
    Case("day with a slip", SCORE, 1, r"day\.toml: unknown key grace;", spoil("day.toml", "grace = 1")),
    Case("negative grace", SCORE, 1, r"day\.toml: grace_s = -1 is out", spoil("day.toml", "grace_s = -1")),
    Case("share in per cent", SCORE, 1, r"limits\.calls_caught = 99 is out of range",
         spoil("day.toml", "[limits]\ncalls_caught = 99")),
    Case("limit in words", SCORE, 1, r"limits\.response_s = '6 s' is not a number",
         spoil("day.toml", "[limits]\nresponse_s = '6 s'")),
    Case("longer than a day", SCORE, 1, r"exposure\.tool\.hours_per_day = 25 is out of range",
         spoil("day.toml", "[exposure.tool]\nhours_per_day = 25")),
    Case("events and hours", SCORE, 1, r"exposure\.tap: exactly one of",
         spoil("day.toml", "[exposure.tap]\nhours_per_day = 1\nevents_per_day = 1")),
    Case("exposure of calls", SCORE, 1, r"exposure\.ring: a label of role target",
         spoil("day.toml", "[exposure.ring]\nevents_per_day = 9")),
    Case("unknown role", SCORE, 1, r"roles\.hammer: 'noise' is no role; one of: target",
         spoil("day.toml", "[roles]\nhammer = 'noise'")),
    Case("two faults", SCORE, 1, r"day\.toml: 2 faults",
         spoil("day.toml", "grace = 1\ngrace_s = -1"), several=True),
    Case("no day", SCORE, 1, r"day\.toml: cannot be read", remove("day.toml")),
    Case("no board", SCORE, 1, r"board\.toml: cannot be read", remove("board.toml")),
    Case("board is no TOML", SCORE, 1, r"board\.toml: not valid TOML", spoil("board.toml", "supply = [")),
    Case("board of another kind", SCORE, 1, r"board\.toml: ", spoil("board.toml", "[engine]\npower = 3\n")),
    # Labels by command.
    Case("unknown recording", "segments list {ds} mondai", 2,
         r"no recording 'mondai'; did you mean 'monday'"),
    Case("add past the end", ADD + " 11 13 tap", 1, r"end_s=13\.000000 is past the end"),
    Case("add backwards", ADD + " 5 4 tap", 2, r"end_s=4\.000000 is not after start_s=5\.000000"),
    Case("add over another", ADD + " 7 9 ring", 1, r"ring 7\.000000-9\.000000 overlaps"),
    Case("add without label", ADD + " 1 2", 2, r"LABEL"),
    Case("add a word", ADD + " one 2 tap", 2, r"'one' is not a number of s"),
    Case("add a bad label", ADD + " 1 2 nul", 2, r"the label 'nul' is a name that Windows reserves"),
    Case("add an override", ADD + " 1 2 tap --note a\u202eb", 2, r"the note .* invisible"),
    Case("remove what is not there", "segments remove {ds} monday 1 2 tap", 2,
         r"monday: has no segment tap 1\.000000-2\.000000"),
    Case("import no table", "segments import {ds} monday {in}/gone.csv", 1,
         r"gone\.csv: cannot be read: No such file"),
    Case("import a long table", "segments import {ds} monday {in}/a.csv", 1, r"a\.csv, row 2: end_s=99",
         file("a.csv", HEADER + "1,99,tap,\n")),
    Case("export to nowhere", "segments export {ds} monday {in}/no/a.csv", 1,
         r"no/a\.csv: cannot be written: No such file"),
    Case("export over a file", "segments export {ds} monday {in}/a.csv", 1, r"a\.csv: is there already",
         file("a.csv", "mine")),
    Case("export to a folder", "segments export {ds} monday {in}", 2,
         r"in: the name must end in \.csv, \.vtt or \.wav"),
    Case("review past the end", "segments review {ds} monday 0-13", 2, r"monday: 0-13 s passes the end"),
    Case("review a word", "segments review {ds} monday most", 2, r"'most' is not all, none or START-END"),
]  # fmt: skip


def test_there_are_at_least_forty() -> None:
    assert len(CASES) >= 40
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input(
    case: Case, tiny_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    incoming = tmp_path / "in"
    incoming.mkdir()
    case.arrange(tiny_dataset, incoming)
    before = contents(tmp_path)
    capsys.readouterr()
    arguments = [
        part.replace("{ds}", str(tiny_dataset)).replace("{in}", str(incoming)).replace("%20", " ")
        for part in case.arguments.split(" ")
    ]
    # A traceback would be an exception here: main() only catches what is ours.
    status = main(arguments)
    captured = capsys.readouterr()
    lines = captured.err.splitlines()
    assert status == case.status, captured.err
    assert captured.out == ""
    assert lines[0].startswith("evalkit: ")
    assert re.search(case.named, lines[0]), lines[0]
    assert (len(lines) > 1) is case.several, captured.err
    assert all(line.startswith("  ") for line in lines[1:])
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e]", captured.err)
    assert contents(tmp_path) == before
