"""The deck as a page, driven in a real browser from the first photo to the saved file."""

import base64
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Dialog, Page

from defectscan.judging.candidates import Reference
from defectscan.judging.deck import Deck, build_deck
from defectscan.judging.deck_page import render_deck
from defectscan.judging.grades import read_grades
from defectscan.judging.scale import Scale
from tests.judging.conftest import HOSTILE_RATER, SECRET, candidate, deck_of, key_file

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}
SETTLE_MS = 400


@dataclass(slots=True, kw_only=True)
class Tab:
    """A device's tab, what its page complained of and asked, and what is answered to that."""

    page: Page
    faults: list[str]
    asked: list[str] = field(default_factory=list)
    answers: bool = True


@pytest.fixture(scope="module", params=SIZES)
def context(browser: Browser, request: pytest.FixtureRequest) -> Iterator[BrowserContext]:
    """Give a device that may not ask for anything outside."""
    width, height = SIZES[request.param]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        has_touch=request.param == "phone",
        accept_downloads=True,
    )
    asked: list[str] = []
    context.on("request", lambda one: asked.append(one.url))
    yield context
    outside = [url[:80] for url in asked if not url.startswith(("file:", "data:", "blob:"))]
    context.close()
    assert not outside


def new_tab(context: BrowserContext) -> Tab:
    tab = Tab(page=context.new_page(), faults=[])
    tab.page.clock.install()
    tab.page.on("pageerror", lambda error: tab.faults.append(str(error)))
    tab.page.on("console", lambda message: tab.faults.append(message.text))

    def answer(dialog: Dialog) -> None:
        tab.asked.append(dialog.message)
        (dialog.accept if tab.answers else dialog.dismiss)()

    tab.page.on("dialog", answer)
    return tab


@pytest.fixture(scope="module")
def only_tab(context: BrowserContext) -> Tab:
    """Open one tab for all decks: a new one takes longer than they do."""
    return new_tab(context)


@pytest.fixture
def tab(only_tab: Tab) -> Iterator[Tab]:
    """Give the tab, and forget what was graded in it."""
    only_tab.faults.clear()
    only_tab.asked.clear()
    only_tab.answers = True
    yield only_tab
    only_tab.page.evaluate("localStorage.clear()")


def opened(tab: Tab, deck: Deck, folder: Path) -> Page:
    path = folder / "deck.html"
    path.write_text(render_deck(deck), encoding="utf-8")
    tab.page.goto(path.as_uri())
    return tab.page


def begin(page: Page, rater: str = "Ana") -> None:
    page.fill("#name", rater)
    page.click("#begin")


def press(page: Page, key: str) -> None:
    page.clock.fast_forward(SETTLE_MS)
    page.keyboard.press(key)


def tap(page: Page, selector: str) -> None:
    page.clock.fast_forward(SETTLE_MS)
    page.click(selector)


def save(page: Page, folder: Path) -> Path:
    with page.expect_download() as waiting:
        page.click("#save")
    path = folder / "saved.json"
    waiting.value.save_as(path)
    assert re.fullmatch(
        r"grades_[0-9a-f]{12}_\w+_[0-9a-f]{4}\.json", waiting.value.suggested_filename
    )
    return path


def measured(
    value: float, *, low: float, high: float | None = None, at_least: bool = False
) -> Reference:
    return Reference(value=value, low=low, high=high, source="measured", at_least=at_least)


def count(page: Page) -> str:
    return page.text_content("#count") or ""


