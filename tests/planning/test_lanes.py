"""Lanes: plans of one part in processes of their own."""

from __future__ import annotations

import pickle
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from threading import Event, Thread, Timer
from time import sleep

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


class Here:
    """Work done in this process that tells what it did, and waits until it may."""

    def __init__(self) -> None:
        self.done, self.may = [], Event()

    def __call__(self, job, watch):
        self.may.wait(20.0)
        watch.at("one")
        self.done.append(job)
        if job == "bad":
            raise FalseworkError(job, "is bad", "Take another")
        return job


class Lane:
    """Stands for a process: answers as one does."""

    def __init__(self, work) -> None:
        self._work = work

    def ask(self, said):
        job = pickle.loads(said)
        if job == "told":
            return None
        if job == "ended":
            raise FalseworkError("a plan", "its process ended early", "Give it fewer cores")
        try:
            return True, self._work(job, QUIET)
        except FalseworkError as error:
            return False, error


@contextmanager
def beside(count, work, here):
    """Lanes of which so many have work of their own."""
    with Lanes(here, 0) as lanes:
        for _ in range(count):
            lane = Lane(work)
            lane.close = lambda: None
            lanes._lanes.append(lane)
            lanes._threads.append(Thread(target=lanes._attend, args=(lane, pickle.dumps("told"))))
            lanes._threads[-1].start()
        yield lanes


def test_what_lanes_answer_is_what_work_gives():
    part, wish = tee(), Wish(load_process("pla-0.4"))
    today, *others = shortlist(part, wish, Context(cores=1), Search(50), refine=False).lies
    jobs = [
        Job(today, whole=False),
        Job(others[0], whole=False),
        Job(replace(today, turn_deg=(180.0, 0.0, 0.0))),
    ]
    do = partial(work, Shared(part, wish, PRIOR))
    expected = [do(job, QUIET) for job in jobs]
    with Lanes(do, 2) as lanes:
        assert lanes.answers(jobs[:1], QUIET, "") == expected[:1]  # none has started: it was done here
        lanes.start()
        lanes.start()  # they are
        assert len(lanes._lanes) == 2
        lanes.ahead(jobs[1:])
        while not all(lanes._asked[job].done() for job in jobs[1:]):
            sleep(0.05)
        assert lanes.answers(jobs, QUIET, "") == expected
        with pytest.raises(Cancelled):
            lanes.answers(jobs, Watch(stop=lambda: True), "")
        lanes.stop()
        assert lanes.answers([Job(others[0])], QUIET, "") == [do(Job(others[0]), QUIET)]
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


def test_what_was_done_ahead_is_not_done_again():
    """And what is asked for no more is not begun; an error of it is nobody's."""
    there, here = Here(), Here()
    here.may.set()
    with beside(2, there, here) as lanes:
        lanes.ahead(["a", "b", "bad", "c", "d"])
        while sum(future.running() for future in lanes._asked.values()) < 2:
            sleep(0.01)
        Timer(0.05, there.may.set).start()
        assert lanes.answers(["a", "b"], QUIET, "", ["bad"]) == ["a", "b"]
        with pytest.raises(FalseworkError, match="is bad"):
            lanes.answers(["bad", "e"], QUIET, "")
    done = [job for job in there.done + here.done if job in ("a", "b", "bad", "e")]
    assert sorted(done) == ["a", "b", "bad", "e"]
    assert "d" not in there.done + here.done


def test_what_no_lane_has_begun_is_done_by_the_caller():
    there, here = Here(), Here()
    here.may.set()
    with beside(1, there, here) as lanes:
        lanes.ahead(["a"])
        while not lanes._asked["a"].running():
            sleep(0.01)
        Timer(0.05, there.may.set).start()
        assert lanes.answers(["a", "b", "c"], QUIET, "") == ["a", "b", "c"]
        assert here.done == ["b", "c"] and there.done == ["a"]
        with pytest.raises(FalseworkError, match="is bad"):  # the first that fails, whoever did it
            lanes.answers(["a", "bad", "worse"], QUIET, "")


def test_a_process_that_ended_is_said_and_gets_no_more():
    there, here = Here(), Here()
    there.may.set(), here.may.set()
    with beside(1, there, here) as lanes:
        lanes.ahead(["ended"])
        while not lanes._asked["ended"].done():
            sleep(0.01)
        with pytest.raises(FalseworkError, match="its process ended early"):
            lanes.answers(["ended"], QUIET, "")
        assert lanes.answers(["a"], QUIET, "") == ["a"] and here.done == ["a"]


def test_lanes_that_are_not_asked_end():
    with beside(1, Here(), Here()) as lanes:
        assert lanes.answers([], QUIET, "") == []


def test_no_more_lanes_than_jobs_and_cores(monkeypatch):
    assert lanes_for(8, 6, 1000) == 6 and lanes_for(3, 6, 1000) == 2 and lanes_for(1, 6, 1000) == 0
    monkeypatch.setattr(room.os, "sysconf", lambda name: 1 << 15)  # 1 GiB is free: room for one lane
    assert lanes_for(8, 6, 1000) == 1
