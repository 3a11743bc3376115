"""What may not change the answer, on small panels; `benchmarks/metamorphic.py` asks 50 large ones.

A figure may move within the interval that it was first given, and where nothing but the pixels'
places changes, hardly at all.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

from defectscan.simulation.develop import Development
from defectscan.simulation.specimen import Specimen, Stand, render_states
from tests.conftest import MM_PER_PX, RenderedPhotos

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import metamorphic
from metamorphic import CHANGES, Check, Subject

RELATIVE = {"turn": 0.05, "mirror": 0.05, "order": 0.02, "JPEG": 0.15, "exposure": 0.1}
# Each change once; tests/test_pipeline.py asks more of the flat panel.
OF_FLAT = ("mirror", f"scale {metamorphic.ZOOM}", "crop", "JPEG 75-95", "grooves added")
OF_CURVED = ("exposure 1.3", "turn 90", "copy of it", "swapped", "order of shots", "shot added")


def run(one: Subject, changes: tuple[str, ...]) -> dict[str, Check]:
    with metamorphic.looked_at_once():
        return {change: CHANGES[change](one, change) for change in changes}


@pytest.fixture(scope="module")
def flat(photos: RenderedPhotos, tmp_path_factory: pytest.TempPathFactory) -> Subject:
    """Take the flat black panel with trim and tape."""
    return Subject(
        seed=0,
        mm_per_px=MM_PER_PX,
        before=tuple(sorted(photos.before.iterdir())),
        after=tuple(sorted(photos.after.iterdir())),
        lit=photos.states[0].shots[0].lit,
        rng=np.random.default_rng(0),
        folder=tmp_path_factory.mktemp("flat"),
    )


@pytest.fixture(scope="module")
def curved(tmp_path_factory: pytest.TempPathFactory) -> Subject:
    """Render a small curved panel of blue paint."""
    states = render_states(
        Specimen(
            paint="blue metallic", density_mm_per_cm2=220, across_mm=80, margin_mm=30,
            radius_mm=500,
        ),
        stand=Stand(width_px=800, move_mm=10),
        development=Development(),
        seed=8,
        shots=2,
    )  # fmt: skip
    folder = tmp_path_factory.mktemp("curved")
    files: list[tuple[Path, ...]] = []
    for state in states:
        paths = [folder / f"{state.name}_{number}.jpg" for number in range(2)]
        for path, shot in zip(paths, state.shots, strict=True):
            path.write_bytes(shot.jpeg)
        files.append(tuple(paths))
    return Subject(
        seed=1,
        mm_per_px=states[0].shots[0].mm_per_px,
        before=files[0],
        after=files[1],
        lit=states[0].shots[0].lit,
        rng=np.random.default_rng(1),
        folder=folder,
    )


@pytest.mark.parametrize(("name", "changes"), [("flat", OF_FLAT), ("curved", OF_CURVED)])
def test_what_may_not_change_the_answer_does_not(
    name: str, changes: tuple[str, ...], request: pytest.FixtureRequest
) -> None:
    found = run(request.getfixturevalue(name), changes)
    assert [check for check in found.values() if not check.held] == []
    for change, check in found.items():
        assert check.first is not None
        assert check.changed is not None
        allowed = RELATIVE.get(change.split()[0])
        if allowed is not None:
            assert (change, check.changed) == (change, pytest.approx(check.first, rel=allowed))
        if change == "grooves added":
            assert check.changed > 1.2 * check.first


def test_the_table_tells_what_was_not_held() -> None:
    rows = [
        Check(change="mirror", seed=3, first=100, low=90, high=110, changed=120, width_ratio=2.0),
        Check(change="mirror", seed=4, first=100, low=90, high=110, changed=102, held=True),
        Check(change="crop", seed=5, refused="no highlight"),
    ]
    table = metamorphic.table(rows)
    assert "| mirror | 2 | 1 | +11.00 % | 11.00 % | +20.0 % | x2.00 | 0 |" in table
    assert "not held: mirror, seed 3: 100 (90 to 110) became 120" in table
    assert "no figure: crop, seed 5: no highlight" in table
