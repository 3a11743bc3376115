"""What tests of commands share: photos to keep, and how a command ends."""

from pathlib import Path

import numpy as np
from PIL import Image

from tests.conftest import Outcome


def plain_photo(path: Path, *, seed: int = 0) -> Path:
    """Write a photo that can be kept, but not measured."""
    pixels = np.random.default_rng(seed).integers(20, 30, (240, 320, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(path)
    return path


def well(told: Outcome) -> str:
    assert (told.status, told.err) == (0, ""), told
    return told.out


def refused(told: Outcome, says: str) -> None:
    assert told.status == 1, told
    assert told.out == ""
    assert says in told.err
    assert told.err.count("\n") == 1
