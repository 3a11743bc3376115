"""Real photos that show no paint under a lamp: refused in plain words, whatever they show.

The pictures come with scikit-image (its data/README.txt names their authors and licences); the
pair is from the Middlebury stereo benchmark: D. Scharstein et al., German Conference on Pattern
Recognition 2014.
"""

import json
from pathlib import Path

import pytest
import skimage.data

from tests.conftest import Run

DATA = Path(skimage.data.__file__).parent
NO_LAMP = ("motorcycle_left.png", "rocket.jpg", "retina.jpg", "brick.png", "moon.png")
LAMPS = ("coins.png", "astronaut.png", "coffee.png")


@pytest.mark.parametrize("name", NO_LAMP)
def test_a_photo_without_a_lamp_is_refused(run: Run, name: str) -> None:
    told = run("check", DATA / name)
    assert told.status == 1
    assert "- No highlight: the lamp does not mirror in the paint" in told.out
    assert told.out.count("\n") <= 4
    told = run("score", DATA / name)
    assert (told.status, told.out) == (1, "")
    assert told.err.startswith(f"{name}: no highlight of a lamp in the photo; ")


@pytest.mark.parametrize("name", LAMPS)
def test_bright_spots_of_another_kind_pass_for_no_lamp_over_paint(run: Run, name: str) -> None:
    assert run("check", DATA / name).status == 1
    told = run("score", DATA / name)
    assert (told.status, told.out) == (1, "")
    (line,) = told.err.splitlines()
    assert line.startswith(f"{name}: ")


def test_two_views_of_one_thing_differ_by_nothing_that_could_be_told(run: Run) -> None:
    pair = DATA / "motorcycle_left.png", DATA / "motorcycle_right.png"
    told = run("compare", *pair, "--as-seen", "--json", "-")
    assert told.status == 0
    correction = json.loads(told.out)["correction_percent"]
    assert correction["low"] < 0 < correction["high"]
