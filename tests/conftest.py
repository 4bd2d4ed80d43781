"""Random tests draw the same examples in every run, and none is held to a time, so that none fails by chance
or on a busy machine; look for new ones with ``pytest --hypothesis-profile=default``. Nobody's own ledger is
read: a test that wants one makes it."""

import gc
import os
import tempfile
from collections.abc import Iterator

import pytest
from hypothesis import find, settings, strategies

# As the command has it: threads of a small product wait for each other longer than they multiply.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["FALSEWORK_LEDGER"] = os.path.join(
    tempfile.gettempdir(), f"falsework-no-ledger-{os.getpid()}", "ledger.sqlite3"
)

settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


def pytest_collection_finish() -> None:
    """What was imported and collected stays: the garbage collector need not walk through it again.

    The dice of hypothesis are cast once before: old versions look for who holds them, and find nobody there.
    """
    find(strategies.none(), lambda _: True)
    gc.collect()
    gc.freeze()


def pytest_make_parametrize_id(val: object) -> str | None:
    """Bytes by their number: packed ones hold the time, and workers that collect apart must find the same."""
    return f"{len(val)} bytes" if isinstance(val, bytes) else None


@pytest.fixture(scope="module")
def few_steps() -> Iterator[None]:
    """A quarter of a fit's steps, to save time: enough where it is not asked to the last digit."""
    from falsework.tuning import fit

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fit, "_SWEEPS", fit._SWEEPS // 4)
        yield


@pytest.fixture(scope="module")
def quick(few_steps: None) -> Iterator[None]:
    """For commands and pages whose pictures nobody looks at: a tenth of their pixels, and few steps."""
    from falsework.report import pictures

    drawn = pictures.draw_soups

    def sketched(part, standing, bed, tones, view, pixels, room_mm=None):
        return drawn(part, standing, bed, tones, view, 0.3 * pixels, room_mm)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pictures, "draw_soups", sketched)
        yield
