"""Work side by side: in order, with errors in their places, and never far ahead."""

import threading
from concurrent.futures import ThreadPoolExecutor

from defectscan.ahead import WORKERS, in_order
from defectscan.errors import DefectscanError, NotMeasurableError


def test_results_and_errors_come_in_order() -> None:
    def work(number: int) -> int:
        if number % 3 == 1:
            raise NotMeasurableError(f"{number}", allowed="others", remedy="go on")
        return number**2

    with ThreadPoolExecutor(WORKERS) as pool:
        found = list(in_order(pool, work, range(9)))
    told = [one.what if isinstance(one, DefectscanError) else one for one in found]
    assert told == [0, "1", 4, 9, "4", 16 + 9, 36, "7", 64]


def test_no_more_is_begun_than_is_soon_taken() -> None:
    begun: list[int] = []
    with ThreadPoolExecutor(WORKERS) as pool:
        results = in_order(pool, begun.append, range(100))
        next(results)
        threading.Event().wait(0.05)
        assert len(begun) <= WORKERS + 1
        results.close()  # type: ignore[attr-defined]
    assert len(begun) <= WORKERS + 1
