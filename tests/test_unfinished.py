"""What a stopped run leaves, and what the next one takes over."""

from pathlib import Path

import pytest

from defectscan.errors import DefectscanError
from defectscan.unfinished import Unfinished

SETTINGS = {"version": "1", "mm_per_px": 0.1}


def test_a_run_goes_on_from_what_is_done(tmp_path: Path) -> None:
    path = tmp_path / "new" / "run.unfinished"
    first = Unfinished(path, SETTINGS)
    first.keep("a", {"value": 1})
    first.keep("b", {"value": 2})
    second = Unfinished(path, SETTINGS)
    assert second.done("a") == {"value": 1}
    assert "b" in second
    assert second.done("c") is None
    second.finish()
    assert not path.exists()
    second.finish()


def test_other_settings_take_nothing_over(tmp_path: Path) -> None:
    path = tmp_path / "run.unfinished"
    Unfinished(path, SETTINGS).keep("a", {"value": 1})
    assert "a" not in Unfinished(path, {**SETTINGS, "mm_per_px": 0.2})


@pytest.mark.parametrize("n_lost", [1, 5, 40])
def test_a_line_that_is_cut_off_costs_itself_alone(tmp_path: Path, n_lost: int) -> None:
    path = tmp_path / "run.unfinished"
    run = Unfinished(path, SETTINGS)
    run.keep("a", {"value": 1})
    run.keep("b", {"value": 2})
    path.write_bytes(path.read_bytes()[:-n_lost])
    again = Unfinished(path, SETTINGS)
    assert "a" in again
    assert "b" not in again
    again.keep("b", {"value": 3})
    assert Unfinished(path, SETTINGS).done("b") == {"value": 3}


def test_what_is_no_such_file_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "run.unfinished"
    path.write_bytes(b'\xff\n[1]\n{"settings": {}}\nnull\n')
    assert Unfinished(path, {}).done("a") is None
    assert Unfinished(tmp_path, {}).done("a") is None
    with pytest.raises(DefectscanError, match="cannot be written"):
        Unfinished(tmp_path, {}).keep("a", {})
