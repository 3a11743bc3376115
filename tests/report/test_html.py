"""The HTML page: whole, closed to the outside, and saying what it must."""

import base64
import hashlib
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from defectscan.report import guidance
from defectscan.report.compose import compose
from defectscan.report.content import (
    Coverage,
    DensityMap,
    Estimate,
    Flag,
    Panel,
    PhotoConditions,
    Picture,
    ReportContent,
    State,
)
from defectscan.report.html import page_html

VOID = {"meta", "input", "link", "br", "img", "hr", "col"}


class Reader(HTMLParser):
    """Read a page: tags must nest; texts, ids and references are kept."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.style = self.script = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute of {tag} stands twice"
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("style", "script"):
            setattr(self, self.open[-1], data)
        elif data.strip():
            self.texts.append(" ".join(data.split()))

    @property
    def text(self) -> str:
        return " ".join(self.texts)

    def values(self, name: str) -> list[str]:
        return [value for _, attrs in self.tags if (value := attrs.get(name))]


@pytest.fixture
def page(content: ReportContent) -> Reader:
    return Reader(page_html(compose(content)))


def test_every_section_is_there(page: Reader) -> None:
    for title in (
        "Bonnet, left half",
        "Pictures",
        "Numbers",
        "By kind",
        "Directions",
        "Where lines are left",
        "Photos",
        "How it was measured",
        "What it cannot know",
        "Cautions",
    ):
        assert title in page.texts


def test_figures_stand_with_their_intervals(page: Reader) -> None:
    for text in (
        "83 %",
        "95 % interval: 76 to 88 %",
        "143 mm/cm² (128 to 160)",
        "24 mm/cm² (18 to 32)",
        "9 % (\N{MINUS SIGN}41 to 52 %)",
        "0.42 (0.36 to 0.48)",
        "Removed: 50",
        "Remaining: 10",
        "New: 1",
        "0123456789ab",
        "1/120 s",
        "f/1.8",
        "fits the one before to 0.62 px",
        "4 to 240; above that, 5",
    ):
        assert text in page.text


def test_standing_texts_are_all_there(page: Reader) -> None:
    for text in (
        *guidance.UNDER_A_LAMP,
        *guidance.BEFORE_AND_AFTER,
        *guidance.INTERVALS,
        *guidance.GRADE,
        *guidance.SHARE_THAT_SHOWS,
        *guidance.WHAT_IT_CANNOT_KNOW,
        *guidance.CAUTIONS,
    ):
        assert text in page.text


def test_nothing_is_asked_from_outside(content: ReportContent) -> None:
    html = page_html(compose(content))
    assert "http://" not in html
    assert "https://" not in html
    page = Reader(html)
    assert page.values("src") == []
    for reference in page.values("href"):
        assert reference.startswith(("#", "data:image/jpeg;base64,"))
    assert "url(" not in page.style
    assert "@import" not in page.style


def test_policy_allows_this_style_and_script_only(page: Reader) -> None:
    (policy,) = [
        attrs["content"]
        for tag, attrs in page.tags
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    for name, text in (("style-src", page.style), ("script-src", page.script)):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[name] == f"'sha256-{digest}'"
    assert page.values("style") == []
    assert [name for _, attrs in page.tags for name in attrs if name.startswith("on")] == []


def test_every_reference_meets_its_photo(page: Reader) -> None:
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    references = {href[1:] for href in page.values("href") if href.startswith("#")}
    assert references
    assert references <= set(ids)


def test_each_photo_stands_in_the_page_once(content: ReportContent) -> None:
    html = page_html(compose(content))
    photos = re.findall(r"data:image/jpeg;base64,([^\"]+)", html)
    assert len(photos) == len(set(photos)) == len(compose(content).photos())
    assert all(base64.b64decode(photo).startswith(b"\xff\xd8") for photo in photos)


def test_slider_and_toggles_can_be_reached_and_are_named(page: Reader) -> None:
    inputs = [attrs for tag, attrs in page.tags if tag == "input"]
    assert [i["type"] for i in inputs].count("range") == 1
    assert all(i.get("aria-label") for i in inputs if i["type"] == "range")
    toggles = {i["value"] for i in inputs if i["type"] == "checkbox"}
    scratches = {"scratch_before", "scratch_after"}
    assert toggles == {"removed", "remaining", "new", *scratches, "frame"}
    for style in toggles:
        assert f".hide-{style} .picture .layer-{style}" in page.style
    assert "@media print" in page.style


def test_pictures_and_charts_are_described(page: Reader) -> None:
    drawings = [attrs for tag, attrs in page.tags if tag == "svg" and "aria-hidden" not in attrs]
    assert drawings
    assert all(attrs["role"] == "img" and attrs["aria-label"] for attrs in drawings)


def test_names_are_escaped(content: ReportContent, panel: Panel) -> None:
    evil = '<b>Müller & Søn</b>"><script>alert(1)</script>'
    flag = Flag(name=evil, text=evil, advice=evil)
    photo = replace(panel.before.photos[0], file=evil, flags=(flag,))
    before = replace(panel.before, photos=(photo,), flags=(flag,))
    named = replace(
        content,
        title=evil,
        subtitle=evil,
        panels=(replace(panel, title=evil, before=before, flags=(flag,)),) * 2,
        flags=(flag,),
    )
    page = Reader(page_html(compose(named)))
    assert [tag for tag, _ in page.tags].count("script") == 1
    assert "b" not in [tag for tag, _ in page.tags]
    assert evil in page.text


def test_no_text_turns_what_stands_beside_it(content: ReportContent, panel: Panel) -> None:
    turned = "Tank \u202eknat\u2067 \u200fend"
    photo = replace(panel.before.photos[0], file=turned)
    named = replace(
        content,
        title=turned,
        panels=(replace(panel, title=turned, before=replace(panel.before, photos=(photo,))),) * 2,
        flags=(Flag(name="not_measured", text=f"{turned}: it is no photo."),),
    )
    html = page_html(compose(named))
    assert not set("\u202e\u2067\u200f") & set(html)
    assert "Tank knat end: it is no photo." in Reader(html).text


def test_each_doubt_is_listed_and_counted_once(content: ReportContent, panel: Panel) -> None:
    both, one, all_ = (Flag(name=name, text=f"It is {name}.") for name in ("few", "dim", "apart"))
    assert panel.after is not None
    states = [
        replace(state, flags=flags, photos=(replace(state.photos[0], flags=flags),))
        for state, flags in ((panel.before, (both,)), (panel.after, (both, one)))
    ]
    made = replace(panel, before=states[0], after=states[1], flags=(all_,))
    text = Reader(page_html(compose(replace(content, panels=(made,))))).text
    assert "3 doubts are noted under “Photos”." in text
    listed = text.split("Photos", 2)[2].split("SHA-256")[0]
    for title, flag in (("Few, before and after", both), ("Dim, after", one), ("Apart", all_)):
        assert f"{title} {flag.text}" in listed
        assert listed.count(flag.text) == 1
    alone = replace(made, after=None, registration=None, flags=())
    text = Reader(page_html(compose(replace(content, panels=(alone,))))).text
    assert "1 doubt is noted under “Photos”." in text
    assert "Few It is few." in text


def test_deep_scratches_of_either_photo_are_in_the_key(panel: Panel, page: Reader) -> None:
    assert panel.registration is not None
    statuses = [line.status for line in panel.registration.lines]
    for when in ("before", "after"):
        n = statuses.count("scratch_before" if when == "before" else "scratch_after")
        assert n
        assert f"Deep scratches {when}: {n}" in page.text


def test_unregistered_pair_stands_side_by_side(content: ReportContent, unregistered: Panel) -> None:
    page = Reader(page_html(compose(replace(content, panels=(unregistered,)))))
    assert "could not be registered" in page.text
    assert "too few fixed points on the panel" in page.text
    assert "range" not in page.values("type")
    assert "Removed" not in page.text
    assert unregistered.after is not None
    swirls = [
        sum(line.kind == "swirl" for line in state.picture.lines)
        for state in (unregistered.before, unregistered.after)
    ]
    assert f"Swirls: {swirls[0]} before, {swirls[1]} after" in page.text
    assert "83 %" in page.text


def test_lines_that_are_not_followed_stand_with_each_photo(
    content: ReportContent, panel: Panel
) -> None:
    assert panel.registration is not None
    why = "Lines are not followed here."
    laid = replace(panel, registration=replace(panel.registration, lines=(), not_followed=why))
    page = Reader(page_html(compose(replace(content, panels=(laid,)))))
    assert why in page.text
    assert "range" in page.values("type")
    for words in ("Removed", "What became of the lines", "could not be registered"):
        assert words not in page.text
    assert "Lines found, drawn over the darkened photos." in page.text


def test_one_state_has_no_after(content: ReportContent, one_state: Panel) -> None:
    page = Reader(page_html(compose(replace(content, panels=(one_state,)))))
    assert "143 mm/cm²" in page.text
    assert "Where the lines are" in page.texts
    assert "range" not in page.values("type")
    for word in ("After", "Removed", "is gone"):
        assert word not in page.texts


def test_undefined_correction_is_said_and_not_drawn_as_a_number(
    content: ReportContent, panel: Panel
) -> None:
    bare = replace(panel, correction=Estimate(), kind_corrections={})
    page = Reader(page_html(compose(replace(content, panels=(bare,)))))
    assert "Undefined" in page.texts
    assert "the correction cannot be given" in page.texts


def test_barest_content_makes_a_page(content: ReportContent) -> None:
    picture = Picture(image=np.zeros((1, 1, 3), np.uint8))
    photo = PhotoConditions(file="a.jpg", sha256="0" * 64, width_px=1, height_px=1)
    state = State(picture=picture, line_density=Estimate(), photos=(photo,))
    empty = DensityMap(values=np.full((1, 1), np.nan), extent_px=(0, 0, 1, 1))
    panels = (
        Panel(title="One", before=state),
        Panel(title="Two", before=state, after=state, density_map=empty),
    )
    page = Reader(page_html(compose(replace(content, panels=panels))))
    assert "not known" in page.texts
    assert page.texts.count("Undefined") == 1


def test_several_panels_have_an_overview(content: ReportContent, panel: Panel) -> None:
    page = Reader(
        page_html(compose(replace(content, panels=(panel, replace(panel, title="Boot lid")))))
    )
    assert "Overview" in page.texts
    assert page.texts.count("Boot lid") == 2


def test_lines_as_seen_are_not_said_to_be_corrected(content: ReportContent, panel: Panel) -> None:
    page = Reader(page_html(compose(replace(content, panels=(replace(panel, as_seen=True),)))))
    for text in (*guidance.AS_SEEN, *guidance.SHARE_THAT_SHOWS_AS_SEEN):
        assert text in page.text
    for text in (*guidance.UNDER_A_LAMP, *guidance.SHARE_THAT_SHOWS):
        assert text not in page.text


def test_odd_file_names_can_be_written(content: ReportContent, panel: Panel) -> None:
    photo = replace(panel.before.photos[0], file="a\nb\udcff.jpg")
    odd = replace(content, panels=(replace(panel, before=replace(panel.before, photos=(photo,))),))
    assert "a b?.jpg" in Reader(page_html(compose(odd)).encode().decode()).text


def test_the_same_content_gives_the_same_page(content: ReportContent) -> None:
    first = page_html(compose(content))
    assert page_html(compose(content)) == first


def outline_of(page: Reader) -> str:
    """List what a page is made of, without its numbers, sizes and photos."""
    lines = []
    for tag, attrs in page.tags:
        if tag in ("path", "rect", "text", "use", "image"):
            continue
        kept = {k: attrs[k] for k in ("class", "type", "value", "data-head", "role") if k in attrs}
        lines.append(" ".join([tag, *(f"{k}={v}" for k, v in kept.items())]))
    return "\n".join(lines) + "\n"


def test_page_is_made_of_the_same_parts_as_the_gold_one(page: Reader) -> None:
    gold = Path(__file__).with_name("gold_outline.txt").read_text(encoding="utf-8")
    assert outline_of(page) == gold


@pytest.mark.parametrize("known", [True, False])
def test_it_is_said_why_the_correction_of_a_kind_is_undefined(
    content: ReportContent, panel: Panel, known: bool
) -> None:
    trails = Estimate(value=70, low=60, high=80) if known else Estimate()
    told = replace(panel, kind_corrections={"machine_trail": trails})
    page = Reader(page_html(compose(replace(content, panels=(told,)))))
    assert any("too few lines of that kind were there before" in t for t in page.texts) != known


def test_more_shots_and_photos_set_aside_are_told(content: ReportContent, panel: Panel) -> None:
    more = ("About 4 more shots of each state would do.",)
    told = replace(panel, more_shots=more, set_aside=("b.jpg: <no highlight>",))
    page = Reader(page_html(compose(replace(content, panels=(told,)))))
    assert any(text.startswith("About 4 more shots of each state") for text in page.texts)
    assert "Set aside: b.jpg: <no highlight>." in page.texts


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, defectscan.report, defectscan.report.content;"
        "print([m for m in ('cv2', 'fpdf', 'jinja2', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_ground_covered_is_shown_for_a_state_with_several_shots(
    content: ReportContent, panel: Panel
) -> None:
    assert "Ground covered" not in Reader(page_html(compose(content))).texts
    counts = np.zeros((6, 8), np.int64)
    counts[:4] += 1
    counts[2:, 3:] += 1
    ground = Coverage(
        n_shots=counts, extent_px=(-0.5, -0.5, 399.5, 299.5), area_cm2=88.0,
        highlights_px=np.array([[200.0, 100.0], [90.0, 50.0]]), shots_laid=2, shots_not_laid=1,
    )  # fmt: skip
    shown = replace(panel, before=replace(panel.before, coverage=ground))
    page = Reader(page_html(compose(replace(content, panels=(shown,)))))
    assert "Ground covered" in page.texts
    told = " ".join(page.texts)
    assert "2 shots that lie on each other cover 88" in told
    assert "1 shot could not be laid over the first" in told
    classes = [attributes.get("class") for _, attributes in page.tags]
    assert classes.count("cover-1") == 1
    assert classes.count("cover-0") >= 2
    assert any("layer-highlight" in (one or "") for one in classes)
