"""Zip files: written so that the same content gives the same bytes, read as if an enemy had made them.

What is written holds no date, no system, no name but the members', and in its
comment the SHA-512 of every byte before it, so that no byte can change
unnoticed. What is read must be of the plain form that this needs: members one
after the other without gaps, stored or deflated, regular files under names
that are harmless everywhere, and nothing else.
"""

import hashlib
import os
import re
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from evalkit.errors import FileFault
from evalkit.names import check_name, name_key, visible

__all__ = ["Archive", "ArchiveLimits", "Member", "open_archive", "write_archive"]

_COPY_BYTES = 1 << 20
_COMMENT = "evalkit pack; SHA-512 of all bytes before this comment: "
_COMMENT_BYTES = len(_COMMENT) + 128
_END = struct.Struct("<4s4H2LH")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LOCATOR_64 = struct.Struct("<4sLQL")
_LOCAL = struct.Struct("<4s5H3L2H")
_UTF8_FLAG = 0x800
# Bits 1 and 2 say how hard a deflated member was squeezed.
_FLAGS = _UTF8_FLAG | 0x6
_ENCRYPTED_FLAG = 0x1
_LARGE = 0xFFFF_FFFF
_ZIP64_EXTRA = 1
_LONGEST_PATH_BYTES = 400
_LONGEST_NAME_BYTES = 255
_DEEPEST = 4
# A small text may be mostly blanks; what matters is what fills a disk.
_RATIO_FROM_BYTES = 1 << 20
_BYTES_OF_ENTRY = 46 + _LONGEST_PATH_BYTES + 64


@dataclass(frozen=True)
class ArchiveLimits:
    """What a zip file of someone else's may ask of the disk."""

    members: int = 10_000
    total_bytes: int = 64 << 30
    """Unpacked, of all members together."""
    ratio: float = 100.0
    """Bytes unpacked over bytes packed, of all together and of each member over 1 MiB."""


@dataclass(frozen=True)
class Member:
    """One file to be written into a zip file."""

    name: str
    size: int
    read: Callable[[], Iterable[bytes]]
    """Returns its content in pieces."""


def write_archive(stream: BinaryIO, members: Iterable[Member]) -> None:
    """Write a zip file of members in the order given, nothing compressed.

    Parameters
    ----------
    stream : binary stream
        Empty, seekable, readable.
    members : iterable of Member
    """
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for member in members:
            info = zipfile.ZipInfo(member.name, (1980, 1, 1, 0, 0, 0))
            # 3: Unix; without it the bytes would tell on which system the pack was made.
            info.create_system = 3
            info.external_attr = (stat.S_IFREG | 0o644) << 16
            info.file_size = member.size
            with archive.open(info, "w") as target:
                for piece in member.read():
                    target.write(piece)
        archive.comment = bytes(_COMMENT_BYTES)
    stream.flush()
    n_bytes = stream.seek(0, os.SEEK_END) - _COMMENT_BYTES
    digest = _digest(stream, n_bytes)
    stream.seek(n_bytes)
    stream.write((_COMMENT + digest).encode("ascii"))


