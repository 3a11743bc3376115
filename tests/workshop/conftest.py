"""Job books for the tests, in SQLite and on a real PostgreSQL server."""

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from defectscan.workshop.book import Book, open_book
from defectscan.workshop.book_database import URL_FILE, URL_VARIABLE
from tests.workshop import postgresql_server

_names = (f"book_{number}" for number in itertools.count())


@pytest.fixture(autouse=True)
def _nobodys_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (URL_VARIABLE, "DEFECTSCAN_BOOK"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("DEFECTSCAN_WHO", "tester")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what needs PostgreSQL where it is not installed, and say so."""
    if postgresql_server.binaries() is not None:
        return
    left_out = [item for item in items if "postgresql" in item.name]
    if left_out:
        items[:] = [item for item in items if item not in left_out]
        config.hook.pytest_deselected(items=left_out)
        reporter = config.pluginmanager.get_plugin("terminalreporter")
        if reporter is not None:
            told = f"{len(left_out)} tests left out: {postgresql_server.NOT_INSTALLED}"
            reporter.write_line(told)


@pytest.fixture(scope="session")
def postgresql_url() -> Iterator[str]:
    with postgresql_server.running_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Give a folder for a book, in each kind of database."""
    folder = tmp_path / "book"
    folder.mkdir()
    if request.param == "postgresql":
        url = request.getfixturevalue("postgresql_url")
        url = postgresql_server.create_database(url, next(_names))
        (folder / URL_FILE).write_text(url + "\n")
    return folder


@pytest.fixture
def book(folder: Path) -> Iterator[Book]:
    """Give an empty book whose clock goes on by a second an entry."""
    with open_book(folder, create=True, clock=ticking()) as book:
        yield book


def ticking() -> "Clock":
    """Return a clock of the tests' own."""
    return Clock()


class Clock:
    """Goes on by a second each time it is looked at."""

    def __init__(self) -> None:
        self.now = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now