def test_a_deck_from_the_first_photo_to_the_saved_file(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([0, 1, 2, 3, 4, 5])
    _, key = key_file(deck, tmp_path)
    page = opened(tab, deck, tmp_path)
    begin(page, HOSTILE_RATER)
    assert count(page) == "1 of 8"
    press(page, "3")
    tap(page, '.grade[data-grade="0"]')
    page.keyboard.press("5")  # at once: a slip of the finger, not a grade
    assert count(page) == "3 of 8"
    press(page, "x")
    page.reload()
    assert page.is_visible("#resume")
    assert f"{HOSTILE_RATER}: 3 of 8" in (page.text_content("#resume p") or "")
    page.click(".go-on")
    assert count(page) == "4 of 8"
    press(page, "Backspace")  # back to the third, which gets a grade after all
    assert count(page) == "3 of 8"
    press(page, "1")
    assert count(page) == "4 of 8"
    for grade in (1, 2, 3, 4, 5):
        assert page.is_hidden("#end")
        press(page, str(grade))
    assert page.is_visible("#end")
    path = save(page, tmp_path)
    assert "Saved as" in (page.text_content("#saved") or "")
    (session,) = read_grades(path, key)
    assert session.rater == HOSTILE_RATER
    assert session.grades == {1: 3, 2: 0, 3: 1, 4: 1, 5: 2, 6: 3, 7: 4, 8: 5}
    assert page.input_value("#as-text textarea") == path.read_text(encoding="utf-8")
    page.click("#another")
    assert page.is_visible("#who")
    page.reload()
    assert page.is_hidden("#resume")
    assert tab.faults == []


def test_a_grade_changed_after_saving_is_not_saved(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([0, 2, 4], repeats=0)
    _, key = key_file(deck, tmp_path)
    page = opened(tab, deck, tmp_path)
    begin(page)
    for grade in "024":
        press(page, grade)
    save(page, tmp_path)
    page.reload()
    page.click(".go-on")
    assert "Saved as grades_" in (page.text_content("#saved") or "")
    page.click("#look-again")
    press(page, "1")
    assert page.is_hidden("#saved")
    tab.asked.clear()
    tab.answers = False
    page.click("#another")
    assert len(tab.asked) == 1
    assert "grades of Ana are not saved" in tab.asked[0]
    assert page.is_visible("#end")
    (session,) = read_grades(save(page, tmp_path), key)
    assert session.grades == {1: 0, 2: 2, 3: 1}
    page.click("#another")  # not asked again
    assert page.is_visible("#who")
    assert len(tab.asked) == 1
    assert tab.faults == []


def test_a_session_that_an_older_page_kept_is_offered(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([0, 2, 4], repeats=0)
    page = opened(tab, deck, tmp_path)
    begin(page)
    press(page, "3")
    page.evaluate(
        """() => {
            const [own] = Object.keys(localStorage);
            localStorage.setItem(own.split(".session.")[0], localStorage.getItem(own));
            localStorage.removeItem(own);
        }"""
    )
    page.reload()
    assert page.locator("#kept p").all_text_contents() == ["Welcome back, Ana: 1 of 3 are graded."]
    assert page.evaluate("Object.keys(localStorage).length") == 1


def test_the_page_opened_twice_loses_nobodys_grades(
    tab: Tab, context: BrowserContext, tmp_path: Path
) -> None:
    deck = deck_of([0, 2, 4], repeats=0)
    _, key = key_file(deck, tmp_path)
    first = opened(tab, deck, tmp_path)
    begin(first)
    press(first, "0")
    other = new_tab(context)
    second = opened(other, deck, tmp_path)
    second.click(".go-on")
    press(second, "2")
    press(first, "1")  # the photo that the second tab has graded: the later grade counts
    press(second, "4")
    assert second.is_visible("#end")
    save(second, tmp_path)
    second.reload()
    second.click("#start-over")
    begin(second, "Ben")
    press(second, "5")
    press(first, "3")  # Ana's third, once more, after her file was saved
    tab.answers = False
    first.click("#another")
    assert first.is_visible("#end")
    (session,) = read_grades(save(first, tmp_path), key)
    assert session.grades == {1: 0, 2: 1, 3: 3}
    second.reload()
    assert sorted(second.locator("#kept p").all_text_contents()) == [
        "Welcome back, Ana: 3 of 3 are graded.",
        "Welcome back, Ben: 1 of 3 are graded.",
    ]
    second.get_by_role("button", name="Delete the grades of Ana").click()  # saved: not asked
    assert other.asked == []
    other.answers = False
    second.get_by_role("button", name="Delete the grades of Ben").click()
    assert len(other.asked) == 1
    second.get_by_role("button", name="Go on as Ben").click()
    assert count(second) == "2 of 3"
    second.close()
    assert tab.faults == other.faults == []


def test_pairs_are_graded_in_percent(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([20, 60, 90], scale=Scale.CORRECTION, repeats=1)
    _, key = key_file(deck, tmp_path)
    page = opened(tab, deck, tmp_path)
    begin(page)
    boxes = [page.locator(".view").nth(i).bounding_box() for i in (0, 1)]
    assert boxes[0] is not None
    assert boxes[1] is not None
    viewport = page.viewport_size
    assert viewport is not None
    if viewport["width"] > viewport["height"]:  # side by side, or one above the other
        assert boxes[1]["x"] > boxes[0]["x"]
    else:
        assert boxes[1]["y"] > boxes[0]["y"]
    page.clock.fast_forward(SETTLE_MS)
    page.keyboard.type("42")
    page.keyboard.press("Enter")
    page.clock.fast_forward(SETTLE_MS)
    page.keyboard.type("-15")
    page.keyboard.press("Enter")
    tap(page, "#more")
    tap(page, "#give")
    page.clock.fast_forward(SETTLE_MS)
    page.fill("#percent", "101")
    assert page.is_disabled("#give")
    page.locator("#slider").fill("77")
    tap(page, "#give")
    (session,) = read_grades(save(page, tmp_path), key)
    assert session.grades == {1: 42, 2: -15, 3: 55, 4: 77}
    assert tab.faults == []


def test_the_photo_is_zoomed_by_buttons_keys_wheel_and_fingers(tab: Tab, tmp_path: Path) -> None:
    page = opened(tab, deck_of([0, 5, 3]), tmp_path)
    begin(page)

    def zoom() -> float:
        return float(page.get_attribute("#stage", "data-zoom") or "nan")

    assert zoom() == 1
    page.click("#in")
    assert zoom() == pytest.approx(1.5)
    page.keyboard.press("+")
    assert zoom() == pytest.approx(2.25)
    page.keyboard.press("-")
    page.keyboard.press("z")
    assert zoom() == 1
    page.mouse.move(200, 300)
    page.mouse.wheel(0, -400)
    page.wait_for_timeout(100)
    assert zoom() > 2
    before = page.get_attribute(".moving", "style")
    page.mouse.down()
    page.mouse.move(190, 290)
    page.mouse.move(150, 250)
    page.mouse.up()
    assert page.get_attribute(".moving", "style") != before
    page.click("#whole")
    page.evaluate("""() => {
        const stage = document.getElementById("stage");
        const send = (name, id, x, y) => stage.dispatchEvent(new PointerEvent(name,
            {pointerId: id, clientX: x, clientY: y, bubbles: true, pointerType: "touch"}));
        stage.setPointerCapture = () => {};
        send("pointerdown", 11, 150, 300); send("pointerdown", 12, 200, 300);
        send("pointermove", 11, 149, 300); send("pointermove", 12, 201, 300);
        send("pointermove", 11, 100, 300); send("pointermove", 12, 260, 300);
        send("pointerup", 11, 100, 300); send("pointerup", 12, 260, 300);
    }""")
    assert zoom() > 2
    press(page, "2")
    assert zoom() == 1  # the next photo is shown whole
    page.keyboard.press("a")
    assert page.is_visible("#anchors")
    assert tab.faults == []


def test_it_goes_on_after_a_reload_where_nothing_is_kept(
    context: BrowserContext, tmp_path: Path
) -> None:
    tab = new_tab(context)
    tab.page.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('not kept'); }})"
    )
    page = opened(tab, deck_of([0, 5, 3]), tmp_path)
    assert page.is_visible("#no-store")
    begin(page)
    press(page, "2")
    page.reload()
    assert "1 of 5" in (page.text_content("#resume p") or "")
    page.click("#start-over")
    assert page.is_visible("#who")
    assert tab.faults == []
    page.close()


