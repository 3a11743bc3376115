"""A place to work in for tests of commands."""

from pathlib import Path

import pytest

from defectscan.cli import job_options
from defectscan.workshop.book_database import URL_VARIABLE


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder, as somebody."""
    for name in (URL_VARIABLE, job_options.FOLDER_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DEFECTSCAN_WHO", "tester")
    monkeypatch.chdir(tmp_path)
    return tmp_path
