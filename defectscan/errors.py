"""Errors that mean "cannot be measured or read": what is wrong, what is allowed, what to do."""

from functools import partial
from pathlib import Path
from typing import Any


class DefectscanError(Exception):
    """Say in one line what is wrong and its value, what is allowed, and what to do.

    Parameters
    ----------
    what
        What is wrong, with its value.
    allowed
        What would have been accepted.
    remedy
        What the user can do about it.
    """

    def __init__(self, what: str, *, allowed: str, remedy: str) -> None:
        self.what = what
        self.allowed = allowed
        self.remedy = remedy
        super().__init__(f"{what}; {allowed}; {remedy}")

    def __reduce__(self) -> "tuple[Any, ...]":
        """Travel from one process to another whole."""
        return partial(type(self), allowed=self.allowed, remedy=self.remedy), (self.what,)


class UnreadablePhotoError(DefectscanError):
    """The file is not a photo that can be read whole."""


class NotMeasurableError(DefectscanError):
    """The photo can be read, but holds nothing that can be measured."""


class OutputExistsError(DefectscanError):
    """The output is there already and may not be written over."""


def on_one_line(text: str | Path) -> str:
    """Return a text as it stands or, where it cannot be printed so, as Python writes it."""
    return str(text) if str(text).isprintable() else repr(str(text))