def test_what_is_kept_in_a_damaged_form_is_left_alone(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([0, 5, 3])
    page = opened(tab, deck, tmp_path)
    for text in ("{", "null", '{"rater": 5}', '{"rater": "a", "session": "b", "grades": 7}'):
        page.evaluate(
            "([k, t]) => localStorage.setItem(k, t)",
            [f"defectscan.deck.{deck.ident}.session.s1", text],
        )
        page.reload()
        assert page.is_visible("#who")
    assert tab.faults == []


def test_practice_answers_at_once_and_gets_harder(tab: Tab, tmp_path: Path) -> None:
    deck = deck_of([0, 1, 2, 3, 4, 5, 1, 4, 2], repeats=0, practice=True)
    answers = {
        base64.b64encode(card.jpegs[0]).decode(): (number, card.answer)
        for number, card in enumerate(deck.cards)
    }
    page = opened(tab, deck, tmp_path)
    begin(page)
    seen = []
    for number in range(7):
        src = page.locator(".moving img").first.get_attribute("src") or ""
        found: Any = answers[src.removeprefix("data:image/jpeg;base64,")]
        place, answer = found
        seen.append(place)
        wrong = number == 1
        press(page, str((answer["value"] + 3) % 6 if wrong else answer["value"]))
        assert page.is_visible("#answer")
        verdict = page.text_content("#answer .verdict") or ""
        assert ("Well seen" in verdict) != wrong
        assert f"True value: {answer['value']}" in verdict
        assert "Look <b>here</b> & there." in (page.text_content("#answer .look") or "")
        lines = page.locator("img.lines").first
        assert lines.is_visible()
        assert lines.evaluate("image => image.decode().then(() => image.naturalWidth > 0)")
        page.uncheck("#with-lines")
        assert lines.is_hidden()
        page.check("#with-lines")
        page.click("#next")
    # From the third on; an easier one after the miss; then up to the hardest, and no easy ones.
    assert seen == [3, 4, 2, 5, 6, 7, 8]
    assert page.is_visible("#end")
    assert page.is_hidden("#save-row")
    assert "6 of 7 hit" in (page.text_content("#end-text") or "")
    page.reload()
    assert page.is_hidden("#resume")  # nothing is kept
    assert tab.faults == []


@pytest.mark.parametrize(
    ("reference", "grade", "verdict"),
    [
        (measured(98.8, low=93.01, at_least=True), 93, "Well seen. Measured: at least 93 %"),
        (measured(98.8, low=93.01, at_least=True), 100, "Well seen. Measured: at least 93 %"),
        (
            measured(98.8, low=93.01, at_least=True),
            85,
            "Close: a little too low. Measured: at least 93 %",
        ),
        (measured(99.7, low=99.04, high=99.96), 100, "Well seen. Measured: 99.7 % (99 to 99.96)"),
        (measured(0.04, low=-3.0, high=0.004), 0, "Well seen. Measured: 0.04 % (-3 to 0.004)"),
        (
            measured(99.9996, low=98.0, high=100.0),
            99,
            "Well seen. Measured: under 100 % (98 to 100)",
        ),
    ],
)
def test_practice_tells_a_bound_as_one_and_makes_no_0_or_100(
    tab: Tab, tmp_path: Path, reference: Reference, grade: int, verdict: str
) -> None:
    photos = [replace(candidate(i, 50, pair=True), reference=reference) for i in (0, 1)]
    deck = build_deck(photos, title="", scale=Scale.CORRECTION, repeats=0, seed=1, practice=True)
    page = opened(tab, deck, tmp_path)
    begin(page)
    for _ in photos:
        page.clock.fast_forward(SETTLE_MS)
        page.fill("#percent", str(grade))
        page.click("#give")
        assert page.text_content("#answer .verdict") == verdict
        page.click("#next")
    told = page.text_content("#end") or ""
    assert ("No grade could be held against a value" in told) == reference.at_least
    assert tab.faults == []


@pytest.mark.parametrize(
    ("density", "told"), [(1.648, "1.6"), (0.53, "under 1.15"), (0.02, "under 1.15")]
)
def test_practice_tells_a_density_under_its_limit_as_such(
    tab: Tab, tmp_path: Path, density: float, told: str
) -> None:
    reference = replace(
        measured(0, low=0, high=1), density_mm_per_cm2=density, detection_limit_mm_per_cm2=1.1498
    )
    photos = [replace(candidate(i, 0), reference=reference) for i in (0, 1)]
    deck = build_deck(photos, title="", scale=Scale.QUANTITY, repeats=0, seed=1, practice=True)
    page = opened(tab, deck, tmp_path)
    begin(page)
    press(page, "0")
    assert page.text_content("#answer .verdict") == (
        f"Well seen. Measured: 0, next to none (0 to 1), {told} mm of line per cm²"
    )
    assert tab.faults == []


def test_nothing_in_a_blind_deck_tells_names_values_or_repeats() -> None:
    deck = deck_of([0, 1, 2, 3, 4, 5])
    html = render_deck(deck)
    (text,) = re.findall(
        r'<script type="application/json" id="cards">(.*?)</script>', html, re.DOTALL
    )
    cards = json.loads(text)
    assert [set(card) for card in cards] == [{"views"}] * 8
    assert len({card["views"][0] for card in cards}) == 8
    for card in cards:
        jpeg = base64.b64decode(card["views"][0])
        assert b"Exif" not in jpeg
    assert SECRET not in html
    assert not any(photo["photo"] in html for photo in deck.key["photos"])
    assert "density" not in text


def test_texts_cannot_break_out_of_the_page() -> None:
    html = render_deck(deck_of([0, 1, 2], repeats=0, practice=True))
    assert "Bonnets &lt;of&gt; May &amp; June" in html
    assert "<b>here</b>" not in html
    assert html.count("</script>") == 2
