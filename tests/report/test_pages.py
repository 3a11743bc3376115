"""Every page that is written, in a real browser: any screen, on paper, dark, without pictures."""

import importlib.resources
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.sync_api import Browser, Page

from defectscan import pipeline
from defectscan.judging.deck_page import render_deck
from defectscan.judging.result_page import compose_result
from defectscan.judging.scale import Scale
from defectscan.pipeline import Comparison
from defectscan.report.compose import compose
from defectscan.report.content import Flag
from defectscan.report.html import page_html
from defectscan.report.letterhead import Letterhead
from defectscan.report.vehicle import vehicle_report
from defectscan.workshop.book import open_book
from defectscan.workshop.book_view import view_job
from defectscan.workshop.outlook import WorkshopLimits
from tests.judging.conftest import deck_of
from tests.judging.test_results import VALUES, a_key, sitting, studied
from tests.report.conftest import make_content, make_panel
from tests.report.test_vehicle import enter_measured, silent

WIDTHS_PX = (360, 768, 1440)
PAPER_PX = 680  # of A4 between the margins, at 96 px per inch
HEIGHT_PX = 900
MOST_BYTES = 6_000_000
LEAST_TEXT_PX = 10
LEAST_CONTRAST, LEAST_CONTRAST_LARGE = 4.5, 3.0  # WCAG 2.2, success criterion 1.4.3, level AA
NAMES = ("report", "one state", "vehicle", "result", "deck", "pairs", "practice")

