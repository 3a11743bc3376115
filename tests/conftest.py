"""Photos that several tests look at, rendered once a session, and the command run in process."""

import contextlib
import hashlib
import importlib
import io
import os
import shutil
import sys
import time
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from playwright.sync_api import Browser, sync_playwright

# The tests' own processes share the cores; threads beneath them mostly wait for one another. To be
# said before numpy and OpenCV are loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")

from defectscan import states
from defectscan.imaging.photo import Photo
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import Comparison, compare, score
from defectscan.shots import Sighting, look
from defectscan.simulation.develop import Development
from defectscan.simulation.furniture import BRIGHT_METAL, strip, tape_piece
from defectscan.simulation.specimen import RenderedState, Specimen, Stand, render_states
from defectscan.states import Seen

MM_PER_PX = 0.1

# The same cases in every run; HYPOTHESIS_PROFILE=default draws new ones.
hypothesis.settings.register_profile("repeatable", derandomize=True, deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))


def chromium() -> str | None:
    """Return where a Chromium is installed, if one is."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return next(filter(None, map(shutil.which, names)), None)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs a browser where there is none, and say so."""
    if chromium() is not None:
        return
    left_out = [item for item in items if "browser" in getattr(item, "fixturenames", ())]
    if left_out:
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)
        reporter = config.pluginmanager.get_plugin("terminalreporter")
        if reporter is not None:
            reporter.write_line(f"{len(left_out)} tests left out: no Chromium is installed")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Start a Chromium for the tests of one module."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        yield browser
        browser.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a command gave."""

    status: int
    out: str
    err: str


Run = Callable[..., Outcome]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Give a function that runs `defectscan` as the installed command would."""

    def run(*arguments: str | Path) -> Outcome:
        monkeypatch.setattr("sys.argv", ["defectscan", *map(str, arguments)])
        out, err = io.StringIO(), io.StringIO()
        status = 0
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                importlib.import_module("defectscan.cli.main").run()
            except SystemExit as leaving:
                status = leaving.code if isinstance(leaving.code, int) else int(bool(leaving.code))
        return Outcome(status=status, out=out.getvalue(), err=err.getvalue())

    return run


@pytest.fixture
def ahead_of_utc() -> Iterator[None]:
    """Let local time be twelve hours ahead of UTC."""
    if sys.platform == "win32":
        pytest.skip("the time zone of a process cannot be set here")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "AHEAD-12")
        time.tzset()
        yield
    time.tzset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RenderedPhotos:
    """A panel before and after polishing: files, and what is true of them.

    Attributes
    ----------
    before, after
        Folders, each with the shots of one state.
    states
        The same, as rendered.
    """

    before: Path
    after: Path
    states: tuple[RenderedState, RenderedState]

    @property
    def first_before(self) -> Path:
        return self.before / "1.jpg"

    @property
    def first_after(self) -> Path:
        return self.after / "1.jpg"


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory) -> RenderedPhotos:
    """Render two shots each of a black panel with trim and tape, before and after polishing."""
    specimen = Specimen(
        paint="black",
        density_mm_per_cm2=160,
        across_mm=100,
        margin_mm=40,
        deep_scratches=2,
        dust=80,
        patches=(
            strip(offset_mm=43, angle_deg=90, width_mm=8, albedo=BRIGHT_METAL),
            tape_piece(middle_mm=(-30, -28), angle_deg=15, length_mm=22),
        ),
    )
    rendered = render_states(
        specimen,
        stand=Stand(width_px=1000, move_mm=12),
        development=Development(),
        seed=3,
        shots=2,
    )
    root = tmp_path_factory.mktemp("photos")
    for state in rendered:
        (root / state.name).mkdir()
        for number, shot in enumerate(state.shots, start=1):
            (root / state.name / f"{number}.jpg").write_bytes(shot.jpeg)
    return RenderedPhotos(before=root / "before", after=root / "after", states=rendered)


@pytest.fixture(scope="session")
def seen() -> Seen:
    """Keep what `photos` show, for tests of what is made of it."""
    return Seen()


@pytest.fixture(scope="session")
def sightings() -> dict[Hashable, Sighting]:
    """Keep what `photos` show, for commands."""
    return {}


@pytest.fixture
def looked_at_once(
    photos: RenderedPhotos, sightings: dict[Hashable, Sighting], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let commands look at each of `photos` once in all tests, at any other once in a test.

    What follows is done anew.
    """
    own = {hashlib.sha256(shot.jpeg).hexdigest() for one in photos.states for shot in one.shots}
    others: dict[Hashable, Sighting] = {}

    def kept(photo: Photo, **how: Any) -> Sighting:
        known = sightings if photo.sha256 in own else others
        # By all that `look` reads: a file that is read otherwise is looked at anew.
        pixels = hashlib.sha256()
        for part in (photo.luminance, photo.clipped, photo.rgb):
            pixels.update(part.tobytes())
        key = pixels.digest(), photo.luminance.shape, *how.items()
        if key not in known:
            known[key] = look(photo, **how)
        return replace(known[key], photo=photo)  # a copy may have another name

    monkeypatch.setattr(states, "look", kept)


@pytest.fixture(scope="session")
def state(photos: RenderedPhotos, seen: Seen) -> PanelScore:
    """Score the first shot before."""
    return score(photos.first_before, mm_per_px=MM_PER_PX, seen=seen)


@pytest.fixture(scope="session")
def comparison(photos: RenderedPhotos, seen: Seen) -> Comparison:
    """Compare the first shots."""
    return compare(photos.first_before, photos.first_after, mm_per_px=MM_PER_PX, seen=seen)


@pytest.fixture(scope="session")
def unscaled(photos: RenderedPhotos, seen: Seen) -> Comparison:
    """Compare the same shots without a scale."""
    return compare(photos.first_before, photos.first_after, seen=seen)
