"""Where a recording came from: whose it is, under which licence, and what audio it was cut from."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from evalkit.names import check_name

__all__ = ["Cut", "Origin"]

_SHA256 = re.compile(r"[0-9a-f]{64}")
_SHA512 = re.compile(r"[0-9a-f]{128}")
# Whole numbers of JSON have no bounds, those of other programs end here.
_MOST = 2**53
_LONGEST_LICENCE = 200


@dataclass(frozen=True)
class Origin:
    """The pack that brought a recording."""

    maker: str
    """Who made the recording, by the name that they chose, or a name made of the pack's checksum."""
    spdx: str | None
    """SPDX expression of its licence; None: none was given."""
    pack_sha512: str
    """Checksum of the bag: the SHA-512 of its tag manifest, in hexadecimal."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a property of the recording's resource."""
        return {"maker": self.maker, "spdx": self.spdx, "pack_sha512": self.pack_sha512}

    @classmethod
    def of_json(cls, document: object) -> "Origin":
        """Return what `to_json` has written; ValueError, in one line, for anything else."""
        table = _table(document)
        maker, spdx, pack = table.get("maker"), table.get("spdx"), table.get("pack_sha512")
        if not isinstance(maker, str):
            raise ValueError("maker must be a name")
        check_name(maker, "maker")
        if not isinstance(pack, str) or not _SHA512.fullmatch(pack):
            raise ValueError("pack_sha512 must be 128 hexadecimal digits")
        return cls(maker, licence_of_json(spdx), pack)


@dataclass(frozen=True)
class Cut:
    """The audio that a shared recording is a part of."""

    audio_sha256: str
    """Of the whole, as `recordings.audio_sha256` gives it."""
    start_frame: int
    """Frame of the whole at which the part begins."""
    lowpass_hz: float | None = None
    """Edge of the low-pass filter that the part went through; None: it is the same samples."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a property of the recording's resource."""
        return {
            "audio_sha256": self.audio_sha256,
            "start_frame": self.start_frame,
            "lowpass_hz": self.lowpass_hz,
        }

    @classmethod
    def of_json(cls, document: object) -> "Cut":
        """Return what `to_json` has written; ValueError, in one line, for anything else."""
        table = _table(document)
        sha256, start, lowpass = (table.get(key) for key in ("audio_sha256", "start_frame", "lowpass_hz"))
        if not isinstance(sha256, str) or not _SHA256.fullmatch(sha256):
            raise ValueError("audio_sha256 must be 64 hexadecimal digits")
        if isinstance(start, bool) or not isinstance(start, int) or not 0 <= start < _MOST:
            raise ValueError(f"start_frame must be a whole number of at least 0, not {start!r}")
        if lowpass is None:
            return cls(sha256, start)
        if isinstance(lowpass, bool) or not isinstance(lowpass, int | float) or not 0 < lowpass < _MOST:
            raise ValueError(f"lowpass_hz must be a number above 0 or null, not {lowpass!r}")
        return cls(sha256, start, float(lowpass))


def licence_of_json(value: object) -> str | None:
    """Return a licence's identifier or None; ValueError, in one line, for anything else."""
    if value is None:
        return None
    if not isinstance(value, str) or len(value) > _LONGEST_LICENCE:
        raise ValueError("spdx must be a licence's identifier or null")
    check_name(value, "licence")
    return value


def _table(document: object) -> Mapping[str, Any]:
    if not isinstance(document, dict):
        raise ValueError("must be an object")
    return document
