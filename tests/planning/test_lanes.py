"""Lanes: plans of one part in processes of their own."""

from __future__ import annotations

from dataclasses import replace
from threading import Event, Timer

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
        lanes.start()
        lanes.start()  # they are
        assert len(lanes._lanes) == 2
        assert lanes.answers(jobs, QUIET, "") == [work(shared, job) for job in jobs]
        with pytest.raises(Cancelled):
            lanes.answers(jobs, Watch(stop=lambda: True), "")
        lanes.stop()
        with pytest.raises(FalseworkError, match="its process ended early"):
            lanes.answers([Job(others[0])], QUIET, "")
    assert lanes._source.returncode is not None  # none is left


def test_lanes_start_while_a_plan_goes_on(monkeypatch):
    """For what takes long; not for what is done before."""
    for after_s, started in ((30.0, False), (0.01, True)):
        begun = Event()
        lanes = Lanes(None, 4)
        monkeypatch.setattr(lanes, "start", begun.set)
        with lanes.starting(after_s):
            begun.wait(20.0 if started else 0.05)
        assert begun.is_set() == started


def test_what_was_done_ahead_is_not_done_again(monkeypatch):
    """And what is asked for no more is not begun; an error of it is nobody's."""
    done, may = [], Event()

    class Lane:
        def ask(self, job):
            may.wait(20.0)
            done.append(job)
            if job == "bad":
                raise FalseworkError(job, "is bad", "Take another")
            return job

    with Lanes(None, 2) as lanes:
        for _ in range(2):
            lanes._free.put(Lane())
        Timer(0.05, may.set).start()
        assert lanes.answers(["a", "b"], QUIET, "", ["bad", "c", "d"]) == ["a", "b"]
        may.clear()
        Timer(0.05, may.set).start()
        assert lanes.answers(["c"], QUIET, "") == ["c"]
        with pytest.raises(FalseworkError, match="is bad"):
            lanes.answers(["bad"], QUIET, "")
    assert sorted(set(done)) == sorted(done)


def test_no_more_lanes_than_jobs_and_cores(monkeypatch):
    assert lanes_for(8, 6, 1000) == 6 and lanes_for(3, 6, 1000) == 3
    monkeypatch.setattr(room.os, "sysconf", lambda name: 1 << 15)  # 1 GiB is free: room for half a lane each
    assert lanes_for(8, 6, 1000) == 1
