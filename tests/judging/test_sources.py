"""Where a deck's photos come from."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from defectscan.errors import DefectscanError
from defectscan.judging.scale import Scale
from defectscan.judging.sources import (
    Measuring,
    Source,
    from_book,
    from_folders,
    read_candidates,
    without_clips,
)
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Job, Panel, Pass, Result, Shot, State
from tests.conftest import MM_PER_PX, RenderedPhotos


def photo(path: Path, *, seed: int = 0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    pixels = np.random.default_rng(seed).integers(20, 30, (240, 320, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(path)
    return path


def silent(_: str) -> None:
    pass


def test_photos_pairs_and_folders_of_pairs_are_found(tmp_path: Path) -> None:
    for name in (
        "a/before.png",
        "a/after.png",
        "b/before/2.png",
        "b/before/10.png",
        "b/after/1.png",
    ):
        photo(tmp_path / "pairs" / name)
    photo(tmp_path / "pairs" / "a" / "truth" / "lit.png")
    photo(tmp_path / "singles" / "1.png")
    pairs = from_folders([tmp_path / "pairs"], pairs=True)
    assert [[p.name for state in one.states for p in state] for one in pairs] == [
        ["before.png", "after.png"],
        ["2.png", "10.png", "1.png"],
    ]
    states = from_folders([tmp_path / "pairs"], pairs=False)
    assert [len(one.states) for one in states] == [1] * 4
    assert len(from_folders([tmp_path / "pairs" / "a"], pairs=True)) == 1
    assert len(from_folders([tmp_path / "pairs" / "a"], pairs=False)) == 2
    assert len(from_folders([tmp_path / "singles"], pairs=False)) == 1
    assert len(from_folders([tmp_path / "singles" / "1.png"], pairs=False)) == 1
    with pytest.raises(DefectscanError, match="no photos before and after"):
        from_folders([tmp_path / "singles"], pairs=True)
    with pytest.raises(DefectscanError):
        from_folders([tmp_path / "missing"], pairs=False)


def test_what_may_not_be_read_is_left_out_or_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a/before.png", "a/after.png", "system/1.png"):
        photo(tmp_path / name)
    within, read = Path.iterdir, Path.read_bytes

    def guarded(path: Path) -> Iterator[Path]:
        if path.name == "system":
            raise PermissionError(13, "Permission denied")
        return within(path)

    monkeypatch.setattr(Path, "iterdir", guarded)
    (source,) = from_folders([tmp_path], pairs=True)
    assert source.name.endswith("a")
    with pytest.raises(DefectscanError, match="may not be read"):
        from_folders([tmp_path / "system"], pairs=False)

    def refused(path: Path) -> bytes:
        if path.name == "after.png":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refused)
    with pytest.raises(DefectscanError, match=r"after\.png may not be read"):
        read_candidates([source], Measuring(scale=Scale.QUANTITY), progress=silent)


def test_what_cannot_be_measured_stays_in_with_the_reason(tmp_path: Path) -> None:
    for number in range(2):
        photo(tmp_path / f"{number}.png", seed=number)
    photo(tmp_path / "again.png", seed=0)  # the same bytes as the first
    sources = from_folders([tmp_path], pairs=False)
    found = read_candidates(sources, Measuring(scale=Scale.QUANTITY), progress=silent)
    assert len(found) == 2
    assert all(one.reference is None and one.unknown for one in found)
    unmeasured = Measuring(scale=Scale.QUANTITY, wanted=False)
    told = read_candidates(sources, unmeasured, progress=silent)
    assert [one.unknown for one in told] == ["not measured"] * 2


def test_clips_are_left_out() -> None:
    photo, clip = Path("door.jpg"), Path("door.MP4")

    def source(name: str, *states: tuple[Path, ...]) -> Source:
        return Source(name=name, states=states, mm_per_px=0.1)

    some = [
        source("photo", (photo,)),
        source("clip", (clip,)),
        source("both", (clip, photo)),
        source("clip after", (photo,), (clip,)),
    ]
    kept, left_out = without_clips(some)
    assert kept == [some[0], source("both", (photo,))]
    assert left_out == ["clip", "clip after"]
    with pytest.raises(DefectscanError, match="clip is a clip, and there are no photos"):
        without_clips(some[1:2])


def test_measured_photos_have_a_grade_and_their_lines(photos: RenderedPhotos) -> None:
    (source,) = from_folders([photos.first_before], pairs=False)
    measuring = Measuring(scale=Scale.QUANTITY, mm_per_px=MM_PER_PX)
    (found,) = read_candidates([source], measuring, progress=silent)
    assert found.reference is not None
    assert found.reference.source == "measured"
    assert found.reference.value == 4
    limit, density = found.reference.detection_limit_mm_per_cm2, found.reference.density_mm_per_cm2
    assert limit is not None
    assert density is not None
    assert 0 < limit < density
    assert found.views[0].lines is not None
    assert found.views[0].lines.sum() > 100
    (without,) = read_candidates([source], Measuring(scale=Scale.QUANTITY), progress=silent)
    assert without.reference is None
    assert "scale" in without.unknown


def test_the_job_book_gives_states_pairs_and_their_results(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        job = book.add(Job(title="Van"))
        with pytest.raises(DefectscanError, match="no photos of these jobs"):
            from_book(book, [job], pairs=False)
        panel = book.add(Panel(name="Roof"), job_id=job.id)
        done = book.add(Pass(panel_id=panel.id), job_id=job.id)
        states = [
            book.add(State(panel_id=panel.id, after_pass_id=after), job_id=job.id)
            for after in (None, done.id)
        ]
        for number, state in enumerate(states):
            data = photo(tmp_path / f"{number}.png", seed=number).read_bytes()
            shot = Shot(state_id=state.id, sha256=book.keep_photo(data, suffix=".png"))
            book.add(shot, job_id=job.id)
        interval = {"value": 50.0, "low": 40.0, "high": 60.0}
        score = {"format": "defectscan.score/1", "line_density_mm_per_cm2": interval, "grade": 3}
        comparison = {
            "format": "defectscan.comparison/1",
            "correction_percent": interval,
            "after": score,
        }
        told: dict[str, Any] = {"version": "1", "settings": {}, "sha256s": ()}
        book.add(Result(state_id=states[0].id, record=score, **told), job_id=job.id)
        book.add(
            Result(state_id=states[1].id, before_state_id=states[0].id, record=comparison, **told),
            job_id=job.id,
        )
        singles = from_book(book, [job], pairs=False)
        measuring = Measuring(scale=Scale.QUANTITY, wanted=False)
        found = read_candidates(singles, measuring, progress=silent)
        assert [one.name for one in found] == ["job 1, Roof, before", "job 1, Roof, after pass 1"]
        assert found[0].reference is not None
        assert (found[0].reference.value, found[0].reference.low) == (3, 3)
        assert found[1].reference is None
        pairs = from_book(book, [job], pairs=True)
        (pair,) = read_candidates(pairs, Measuring(scale=Scale.CORRECTION), progress=silent)
        assert len(pair.views) == 2
        assert pair.reference is not None
        assert (pair.reference.value, pair.reference.high) == (50, 60)
        assert not pair.reference.at_least
        least = [
            replace(one, stored={**comparison, "correction_is_at_least": True}) for one in pairs
        ]
        (pair,) = read_candidates(least, Measuring(scale=Scale.CORRECTION), progress=silent)
        assert pair.reference is not None
        assert pair.reference.bound == 40
        (pair,) = read_candidates(pairs, Measuring(scale=Scale.QUANTITY), progress=silent)
        assert pair.reference is not None
        assert pair.reference.value == 3  # the grade of the state after
