"""Measure swirls and scratches in clear coat from photos under a point light."""

from importlib import import_module
from typing import Any

from defectscan.errors import (
    DefectscanError,
    NotMeasurableError,
    OutputExistsError,
    UnreadablePhotoError,
)
from defectscan.flags import Flag
from defectscan.version import __version__

_HOMES = {
    "Comparison": "defectscan.pipeline",
    "PanelScore": "defectscan.measurement.state",
    "Photo": "defectscan.imaging.photo",
    "compare": "defectscan.pipeline",
    "read_photo": "defectscan.imaging.photo",
    "score": "defectscan.pipeline",
}

__all__ = [
    "Comparison",
    "DefectscanError",
    "Flag",
    "NotMeasurableError",
    "OutputExistsError",
    "PanelScore",
    "Photo",
    "UnreadablePhotoError",
    "__version__",
    "compare",
    "read_photo",
    "score",
]


def __getattr__(name: str) -> Any:  # noqa: ANN401 - the names are of several kinds
    """Import what measures only when it is asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'defectscan' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
