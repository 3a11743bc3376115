"""The instrument as a rater: its own repeated shots, by the same statistics."""

import io
from datetime import date
from html import unescape
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image

from defectscan.errors import DefectscanError
from defectscan.judging.instrument import Reading, Repeat, repeats_in, repeats_of, study_instrument
from defectscan.judging.instrument_page import compose_instrument, of_instrument
from defectscan.judging.limits import OWN, JudgingLimits, Wanted
from defectscan.output import to_json
from defectscan.rater_statistics.estimate import Estimate, Undefined
from defectscan.rater_statistics.gauge import GaugeStudy
from defectscan.rater_statistics.reliability import Repeatability
from defectscan.report.html import page_html
from defectscan.report.pdf import page_pdf
from defectscan.workshop.book import open_book
from defectscan.workshop.book_entries import Job, Panel, Shot, State

PANELS, CONDITIONS, SHOTS = 12, 3, 3


def photo(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (300, 240)).save(path)
    return path


def simulated(
    *, repeat: float, between: float, conditions: int = CONDITIONS, seed: int = 0
) -> list[Reading]:
    """Simulate shots whose relative spreads are known."""
    rng = np.random.default_rng(seed)
    offsets = rng.normal(0, between, conditions)
    return [
        Reading(
            repeat=Repeat(panel=f"panel {p}", condition=f"lamp {c}", photo=Path(f"{p}{c}{s}.jpg")),
            density=float(100 * (1 + 0.1 * p) * np.exp(offsets[c] + rng.normal(0, repeat))),
        )
        for p in range(PANELS)
        for c in range(conditions)
        for s in range(SHOTS)
    ]


def test_known_spreads_are_recovered() -> None:
    found = study_instrument(
        simulated(repeat=0.05, between=0.08), np.random.default_rng(0), in_mm=True
    )
    assert isinstance(found.relative_percent, Repeatability)
    assert found.relative_percent.sd.value == pytest.approx(5, rel=0.15)
    assert isinstance(found.gauge, GaugeStudy)
    assert found.gauge.reproducibility_sd.high is not None
    mean = 155.0
    assert found.gauge.repeatability_sd.value == pytest.approx(0.05 * mean, rel=0.25)
    assert found.gauge.reproducibility_sd.high > 0.08 * mean
    assert (found.gauge.n_panels, found.gauge.n_appraisers, found.gauge.n_repeats) == (12, 3, 3)


def test_the_interval_of_the_repeatability_holds_the_truth() -> None:
    held = 0
    for seed in range(100):
        readings = simulated(repeat=0.06, between=0.0, conditions=1, seed=seed)
        found = study_instrument(readings, np.random.default_rng(0), in_mm=True)
        assert isinstance(found.relative_percent, Repeatability)
        sd = found.relative_percent.sd
        assert sd.low is not None
        assert sd.high is not None
        held += sd.low <= 6 <= sd.high
    assert 90 <= held <= 99


def test_one_condition_gives_repeatability_alone() -> None:
    readings = simulated(repeat=0.05, between=0, conditions=1)
    readings[0] = Reading(repeat=readings[0].repeat, density=None, reason="no highlight")
    found = study_instrument(readings, np.random.default_rng(0), in_mm=True)
    assert isinstance(found.gauge, Undefined)
    assert isinstance(found.repeatability, Repeatability)
    assert isinstance(found.alpha, Estimate)
    page = compose_instrument(found, JudgingLimits(), title="Test", on=date(2026, 5, 1))
    html = page_html(page)
    assert "no highlight" in html
    assert "reproducibility needs" in html
    told = of_instrument(found, JudgingLimits())
    assert told["shots"][0]["line_density_mm_per_cm2"] is None
    assert told["gauge_verdict"] == "not known"


def test_shots_all_alike_have_no_interval_and_are_told_so() -> None:
    readings = [
        Reading(repeat=Repeat(panel=name, condition="all", photo=Path("1.jpg")), density=density)
        for name, density in (("tank", 100.0), ("tank", 100.0), ("door", 50.0), ("door", 50.0))
    ]
    found = study_instrument(readings, np.random.default_rng(0), in_mm=True)
    text = page_html(compose_instrument(found, JudgingLimits(), title="Test", on=date(2026, 5, 1)))
    assert "no spread was seen, so nothing says how large it may be" in text
    assert "interval no spread" not in text
    assert "may be %" not in text


