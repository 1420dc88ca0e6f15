"""Which sessions may be pooled (design, section 2, "session"): on one scale, or told to be equal.

The recordings are made up; how much a recorder's input takes is checked against the divider's own formula.
"""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evalkit.cli import main
from evalkit.dataset import Dataset, Recording, read_dataset
from evalkit.detectors.constants import pickup_section
from evalkit.errors import TooLittleData, WrongUse
from evalkit.pooling import check_poolable, told_equal
from evalkit.streams import source_of

from .solver import default_board
from .workshops import make_workshop


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    return make_workshop(tmp_path_factory.mktemp("pooling") / "workshop", sessions=3, calls=2)


def scaled(dataset: Dataset, **scales: tuple[float | None, float | None]) -> tuple[Recording, ...]:
    """The recordings with (full_scale_v, input_ohms) by session."""
    return tuple(
        replace(r, full_scale_v=scales[r.session][0], input_ohms=scales[r.session][1])
        for r in dataset.recordings
    )


class TestPoolable:
    """Of different full scale, gain or input: only if calibrated."""

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            # full scale and input known: both are turned into the pickup's own volts
            ((1.0, 1e4), (0.3, 1e6)),
            ((1.0, 1e6), (1.0, 1e6)),
            # both as loaded by the recorder; another gain of it is reckoned with
            ((1.0, None), (0.3, None)),
            # nothing known of either, as of one recorder whose knob nobody touched
            ((None, None), (None, None)),
            ((None, 1e4), (None, 1e4)),
        ],
    )
    def test_on_one_scale(
        self,
        workshop: Dataset,
        one: tuple[float | None, float | None],
        other: tuple[float | None, float | None],
    ) -> None:
        check_poolable(scaled(workshop, s0=one, s1=other, s2=one))

    @pytest.mark.parametrize(
        ("one", "other", "said"),
        [
            ((1.0, 1e6), (None, 1e6), "sessions s1 are not calibrated but s0, s2 are"),
            # one pickup's volts are open-circuit, the other's as loaded by an unknown input
            (
                (1.0, 1e6),
                (1.0, None),
                "the recorder's input resistance is unknown for sessions s1, known for s0, s2",
            ),
            ((None, 1e6), (None, None), "the recorder's input resistance is unknown for sessions s1"),
            # two recorders, the gain of neither known
            ((None, 1e4), (None, 1e6), "sessions s0, s2 have an input of 10 kohm, s1 of 1 Mohm"),
        ],
    )
    def test_on_different_scales(
        self,
        workshop: Dataset,
        one: tuple[float | None, float | None],
        other: tuple[float | None, float | None],
        said: str,
    ) -> None:
        with pytest.raises(TooLittleData) as refused:
            check_poolable(scaled(workshop, s0=one, s1=other, s2=one))
        text = str(refused.value)
        assert said in text
        assert "calibrate" in text
        assert "--same-scale" in text
        assert "\n" not in text

    def test_why_an_unknown_input_matters(self, workshop: Dataset) -> None:
        """A pickup of 20 nF on 10 kohm loses 13 dB at 175 Hz (design, section 2; formula of the divider).

        So the same vibration, told by a recorder whose input is known and by one whose is not, differs by that.
        """
        board = default_board()
        farads, ohm, hertz = board.pickup.capacitance.typ, 1e4, 175.0
        reactance = 2.0 * math.pi * hertz * farads * ohm
        lost_db = -20.0 * math.log10(reactance / math.sqrt(1.0 + reactance**2))
        assert lost_db == pytest.approx(13.4, abs=1.0)
        known, unknown = (
            source_of(replace(workshop.recordings[0], input_ohms=ohms, sample_rate_hz=48_000))
            for ohms in (ohm, None)
        )
        z = np.exp(2j * np.pi * hertz / 48_000)
        gains = []
        for source in (known, unknown):
            b0, b1, a1 = pickup_section(board, source)
            gains.append(abs((b0 + b1 / z) / (1.0 + a1 / z)))
        assert 20.0 * math.log10(gains[0] / gains[1]) == pytest.approx(lost_db, abs=0.01)


class TestToldEqual:
    """What --same-scale says is taken at its word."""

    def test_what_one_session_knows_holds_for_all(self, workshop: Dataset) -> None:
        mixed = replace(
            workshop, recordings=scaled(workshop, s0=(0.5, None), s1=(None, None), s2=(None, 1e5))
        )
        equal = told_equal(mixed)
        assert {(r.full_scale_v, r.input_ohms) for r in equal.recordings} == {(0.5, 1e5)}
        check_poolable(equal.recordings)

    def test_nothing_known_stays_unknown(self, workshop: Dataset) -> None:
        bare = replace(
            workshop, recordings=scaled(workshop, **dict.fromkeys(("s0", "s1", "s2"), (None, None)))
        )
        assert told_equal(bare) == bare

    def test_what_is_known_to_differ_is_not_equal(self, workshop: Dataset) -> None:
        mixed = replace(
            workshop, recordings=scaled(workshop, s0=(0.5, None), s1=(1.0, None), s2=(None, None))
        )
        with pytest.raises(WrongUse, match="--same-scale: full scale is 500 mV in s0 and 1 V in s1"):
            told_equal(mixed)
        mixed = replace(workshop, recordings=scaled(workshop, s0=(1.0, 1e4), s1=(1.0, 1e6), s2=(1.0, None)))
        with pytest.raises(WrongUse, match="--same-scale: input is 10 kohm in s0 and 1 Mohm in s1"):
            told_equal(mixed)


def test_the_commands_stop_and_take_the_word(workshop: Dataset, capsys: pytest.CaptureFixture[str]) -> None:
    """Half the full scale for all sessions is 6 dB less for each threshold, whichever session says it."""
    folder = workshop.folder
    document = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    original = json.dumps(document)
    try:
        _set_scale(folder, {"s0": 0.5})
        assert main(["recommend", str(folder), "--detector", "envelope"]) == 1
        said = capsys.readouterr().err
        assert "sessions s1, s2 are not calibrated but s0 are" in said
        found = {}
        for name, volts in (("one", {"s0": 0.5}), ("all", {"s0": 0.5, "s1": 0.5, "s2": 0.5})):
            _set_scale(folder, volts)
            call = ["recommend", str(folder), "--detector", "envelope", "--same-scale", "--json"]
            assert main([*call, "--out", str(folder.parent / "out.json")]) == 0
            found[name] = json.loads(capsys.readouterr().out)
        assert found["one"]["threshold_v"] == found["all"]["threshold_v"]
        assert found["one"]["calls"] == found["all"]["calls"]
        assert read_dataset(folder).recordings != workshop.recordings
    finally:
        (folder / "datapackage.json").write_text(original, encoding="utf-8")


def _set_scale(folder: Path, volts: dict[str, float]) -> None:
    path = folder / "datapackage.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    for resource in document["resources"]:
        if "session" in resource:
            resource["full_scale_v"] = volts.get(resource["session"])
    path.write_text(json.dumps(document), encoding="utf-8")
