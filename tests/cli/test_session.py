"""Stopping: a signal that lands where nothing can unwind is kept for the watch, and stays quiet."""

from __future__ import annotations

import signal
import sys

import pytest

from falsework.cli.session import stoppable
from falsework.errors import Cancelled


class SignalsWhenItGoes:
    def __del__(self) -> None:
        signal.raise_signal(signal.SIGINT)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_stop_within_a_destructor_is_quiet_and_stops_the_work(capsys: pytest.CaptureFixture[str]) -> None:
    hook = sys.unraisablehook
    with stoppable() as session, session.progress() as watch:
        watch.at("before")
        SignalsWhenItGoes()
        with pytest.raises(Cancelled):
            watch.at("after")
    assert sys.unraisablehook is hook
    assert "Traceback" not in capsys.readouterr().err
