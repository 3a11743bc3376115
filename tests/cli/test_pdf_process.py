"""A report's PDF from a process of its own: the same file, and no matter if that process fails."""

import os
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from defectscan.cli import pdf_process
from defectscan.report.page import Chapter, Page, Section, Text
from defectscan.report.pdf import page_pdf

SECTION = Section(title="", blocks=(Text(paragraphs=("A text.",)),))
PAGE = Page(
    title="Bonnet",
    subtitle="",
    date=date(2026, 5, 1),
    version="1",
    opening=(),
    chapters=(Chapter(title="One", sections=(SECTION,)),),
)


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


def test_the_file_is_the_one_that_would_be_written_here() -> None:
    with pdf_process.pdf_process(wanted=True) as writer:
        assert writer is not None
        written = writer(PAGE)()
    assert written == page_pdf(PAGE)
    assert written != page_pdf(replace(PAGE, title="Roof"))


@pytest.mark.parametrize("code", ["raise SystemExit(3)", "import no_such_module"])
def test_where_the_process_fails_the_file_is_written_here(
    code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf_process, "_CODE", code)
    with pdf_process.pdf_process(wanted=True) as writer:
        assert writer is not None
        assert writer(PAGE)() == page_pdf(PAGE)


def test_none_is_started_where_there_is_no_use_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        pytest.fail("a process was started")

    monkeypatch.setattr(subprocess, "Popen", never)
    with pdf_process.pdf_process(wanted=False) as writer:
        assert writer is None
    monkeypatch.setattr(sys, "executable", "")
    with pdf_process.pdf_process(wanted=True) as writer:
        assert writer is None
    monkeypatch.setattr(sys, "executable", "python")
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    with pdf_process.pdf_process(wanted=True) as writer:
        assert writer is None


def test_the_process_ends_with_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def noted(*args: object, **options: object) -> subprocess.Popen[bytes]:
        started.append(popen(*args, **options))  # type: ignore[call-overload]
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", noted)
    with pytest.raises(KeyError), pdf_process.pdf_process(wanted=True):
        raise KeyError
    assert started[0].returncode is not None


def test_what_was_begun_need_not_be_waited_for() -> None:
    with pdf_process.pdf_process(wanted=True) as writer:
        assert writer is not None
        written = writer(PAGE)
    # Too late there, it is written here.
    assert written() == page_pdf(PAGE)


def test_a_started_process_ends_when_nothing_comes(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-c", pdf_process._CODE],
        input=b"",
        capture_output=True,
        check=False,
        timeout=60,
        cwd=tmp_path,
    )
    assert done.returncode == 1
    assert done.stdout == b""
