"""A job on disk: a folder with photos, and job.json, which says what they show."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from defectscan import pipeline
from defectscan.errors import DefectscanError, UnreadablePhotoError
from defectscan.states import Progress, silent

_LEAST, _MOST = 1e-4, 10.0  # mm per px, as the commands take it
_MOST_PANELS = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPanel:
    """One panel of a job.

    Attributes
    ----------
    title
        Its name in the report.
    before, after
        Photos, or folders of shots.
    mm_per_px
        Scale of the photos, if known.
    """

    title: str
    before: Path
    after: Path
    mm_per_px: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job: its title, what it is about in a few words, and its panels."""

    title: str
    subtitle: str
    panels: tuple[JobPanel, ...]


def read_job(folder: Path) -> Job:
    """Read a folder's job.json.

    Parameters
    ----------
    folder
        Holds job.json: panels, each with title, before, after (paths within the folder) and
        mm_per_px (or null); a title and a scenario of the whole, if wanted.

    Raises
    ------
    UnreadablePhotoError
        If job.json is missing or says something else.
    """
    file = folder / "job.json"
    try:
        said = json.loads(file.read_text(encoding="utf-8"))
        panels = tuple(_panel(folder, entry) for entry in said["panels"])
        title = said.get("title", folder.resolve().name.replace("_", " ").capitalize())
        job = Job(title=_text(title), subtitle=_text(said.get("scenario", "")), panels=panels)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise UnreadablePhotoError(
            f"{file}: {type(error).__name__}: {' '.join(str(error).split())[:200]}",
            allowed="a JSON object with title and panels (title, before, after, mm_per_px) is read",
            remedy="name a folder that holds such a job.json",
        ) from error
    if not job.panels:
        raise UnreadablePhotoError(
            f"{file}: it lists no panels",
            allowed="at least one is needed",
            remedy="add a panel with its photos before and after",
        )
    if len(job.panels) > _MOST_PANELS:
        raise UnreadablePhotoError(
            f"{file}: it lists {len(job.panels)} panels",
            allowed=f"at most {_MOST_PANELS} go into one report",
            remedy="make several jobs of it",
        )
    return job


def compare_panels(
    job: Job, *, seed: int = 0, progress: Progress = silent
) -> Iterator[pipeline.Comparison | DefectscanError]:
    """Compare before and after of every panel, in order; give the reason where it fails."""
    for panel in job.panels:
        try:
            yield pipeline.compare(
                panel.before, panel.after, mm_per_px=panel.mm_per_px, seed=seed, progress=progress
            )
        except DefectscanError as error:
            yield error


def _panel(folder: Path, entry: dict[str, Any]) -> JobPanel:
    scale = entry.get("mm_per_px")
    is_number = isinstance(scale, (int, float)) and not isinstance(scale, bool)
    if scale is not None and not (is_number and _LEAST <= scale <= _MOST):
        raise ValueError(f"mm_per_px is {str(scale)[:40]}, not from {_LEAST:g} to {_MOST:g}")
    before, after = entry["before"], entry["after"]
    if not (isinstance(before, str) and isinstance(after, str)):
        raise TypeError("before and after name photos or folders")
    return JobPanel(
        title=_text(entry["title"]),
        before=folder / before,
        after=folder / after,
        mm_per_px=None if scale is None else float(scale),
    )


def _text(told: Any) -> str:  # noqa: ANN401 - whatever JSON holds
    """Return a text of the file as one that can be written; JSON takes halves of letters, too."""
    if not isinstance(told, str):
        raise TypeError(f"a title or a scenario is a text, not {type(told).__name__}")
    return told.encode("utf-8", "backslashreplace").decode()
