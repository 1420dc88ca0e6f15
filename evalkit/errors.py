"""The errors that evalkit reports to a person.

    EvalkitError            exit status 1: reported in one line, no traceback
    +-- FileFault           a file or its content does not allow what was asked
    +-- TooLittleData       no setting or figure can be computed from these data
    +-- Busy                another program is writing to the dataset
    +-- WrongUse            exit status 2: a bad option, value or unknown name

Anything else that escapes is a bug of ours and keeps its traceback.
"""

from collections.abc import Sequence

__all__ = ["Busy", "EvalkitError", "FileFault", "TooLittleData", "WrongUse"]


class EvalkitError(Exception):
    """Something that the user can mend, told in one line.

    Parameters
    ----------
    message : str
        One line that names the file or value, the place and the mend.
    details : sequence of str
        One line for each single fault, where one message stands for many
        (wrong rows of a label table, say).
    """

    exit_status = 1

    def __init__(self, message: str, *, details: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.details = tuple(details)


class FileFault(EvalkitError):
    """A file, or what is in it, does not allow what was asked."""


class TooLittleData(EvalkitError):
    """The data do not allow any figure of the kind that was asked for."""


class Busy(EvalkitError):
    """Another program holds the dataset's lock."""


class WrongUse(EvalkitError):
    """A bad option or value, or an unknown name."""

    exit_status = 2
