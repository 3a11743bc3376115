"""Read a small TOML file in which a workshop keeps its own settings."""

import tomllib
from pathlib import Path
from typing import Any

from defectscan.errors import DefectscanError, on_one_line

# More than a few lines may take gigabytes to parse: a dotted name of n parts, n² words.
_MOST_BYTES = 10_000
_LONGEST_SHOWN = 60


def read_settings(path: Path) -> dict[str, Any]:
    """Read what a settings file says; nothing where there is none.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    DefectscanError
        If it cannot be read, or is no TOML.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
        told = tomllib.loads(data.decode("utf-8")) if len(data) <= _MOST_BYTES else None
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise DefectscanError(
            f"{path} cannot be read ({' '.join(said.split())[:200]})",
            allowed="a TOML file",
            remedy=_remedy(path),
        ) from error
    if told is None:
        raise DefectscanError(
            f"{path} cannot be read (it has over {_MOST_BYTES} bytes)",
            allowed="a TOML file of a few lines",
            remedy=_remedy(path),
        )
    return told


def wrong_setting(path: Path, name: str, value: Any, *, allowed: str) -> DefectscanError:  # noqa: ANN401 - whatever a file holds
    """Word the error that a settings file says something that is not allowed."""
    told = f"{_shown(name)} = {_shown(repr(value))}"
    return DefectscanError(f"{path.name} says {told}", allowed=allowed, remedy=_remedy(path))


def _remedy(path: Path) -> str:
    return f"correct {path.name} in the book's folder"


def _shown(text: str) -> str:
    text = on_one_line(text)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + "…"
