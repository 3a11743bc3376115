"""Write files whole or not at all, and over nothing that is not to be lost."""

import dataclasses
import datetime as dt
import enum
import json
import math
import os
import secrets
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from defectscan.errors import DefectscanError, OutputExistsError, on_one_line


def check_free(paths: Iterable[str | os.PathLike[str]], *, force: bool) -> None:
    """Check, before the work is done, that its outputs can be written.

    Parameters
    ----------
    paths
        The files that are to be written; their folders need not be there yet.
    force
        Whether files that are there may be written over.

    Raises
    ------
    OutputExistsError
        If a file is there already, and `force` is not given.
    DefectscanError
        If a path is a folder or a device, is named twice, or its folder cannot be written to.
    """
    seen: set[Path] = set()
    for path in map(_target, paths):
        if path in seen:
            raise DefectscanError(
                f"{on_one_line(path)} is named for two outputs",
                allowed="each output needs a file of its own",
                remedy="choose another name for one of them",
            )
        seen.add(path)
        try:
            _check_target(path, force=force)
            folder = next((parent for parent in path.parents if parent.exists()), None)
            if folder is None:
                raise not_written(path, f"{on_one_line(path.anchor)} is not there")
            is_open = folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)
        except OSError as error:
            raise not_written(path, error.strerror or str(error)) from error
        if not is_open:
            raise not_written(path, f"{on_one_line(folder)} is not a folder that can be written to")


def write_whole(path: str | os.PathLike[str], data: bytes, *, force: bool) -> None:
    """Write a file so that it appears whole or not at all.

    The bytes go to a hidden file in the same folder, which then takes the name. The folder is
    made where it is missing. A link is followed.

    Parameters
    ----------
    path
        The file.
    data
        Its content.
    force
        Whether a file that is there may be written over.

    Raises
    ------
    OutputExistsError
        If the file is there already, and `force` is not given.
    DefectscanError
        If it is a folder or a device, or cannot be written.
    """
    target = _target(path)
    part = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        _check_target(target, force=force)
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with part.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise not_written(target, error.strerror or str(error)) from error


def to_json(value: object) -> str:
    """Write a value as JSON: numbers unrounded, what is not a finite number as null.

    Parameters
    ----------
    value
        Dataclasses, mappings, sequences, arrays, NumPy and Python scalars, paths, enums and
        dates, nested at will.

    Returns
    -------
    str
        ASCII, indented, with a line end.

    Raises
    ------
    TypeError
        If a part of it is none of these.

    Examples
    --------
    >>> print(to_json({"low": np.float64(0.1), "high": math.inf}), end="")
    {
      "low": 0.1,
      "high": null
    }
    """
    return json.dumps(_plain(value), indent=2, allow_nan=False) + "\n"


def _plain(value: object) -> Any:  # noqa: ANN401 - whatever JSON can hold
    plain: Any
    match value:
        case enum.Enum():
            plain = _plain(value.value)
        case None | bool() | str() | int():
            plain = value
        case float():
            plain = value if math.isfinite(value) else None
        case np.generic() | np.ndarray():
            plain = _plain(value.tolist())
        case os.PathLike():
            plain = os.fspath(value)
        case dt.date():
            plain = value.isoformat()
        case Mapping():
            plain = {str(key): _plain(part) for key, part in value.items()}
        case list() | tuple():
            plain = [_plain(part) for part in value]
        case _ if dataclasses.is_dataclass(value) and not isinstance(value, type):
            fields = dataclasses.fields(value)
            plain = {field.name: _plain(getattr(value, field.name)) for field in fields}
        case _:
            raise TypeError(f"{type(value).__name__} has no form in JSON")
    return plain


def _target(path: str | os.PathLike[str]) -> Path:
    return Path(os.path.realpath(path))


def _check_target(path: Path, *, force: bool) -> None:
    if not os.path.lexists(path):
        return
    if not path.is_file():
        raise not_written(path, "it is there and is not a regular file")
    if not force:
        raise OutputExistsError(
            f"{on_one_line(path)} is there already",
            allowed="nothing is written over without --force",
            remedy="choose another name or give --force",
        )


def not_written(path: Path, reason: str) -> DefectscanError:
    """Word the error that a file cannot be written."""
    return DefectscanError(
        f"{on_one_line(path)} cannot be written ({reason})",
        allowed="a file in a folder that can be written to is needed",
        remedy="choose another place",
    )