@pytest.mark.parametrize(
    ("percent", "verdict", "said"),
    [(99, "yes", "shown"), (1, "not yet", "not reached"), (60, "not known", "not settled by so")],
)
def test_the_workshops_own_limit_of_the_gauge_is_told(
    percent: float, verdict: str, said: str
) -> None:
    found = study_instrument(
        simulated(repeat=0.05, between=0.08), np.random.default_rng(0), in_mm=True
    )
    limits = JudgingLimits(gauge_percent=Wanted(value=percent, source=OWN))
    told = of_instrument(found, limits)
    assert told["gauge_verdict"] == verdict
    reason = f"at most {percent} % of the whole spread from the gauge ({OWN}): {said}"
    assert told["gauge_reason"].startswith(reason)
    text = unescape(page_html(compose_instrument(found, limits, title="Test", on=date(2026, 5, 1))))
    assert f"Wanted: {reason}" in text


@pytest.mark.parametrize("density", [0.0, None, 5.0])
def test_little_to_go_by_is_undefined_with_a_reason(density: float | None) -> None:
    shots = [Repeat(panel="a", condition="all", photo=Path("1.jpg"))] * 2
    readings = [Reading(repeat=one, density=density, reason="dark") for one in shots]
    found = study_instrument(readings, np.random.default_rng(0), in_mm=False)
    assert "NaN" not in to_json(of_instrument(found, JudgingLimits()))
    assert page_pdf(compose_instrument(found, JudgingLimits(), title="Test", on=date(2026, 5, 1)))


def test_the_report_of_repeated_shots() -> None:
    found = study_instrument(
        simulated(repeat=0.05, between=0.08), np.random.default_rng(0), in_mm=True
    )
    data = page_pdf(compose_instrument(found, JudgingLimits(), title="Test", on=date(2026, 5, 1)))
    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)
    assert "108 shots of 12 panels under 3 conditions" in text
    assert "Reproducibility" in text


def test_shots_are_sorted_by_panel_state_and_condition(tmp_path: Path) -> None:
    for name in (
        "door/lamp left/1.jpg",
        "door/lamp left/2.jpg",
        "door/lamp right/1.jpg",
        "bonnet/before/1.jpg",
        "bonnet/before/2.jpg",
        "bonnet/after/1.jpg",
        "bonnet/truth/before_1_lit.png",
        "roof/phone 2/before.jpg",
        "roof/phone 2/after.jpg",
    ):
        photo(tmp_path / name)
    found = {(r.panel, r.condition, r.photo.name) for r in repeats_in(tmp_path)}
    assert found == {
        ("door", "lamp left", "1.jpg"),
        ("door", "lamp left", "2.jpg"),
        ("door", "lamp right", "1.jpg"),
        ("bonnet, before", "all", "1.jpg"),
        ("bonnet, before", "all", "2.jpg"),
        ("bonnet, after", "all", "1.jpg"),
        ("roof, before", "phone 2", "before.jpg"),
        ("roof, after", "phone 2", "after.jpg"),
    }
    (tmp_path / "empty").mkdir()
    for place in ("empty", "missing", "door/lamp left/1.jpg"):
        with pytest.raises(DefectscanError, match="no repeated shots"):
            repeats_in(tmp_path / place)


def test_states_of_the_book_with_several_shots(tmp_path: Path) -> None:
    with open_book(tmp_path / "book", create=True) as book:
        with pytest.raises(DefectscanError, match="two shots"):
            repeats_of(book)
        job = book.add(Job(title="Van"))
        panel = book.add(Panel(name="Roof"), job_id=job.id)
        state = book.add(State(panel_id=panel.id), job_id=job.id)
        for number in range(2):
            sha256 = book.keep_photo(f"photo {number}".encode(), suffix=".jpg")
            shot = Shot(state_id=state.id, sha256=sha256, mm_per_px=0.1)
            book.add(shot, job_id=job.id)
        found = repeats_of(book)
    assert [(one.panel, one.mm_per_px) for one in found] == [("job 1, Roof, before", 0.1)] * 2
