"""What a long run has done so far, kept beside its results until it ends."""

import json
import os
from pathlib import Path
from typing import Any

from defectscan.output import not_written


class Unfinished:
    """A file of JSON lines, one for each thing done; a run that was stopped goes on from it.

    Parameters
    ----------
    path
        The file; it need not be there.
    settings
        What the results hang on, as JSON holds it: what was done with others is not taken over.
    """

    def __init__(self, path: Path, settings: dict[str, Any]) -> None:
        self._path = path
        self._settings = settings
        self._done: dict[str, dict[str, Any]] = {}
        for line in _lines(path):
            # The last line may be cut off, where the run was.
            try:
                entry = json.loads(line)
                if entry["settings"] == settings and isinstance(entry["done"], dict):
                    self._done[entry["name"]] = entry["done"]
            except (ValueError, KeyError, TypeError):
                continue

    def __contains__(self, name: str) -> bool:
        """Tell whether something was done."""
        return name in self._done

    def done(self, name: str) -> dict[str, Any] | None:
        """Return what was kept of it, or `None`."""
        return self._done.get(name)

    def keep(self, name: str, done: dict[str, Any]) -> None:
        """Keep what was done.

        Raises
        ------
        DefectscanError
            If it cannot be written.
        """
        self._done[name] = done
        entry = {"name": name, "settings": self._settings, "done": done}
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as file:
                file.write("\n" + json.dumps(entry))
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise not_written(self._path, error.strerror or str(error)) from error

    def finish(self) -> None:
        """Take the file away: the results are written."""
        self._path.unlink(missing_ok=True)


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
