"""The one exception family of the project.

Everything a user can mend is a :class:`RimgaugeError`; the command line turns it into
one line on standard error and exit status 2.  Anything else that escapes is our bug.
"""

from __future__ import annotations

from typing import ClassVar


class RimgaugeError(Exception):
    """A fault the user can mend.

    Parameters
    ----------
    message : str
        One sentence: what is wrong, with which file or value.
    remedy : str
        One sentence: what to do about it; may be empty.
    """

    code: ClassVar[str] = "error"
    exit_code: ClassVar[int] = 2

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message if not remedy else f"{message} {remedy}")
        self.message = message
        self.remedy = remedy


class SpecError(RimgaugeError):
    """A coupon or print is described in a way that can't be made."""

    code: ClassVar[str] = "spec"


class ManifestError(RimgaugeError):
    """A manifest can't be read, is damaged or is newer than this program."""

    code: ClassVar[str] = "manifest"


class FileError(RimgaugeError):
    """A file can't be read or written."""

    code: ClassVar[str] = "file"


class RecordError(RimgaugeError):
    """The user's records miss something, contradict themselves or can't be opened."""

    code: ClassVar[str] = "record"
