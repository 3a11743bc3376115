"""A job on disk: a folder with photos, and job.json, which says what they show."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from defectscan import pipeline
from defectscan.errors import UnreadablePhotoError
from defectscan.shots import Progress, silent


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
        title = str(said.get("title", folder.resolve().name.replace("_", " ").capitalize()))
        job = Job(title=title, subtitle=str(said.get("scenario", "")), panels=panels)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UnreadablePhotoError(
            f"{file}: {type(error).__name__}: {error}",
            allowed="a JSON object with title and panels (title, before, after, mm_per_px) is read",
            remedy="name a folder that holds such a job.json",
        ) from error
    if not job.panels:
        raise UnreadablePhotoError(
            f"{file}: it lists no panels",
            allowed="at least one is needed",
            remedy="add a panel with its photos before and after",
        )
    return job


def compare_panels(
    job: Job, *, seed: int = 0, progress: Progress = silent
) -> list[pipeline.Comparison]:
    """Compare before and after of every panel, in order."""
    return [
        pipeline.compare(
            panel.before, panel.after, mm_per_px=panel.mm_per_px, seed=seed, progress=progress
        )
        for panel in job.panels
    ]


def _panel(folder: Path, entry: dict[str, Any]) -> JobPanel:
    scale = entry.get("mm_per_px")
    return JobPanel(
        title=str(entry["title"]),
        before=folder / str(entry["before"]),
        after=folder / str(entry["after"]),
        mm_per_px=None if scale is None else float(scale),
    )
