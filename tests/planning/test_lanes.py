"""Lanes: plans of one part in processes of their own."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from falsework import load_process
from falsework.droop.belief import PRIOR
from falsework.errors import Cancelled, FalseworkError
from falsework.orientation import shortlist
from falsework.orientation.value import Search
from falsework.planning import lanes as room
from falsework.planning.lanes import Lanes, lanes_for
from falsework.planning.loading import tee
from falsework.planning.proof import Job, Shared, work
from falsework.request import Context, Wish
from falsework.watch import QUIET, Watch


def test_what_lanes_answer_is_what_work_gives_and_one_that_ended_is_said():
    part, wish = tee(), Wish(load_process("pla-0.4"))
    today, *others = shortlist(part, wish, Context(cores=1), Search(50), refine=False).lies
    jobs = [
        Job(today, whole=False),
        Job(others[0], whole=False),
        Job(replace(today, turn_deg=(180.0, 0.0, 0.0))),
    ]
    shared = Shared(part, wish, PRIOR)
    with Lanes(shared, 2) as lanes:
        lanes.start(5)
        assert lanes.count == 2
        assert lanes.answers(jobs, QUIET, "") == [work(shared, job) for job in jobs]
        with pytest.raises(Cancelled):
            lanes.answers(jobs, Watch(stop=lambda: True), "")
        for lane in lanes._lanes:
            lane.stop()
        with pytest.raises(FalseworkError, match="its process ended early"):
            lanes.answers(jobs[:1], QUIET, "")
    assert all(lane._process.returncode for lane in lanes._lanes)  # none is left


def test_lanes_grow_while_a_plan_goes_on(monkeypatch):
    """Two after twice the time, then one more each time; none for what is done before."""
    monkeypatch.setattr(room, "_Lane", lambda shared: shared)
    quick, slow = Lanes(None, 4), Lanes(None, 4)
    with quick.growing(10.0):
        pass
    assert quick.count == 0
    with slow.growing(0.01):
        deadline = time.monotonic() + 10.0
        while slow.count < 4 and time.monotonic() < deadline:
            time.sleep(0.01)
    assert slow.count == 4


def test_no_more_lanes_than_jobs_and_cores(monkeypatch):
    assert lanes_for(8, 6, 1000) == 6 and lanes_for(3, 6, 1000) == 3
    monkeypatch.setattr(room.os, "sysconf", lambda name: 1 << 15)  # 1 GiB is free: room for half a lane each
    assert lanes_for(8, 6, 1000) == 1
