"""Standard error is held back while a decoder works, and comes back after it."""

import logging
import os
import threading

import pytest

from defectscan.imaging.quiet_codecs import STANDARD_ERROR, codecs_quiet


def say(text: str) -> None:
    """Write to standard error as a library in C would."""
    os.write(2, text.encode())


def test_nothing_is_heard_of_a_decoder(capfd: pytest.CaptureFixture[str]) -> None:
    say("before ")
    with codecs_quiet():
        say("libtiff's own words ")
    say("after")
    assert capfd.readouterr().err == "before after"


def test_what_pillow_logs_is_not_shown(capfd: pytest.CaptureFixture[str]) -> None:
    logger = logging.getLogger("PIL.TiffImagePlugin")
    # The tests' own handlers at the root would hide what a user sees.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(logging.getLogger(), "handlers", [])
        logger.error("More samples per pixel than can be decoded: %s", 9)
    assert capfd.readouterr().err == ""


def test_it_comes_back_after_an_error(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="damaged"), STANDARD_ERROR.held_back():
        raise ValueError("damaged")
    say("heard")
    assert capfd.readouterr().err == "heard"


def test_it_comes_back_when_the_last_thread_is_done(capfd: pytest.CaptureFixture[str]) -> None:
    inside, leave = threading.Event(), threading.Event()

    def work() -> None:
        with STANDARD_ERROR.held_back():
            inside.set()
            leave.wait(10)

    thread = threading.Thread(target=work)
    thread.start()
    assert inside.wait(10)
    with STANDARD_ERROR.held_back():
        say("one ")
    say("two ")
    leave.set()
    thread.join()
    say("three")
    assert capfd.readouterr().err == "three"