class Archive:
    """The members of an open zip file that was found harmless in form."""

    def __init__(self, path: Path, archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> None:
        self.path = path
        self._archive = archive
        self._members = members

    @property
    def sizes(self) -> Mapping[str, int]:
        """Length in bytes of each member, by its name, unpacked."""
        return {name: info.file_size for name, info in self._members.items()}

    def pieces(self, name: str) -> Iterator[bytes]:
        """Yield the content of a member.

        Raises
        ------
        FileFault
            If it cannot be unpacked, or its checksum or length is another than the archive says.
        """
        left = self._members[name].file_size
        with _told(self.path), self._archive.open(self._members[name]) as member:
            while piece := member.read(_COPY_BYTES):
                left -= len(piece)
                yield piece
        if left:
            raise FileFault(f"{self.path}: {name} is shorter than the zip file says")

    def read(self, name: str, *, most_bytes: int) -> bytes:
        """Return the content of a small member.

        Raises
        ------
        FileFault
            As for `pieces`, and if it is larger than `most_bytes`.
        """
        size = self._members[name].file_size
        if size > most_bytes:
            raise FileFault(f"{self.path}: {name} has {size} bytes; at most {most_bytes} are allowed")
        return b"".join(self.pieces(name))


@contextmanager
def open_archive(path: Path, limits: ArchiveLimits) -> Iterator[Archive]:
    """Open a zip file and check its form; no member is unpacked yet.

    Raises
    ------
    FileFault
        For whatever is not a zip file of the plain form, is larger than
        `limits`, or has a member whose name could do harm on some system.
    """
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
            raise FileFault(f"{path}: is {kind}, not a pack")
        stream = path.open("rb")
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    with stream:
        with _told(path):
            directory_at = _check_end(stream, path, limits)
            archive = zipfile.ZipFile(stream)
        with archive:
            infos = archive.infolist()
            _check_sizes(infos, path, limits)
            with _told(path):
                for info in infos:
                    _check_entry(info, path)
                _check_names([info.filename for info in infos], path)
                _check_layout(stream, infos, directory_at, path)
            yield Archive(path, archive, {info.filename: info for info in infos})


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Tell in one line what the zip library and the disk make of a broken file."""
    try:
        yield
    except (
        zipfile.BadZipFile,
        zlib.error,
        struct.error,
        EOFError,
        NotImplementedError,
        UnicodeDecodeError,
        OverflowError,
    ) as error:
        raise FileFault(f"{path}: is not a sound zip file ({error or type(error).__name__})") from error
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error


def _check_end(stream: BinaryIO, path: Path, limits: ArchiveLimits) -> int:
    """Check the end of the file, and its comment if it has one; return where the directory begins."""
    size = stream.seek(0, os.SEEK_END)
    comment_bytes = 0
    end = _record_at(stream, size - _END.size, _END, b"PK\5\6")
    if end is None or end[-1] != 0:
        comment_bytes = _COMMENT_BYTES
        end = _record_at(stream, size - _END.size - comment_bytes, _END, b"PK\5\6")
        if end is None or end[-1] != comment_bytes:
            raise FileFault(f"{path}: is not a zip file, or was cut short or added to")
        _check_comment(stream, path, size - comment_bytes)
    directory_end = size - _END.size - comment_bytes
    _, disk, directory_disk, here, count, directory_bytes, directory_at, _ = end
    locator_at = directory_end - _LOCATOR_64.size
    locator = _record_at(stream, locator_at, _LOCATOR_64, b"PK\6\7")
    if locator is not None:
        # A large archive has its true figures in a record of their own.
        record = _record_at(stream, locator_at - _END_64.size, _END_64, b"PK\6\6")
        if record is None or locator[2] != locator_at - _END_64.size:
            raise FileFault(f"{path}: is not a sound zip file (its end is broken)")
        _, _, _, _, disk, directory_disk, here, count, directory_bytes, directory_at = record
        directory_end = locator_at - _END_64.size
    if disk or directory_disk or here != count:
        raise FileFault(f"{path}: is a part of a zip file in several parts")
    if directory_at + directory_bytes != directory_end:
        raise FileFault(f"{path}: has something before, between or after the parts of the zip file")
    if count > limits.members:
        raise FileFault(f"{path}: holds {count} files; at most {limits.members} are allowed")
    if directory_bytes > limits.members * _BYTES_OF_ENTRY:
        raise FileFault(f"{path}: its list of files has {directory_bytes} bytes, which is too many")
    return int(directory_at)


def _record_at(stream: BinaryIO, at: int, form: struct.Struct, signature: bytes) -> tuple[int, ...] | None:
    if at < 0:
        return None
    stream.seek(at)
    data = stream.read(form.size)
    if len(data) < form.size or data[:4] != signature:
        return None
    return form.unpack(data)


def _check_comment(stream: BinaryIO, path: Path, n_bytes: int) -> None:
    stream.seek(n_bytes)
    comment = stream.read(_COMMENT_BYTES)
    if not re.fullmatch(re.escape(_COMMENT.encode("ascii")) + rb"[0-9a-f]{128}", comment):
        raise FileFault(f"{path}: has a comment that is not a pack's")
    if comment[len(_COMMENT) :] != _digest(stream, n_bytes).encode("ascii"):
        raise FileFault(f"{path}: was changed or damaged: its checksum does not fit; fetch it again")


def _digest(stream: BinaryIO, n_bytes: int) -> str:
    """Return the SHA-512 of the first bytes of a file."""
    digest = hashlib.sha512()
    stream.seek(0)
    while n_bytes > 0 and (piece := stream.read(min(_COPY_BYTES, n_bytes))):
        digest.update(piece)
        n_bytes -= len(piece)
    return digest.hexdigest()


def _check_sizes(infos: Iterable[zipfile.ZipInfo], path: Path, limits: ArchiveLimits) -> None:
    total = packed = 0
    for info in infos:
        total += info.file_size
        packed += info.compress_size
        if info.file_size > _RATIO_FROM_BYTES and info.file_size > limits.ratio * info.compress_size:
            raise FileFault(
                f"{path}: {visible(info.filename)} would grow "
                f"{info.file_size / max(1, info.compress_size):.0f}-fold; "
                f"at most {limits.ratio:g}-fold is allowed"
            )
    if total > limits.total_bytes:
        raise FileFault(f"{path}: would fill {total} bytes; at most {limits.total_bytes} are allowed")
    if total > _RATIO_FROM_BYTES and total > limits.ratio * packed:
        raise FileFault(
            f"{path}: would grow {total / max(1, packed):.0f}-fold; at most {limits.ratio:g}-fold is allowed"
        )


def _check_entry(info: zipfile.ZipInfo, path: Path) -> None:
    name = visible(info.orig_filename)
    if not info.filename:
        raise FileFault(f"{path}: a file in it has no name")
    if info.flag_bits & _ENCRYPTED_FLAG:
        raise FileFault(f"{path}: {name} is encrypted")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise FileFault(f"{path}: {name} is compressed in a way that packs do not use")
    kind = stat.S_IFMT(info.external_attr >> 16)
    if kind not in (0, stat.S_IFREG) or info.filename.endswith("/"):
        what = "a symbolic link" if kind == stat.S_IFLNK else "not a regular file"
        raise FileFault(f"{path}: {name} is {what}")
    if info.flag_bits & ~_FLAGS or info.comment or not _only_sizes(info.extra):
        raise FileFault(f"{path}: {name} has properties that packs do not use")
    if info.orig_filename != info.filename:
        raise FileFault(f"{path}: {name} has a name that programs read differently")
    if not info.filename.isascii() and not info.flag_bits & _UTF8_FLAG:
        raise FileFault(f"{path}: {name} has a name that is not marked as UTF-8")


def _only_sizes(extra: bytes) -> bool:
    """Whether the additional fields of an entry are at most the sizes of a large member."""
    if not extra:
        return True
    return len(extra) >= 4 and struct.unpack("<HH", extra[:4]) == (_ZIP64_EXTRA, len(extra) - 4)


def _check_names(names: Iterable[str], path: Path) -> None:
    files: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        parts = name.split("/")
        try:
            if not parts[0] or ".." in parts:
                raise ValueError("the name leads out of the folder")
            for part in parts:
                check_name(part, "name")
                if len(part.encode("utf-8")) > _LONGEST_NAME_BYTES:
                    raise ValueError(f"the name has a part of over {_LONGEST_NAME_BYTES} bytes")
            if len(name.encode("utf-8")) > _LONGEST_PATH_BYTES:
                raise ValueError(f"the name has over {_LONGEST_PATH_BYTES} bytes")
            if len(parts) > _DEEPEST:
                raise ValueError(f"the name is more than {_DEEPEST} folders deep")
            if unicodedata.normalize("NFC", name) != name:
                raise ValueError("the name is not in the composed form of Unicode (NFC)")
            if "%" in name:
                # BagIt writes some characters as %XX, and programs differ in which.
                raise ValueError("the name holds %")
        except ValueError as error:
            raise FileFault(f"{path}: {visible(name)}: {error}") from error
        for depth in range(1, len(parts)):
            folder = "/".join(parts[:depth])
            if folders.setdefault(name_key(folder), folder) != folder:
                raise FileFault(
                    f"{path}: {folder} and {folders[name_key(folder)]} are one name to some system"
                )
        if name_key(name) in files:
            other = files[name_key(name)]
            what = "is there twice" if other == name else f"and {other} are one name to some system"
            raise FileFault(f"{path}: {name} {what}")
        files[name_key(name)] = name
    for key in files.keys() & folders.keys():
        raise FileFault(f"{path}: {files[key]} is a file and a folder")


def _check_layout(stream: BinaryIO, infos: Iterable[zipfile.ZipInfo], directory_at: int, path: Path) -> None:
    """Check that members lie one after the other, each under a header that says what the list says."""
    expected_at = 0
    for info in sorted(infos, key=lambda info: info.header_offset):
        if info.header_offset != expected_at:
            raise FileFault(f"{path}: {info.filename} overlaps another member, or a gap lies before it")
        header = _record_at(stream, expected_at, _LOCAL, b"PK\3\4")
        if header is None:
            raise FileFault(f"{path}: {info.filename} has no header")
        _, _, flags, method, _, _, crc, packed, size, name_bytes, extra_bytes = header
        extra = stream.read(name_bytes + extra_bytes)[name_bytes:]
        if extra and _only_sizes(extra) and len(extra) == 20 and _LARGE in (packed, size):
            size, packed = struct.unpack("<QQ", extra[4:])
        elif extra:
            raise FileFault(f"{path}: {info.filename} has properties that packs do not use")
        told = (flags, method, crc, packed, size)
        if told != (info.flag_bits, info.compress_type, info.CRC, info.compress_size, info.file_size):
            raise FileFault(f"{path}: {info.filename} is described in two ways")
        expected_at += _LOCAL.size + name_bytes + extra_bytes + info.compress_size
    if expected_at != directory_at:
        raise FileFault(f"{path}: has something between the last member and the list of files")