Scheme = Literal["light", "dark"]
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
Step = Callable[[Page], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A page on disk, and the steps to each of its views."""

    path: Path
    steps: tuple[Step, ...] = ()


def _begin(page: Page) -> None:
    page.fill("#name", "Ana")
    page.click("#begin")


def _grade(page: Page) -> None:
    page.clock.fast_forward(400)
    page.keyboard.press("2")


def _to_the_end(page: Page) -> None:
    while page.is_hidden("#end"):
        page.clock.fast_forward(400)
        page.keyboard.press("x")


@pytest.fixture(scope="module")
def pages(comparison: Comparison, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Shown]:
    """Write one page of each sort."""
    folder = tmp_path_factory.mktemp("pages")
    panel = make_panel()
    flag = Flag(name="Blur", text="The photo is " + "blurred" * 40, advice="Take it again.")
    single = replace(
        panel, after=None, correction=type(panel.correction)(), kind_corrections={},
        registration=None, flags=(flag,), title="Wing" * 40,
    )  # fmt: skip
    key = a_key(VALUES)
    group = studied(
        key,
        [
            sitting(key, rater, day=day, bias=bias, sd=0.6, seed=seed)
            for seed, (rater, bias) in enumerate((("Ana", 0), ("Bo" * 30, 1), ("Cy", -0.5)))
            for day in (1, 2)
        ],
    )
    decks = {
        "deck": (deck_of([0, 5, 3], repeats=0), (_begin, _to_the_end)),
        "pairs": (deck_of([20, 60], scale=Scale.CORRECTION, repeats=0), (_begin, _to_the_end)),
        "practice": (
            deck_of([0, 1, 2, 3], repeats=0, practice=True),
            (_begin, _grade, lambda page: page.click("#next")),
        ),
    }
    html = {
        "report": page_html(
            compose(make_content(panel, replace(panel, title="Bonnet, right half")))
        ),
        "one state": page_html(compose(make_content(single))),
        "vehicle": _vehicle(comparison, folder),
        "result": page_html(compose_result(group, title="A round of grading", on=date(2026, 5, 1))),
        **{name: render_deck(deck) for name, (deck, _) in decks.items()},
    }
    shown = {}
    for name, text in html.items():
        path = folder / f"{name.replace(' ', '_')}.html"
        path.write_text(text, encoding="utf-8")
        shown[name] = Shown(path=path, steps=decks[name][1] if name in decks else ())
    return shown


def _vehicle(comparison: Comparison, folder: Path) -> str:
    with (
        pytest.MonkeyPatch.context() as patch,
        open_book(folder / "book", create=True, who="tester") as book,
    ):
        enter_measured(book, comparison)
        patch.setattr(pipeline, "compare", lambda *_, **__: comparison)
        made = vehicle_report(
            book,
            view_job(book, book.job(1)),
            limits=WorkshopLimits(),
            letterhead=Letterhead(workshop="Invented workshop, Harbour Street 5"),
            progress=silent,
        )
    return page_html(made.page)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tab:
    """A browser's tab, what its page complained of, and what it asked for outside."""

    page: Page
    faults: list[str]
    outside: list[str]


@pytest.fixture(scope="module")
def tab(browser: Browser) -> Iterator[Tab]:
    """Open one tab for all pages: a new one takes longer than most pages do."""
    context = browser.new_context()
    page = context.new_page()
    tab = Tab(page=page, faults=[], outside=[])

    def answer(route: Any) -> None:
        if route.request.url.startswith(("file:", "data:", "blob:")):
            route.continue_()
        else:
            tab.outside.append(route.request.url)
            route.abort()

    context.route("**/*", answer)
    page.clock.install()
    page.on("pageerror", lambda error: tab.faults.append(str(error)))
    page.on("console", lambda message: tab.faults.append(message.text))
    yield tab
    context.close()


def shown_in(tab: Tab, path: Path, *, width_px: int, scheme: Scheme = "light") -> Page:
    """Load a page as if nothing had been shown in the tab before."""
    page = tab.page
    page.goto("about:blank")
    page.set_viewport_size({"width": width_px, "height": HEIGHT_PX})
    page.emulate_media(media="screen", color_scheme=scheme)
    tab.faults.clear()
    tab.outside.clear()
    page.goto(path.as_uri())
    if page.evaluate("localStorage.length"):  # of a deck that was begun
        page.evaluate("localStorage.clear()")
        page.reload()
    return page


@contextmanager
def opened(tab: Tab, shown: Shown, *, width_px: int, scheme: Scheme = "light") -> Iterator[Page]:
    """Open a page that may ask for nothing outside and has nothing to complain about."""
    yield shown_in(tab, shown.path, width_px=width_px, scheme=scheme)
    tab.page.evaluate("0")  # what it complained of before has arrived by then
    assert tab.outside == tab.faults == []


def views(page: Page, shown: Shown) -> Iterator[Page]:
    """Give the page as it opens, and after each of its steps."""
    yield page
    for step in shown.steps:
        step(page)
        yield page


def sideways_px(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - innerWidth"))


# Every text that is seen, with its size on the screen and its contrast. Translucent grounds are
# laid over white, the worst under the white text that stands on them.
TEXTS = """() => {
  const parse = (text) => {
    const n = text.match(/[\\d.]+/g).map(Number);
    return [n[0], n[1], n[2], n.length > 3 ? n[3] : 1];
  };
  const over = (top, under) => {
    const mix = (i) => top[3] * top[i] + (1 - top[3]) * under[i];
    return [mix(0), mix(1), mix(2), 1];
  };
  const luminance = (colour) => {
    const [r, g, b] = colour.slice(0, 3).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (element) => {
    let found = [0, 0, 0, 0];
    for (let at = element; at && found[3] < 1; at = at.parentElement) {
      const here = parse(getComputedStyle(at).backgroundColor);
      if (here[3] === 0) continue;
      found = found[3] === 0 ? here : over(found, here);
    }
    return found[3] < 1 ? over(found, [255, 255, 255, 1]) : found;
  };
  const mark = (text) => {
    const box = text.getBBox();
    const point = new DOMPoint(box.x + box.width / 2, box.y + box.height / 2);
    let found = null;
    for (let at = text.previousElementSibling; at && !found; at = at.previousElementSibling) {
      const fill = at.isPointInFill && getComputedStyle(at).fill;
      if (fill && fill !== "none" && at.isPointInFill(point)) found = parse(fill);
    }
    return found || ground(text.closest("svg"));
  };
  const told = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    const text = walker.currentNode.textContent.trim();
    if (!text || /^(script|style|option)$/i.test(element.tagName)) continue;
    if (!element.checkVisibility() || element.closest(".instead, :disabled")) continue;
    const style = getComputedStyle(element);
    const drawn = element.ownerSVGElement;
    const matrix = drawn ? element.getScreenCTM() : null;
    const scale = matrix ? Math.hypot(matrix.a, matrix.b) : 1;
    const size = scale * parseFloat(style.fontSize);
    const ink = parse(drawn ? style.fill : style.color);
    const under = drawn ? mark(element) : ground(element);
    const [low, high] = [luminance(over(ink, under)), luminance(under)].sort((a, b) => a - b);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 600);
    told.push({ text: text.slice(0, 60), size, large, contrast: (high + 0.05) / (low + 0.05) });
  }
  return told;
}"""


def illegible(page: Page, *, least_px: float = LEAST_TEXT_PX) -> list[dict[str, Any]]:
    """Return the texts that are too small or too faint."""
    texts = page.evaluate(TEXTS)
    assert texts
    return [
        one
        for one in texts
        if one["size"] < least_px - 0.01
        or one["contrast"] < (LEAST_CONTRAST_LARGE if one["large"] else LEAST_CONTRAST) - 0.01
    ]


# Texts of one chart that lie over each other by more than a pixel.
OVERLAPS = """() => {
  const found = [];
  for (const svg of document.querySelectorAll("svg.drawing")) {
    const texts = [...svg.querySelectorAll("text")].map((one) => {
      const { left, right, top, bottom } = one.getBoundingClientRect();
      const slack = 0.2 * (bottom - top); // room over and under the letters
      return { text: one.textContent, left, right, top: top + slack, bottom: bottom - slack };
    });
    texts.forEach((a, i) => texts.slice(i + 1).forEach((b) => {
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 1 && high > 1) found.push([a.text, b.text]);
    }));
  }
  return found;
}"""


@pytest.mark.parametrize("name", NAMES)
def test_pages_fit_and_can_be_read_on_any_screen(
    tab: Tab, pages: dict[str, Shown], name: str
) -> None:
    with opened(tab, pages[name], width_px=WIDTHS_PX[0]) as page:
        for width in WIDTHS_PX:
            page.set_viewport_size({"width": width, "height": HEIGHT_PX})
            for scheme in SCHEMES:
                page.emulate_media(color_scheme=scheme)
                assert (width, sideways_px(page)) == (width, 0)
                assert (width, scheme, illegible(page)) == (width, scheme, [])
                assert (width, page.evaluate(OVERLAPS)) == (width, [])
        page.set_viewport_size({"width": WIDTHS_PX[0], "height": HEIGHT_PX})
        page.emulate_media(color_scheme="light")
        for number, view in enumerate(views(page, pages[name])):
            assert (number, sideways_px(view), illegible(view)) == (number, 0, [])


@pytest.mark.parametrize("name", NAMES)
def test_no_serious_finding_of_the_accessibility_checker(
    tab: Tab, pages: dict[str, Shown], name: str
) -> None:
    axe = importlib.resources.files("axe_playwright_python") / "axe.min.js"
    checker = axe.read_text(encoding="utf-8")
    with opened(tab, pages[name], width_px=WIDTHS_PX[2]) as page:
        page.evaluate(checker)
        for number, view in enumerate(views(page, pages[name])):
            assert (number, serious(view, least_passes=6)) == (number, [])
            view.set_viewport_size({"width": WIDTHS_PX[0], "height": HEIGHT_PX})
            view.emulate_media(color_scheme="dark")
            # What has no colour is the same in the dark.
            assert (number, serious(view, only=["color-contrast", "link-in-text-block"])) == (
                number, [],
            )  # fmt: skip
            view.set_viewport_size({"width": WIDTHS_PX[2], "height": HEIGHT_PX})
            view.emulate_media(color_scheme="light")


def serious(
    page: Page, *, only: list[str] | None = None, least_passes: int = 1
) -> list[tuple[str, str]]:
    """Return what the accessibility checker finds that would keep people out."""
    options = {"resultTypes": ["violations"], **({"runOnly": only} if only else {})}
    found = page.evaluate("options => axe.run(options)", options)
    assert len(found["passes"]) >= least_passes
    return [
        (one["id"], one["nodes"][0]["html"][:200])
        for one in found["violations"]
        if one["impact"] in {"serious", "critical"}
    ]


@pytest.mark.parametrize("name", ["report", "one state", "vehicle", "result"])
def test_pages_print_dark_on_white_and_without_controls(
    tab: Tab, pages: dict[str, Shown], name: str
) -> None:
    with opened(tab, pages[name], width_px=PAPER_PX, scheme="dark") as page:
        page.emulate_media(media="print")
        assert sideways_px(page) == 0
        # A point is 4/3 px: 5 pt are small print on paper.
        assert illegible(page, least_px=20 / 3) == []
        grounds = page.evaluate(
            "['body', '.chapter'].map(s => getComputedStyle(document.querySelector(s)))"
            ".map(style => style.backgroundColor)"
        )
        assert set(grounds) <= {"rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}
        assert page.locator("input:visible").count() == 0
        assert page.locator(".chapter:visible").count() == page.locator(".chapter").count()
        assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")


@pytest.mark.parametrize("name", NAMES)
def test_what_a_picture_shows_is_named_where_pictures_are_off(
    tab: Tab, pages: dict[str, Shown], name: str, tmp_path: Path
) -> None:
    html = pages[name].path.read_text(encoding="utf-8")
    assert html.count("img-src data:") == 1
    path = tmp_path / "without.html"
    path.write_text(html.replace("img-src data:", "img-src 'none'"), encoding="utf-8")
    page = shown_in(tab, path, width_px=360)
    assert sideways_px(page) == 0
    assert illegible(page) == []
    for svg in page.locator("svg.picture").all():
        (words,) = svg.locator(".instead").all()
        assert words.is_visible()
        assert words.text_content() == svg.get_attribute("aria-label")
    loaded = "images => images.filter(one => one.naturalWidth > 0 || !(one.alt || one.hidden))"
    assert page.locator("img:visible:not(.logo)").evaluate_all(f"({loaded})") == []


def test_a_photo_hides_the_words_that_stand_for_it(tab: Tab, pages: dict[str, Shown]) -> None:
    with opened(tab, pages["report"], width_px=768) as page:
        picture = page.locator(".cards svg.picture").first
        with_words = picture.screenshot()
        page.evaluate("document.querySelectorAll('.instead').forEach(one => one.remove())")
        assert picture.screenshot() == with_words


def test_three_panels_make_a_file_of_moderate_size(
    record_property: Callable[[str, object], None],
) -> None:
    panel = make_panel(size_px=(2000, 1500), n_lines=1500)
    panels = [replace(panel, title=f"Panel {number}") for number in range(3)]
    size = len(page_html(compose(make_content(*panels))).encode())
    record_property("bytes", size)
    assert 300_000 < size < MOST_BYTES


def test_a_finding_would_be_seen(tab: Tab, tmp_path: Path) -> None:
    path = tmp_path / "bad.html"
    told = json.dumps("pale and small")
    path.write_text(
        "<!DOCTYPE html><html><head><title>Bad</title></head><body style='background:#fff'>"
        f"<p style='color:#bbb;font-size:8px'>{told}</p><div style='width:500px'>wide</div>"
        "<svg width=90 height=40><path d='M0 0H90V40H0z' fill='#777'/>"
        "<text x=5 y=20 fill='#888'>grey on grey</text></svg><svg class=drawing>"
        "<text x=5 y=20>one</text><text x=9 y=22>other</text></svg></body></html>"
    )
    page = shown_in(tab, path, width_px=360)
    assert sideways_px(page) > 0
    assert [one["text"] for one in illegible(page)] == [told, "grey on grey"]
    assert page.evaluate(OVERLAPS) == [["one", "other"]]
