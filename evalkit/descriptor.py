"""`datapackage.json` of a dataset: the standard's properties and ours, read and written."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evalkit.durable import dataset_lock, write_bytes
from evalkit.entries import Descriptor, RecordingEntry, pick_named
from evalkit.errors import FileFault
from evalkit.package_text import (
    format_descriptor,
    label_table_resource,
    parse_descriptor,
    resource_name,
)

__all__ = [
    "DESCRIPTOR_NAME",
    "Descriptor",
    "RecordingEntry",
    "format_descriptor",
    "label_table_resource",
    "locked_descriptor",
    "new_descriptor",
    "parse_descriptor",
    "pick_named",
    "read_descriptor",
    "write_descriptor",
]

DESCRIPTOR_NAME = "datapackage.json"
"""The file's name, fixed by the standard."""


def read_descriptor(folder: Path) -> Descriptor:
    """Return what a dataset's `datapackage.json` says.

    Raises
    ------
    FileFault
        If there is none or it is wrong: all faults together, each with its
        place.
    """
    path = folder / DESCRIPTOR_NAME
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise FileFault(
            f"{path}: no such file, so {path.parent} is not a dataset; `evalkit new` makes one"
        ) from error
    except NotADirectoryError as error:
        raise FileFault(f"{path.parent}: is not a folder, so it is not a dataset") from error
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    return parse_descriptor(data, path=path, default_title=folder.resolve().name)


@contextmanager
def locked_descriptor(folder: Path) -> Iterator[Descriptor]:
    """Hold the dataset's lock and give what its `datapackage.json` says.

    Raises
    ------
    FileFault
        If `folder` is no dataset; nothing is made in it then.
    Busy
        If another program holds the lock.
    """
    read_descriptor(folder)
    with dataset_lock(folder):
        # Read again: another program may have written since, up to the moment that we held the lock.
        yield read_descriptor(folder)


def write_descriptor(folder: Path, descriptor: Descriptor) -> None:
    """Write `datapackage.json`, atomically; the caller holds the dataset's lock."""
    write_bytes(folder / DESCRIPTOR_NAME, format_descriptor(descriptor))


def new_descriptor(title: str, *, spdx: str | None) -> Descriptor:
    """Return the descriptor of a dataset without recordings."""
    files = (
        {"name": "board", "path": "board.toml", "title": "The circuit", "mediatype": "application/toml"},
        {"name": "day", "path": "day.toml", "title": "The day's exposure", "mediatype": "application/toml"},
    )
    return Descriptor(resource_name(title), title, spdx, other_resources=files)
