"""A plugin of pytest: the tests are collected once, and then each order is carried out in a fork of this warm
process, so that nothing is imported, collected or compiled again. See ``mutants.py``, which sends the orders.

``WARM_PIPES`` names pairs of descriptors, one for each order that is carried out at a time. What goes through
them are lines of JSON. At first the names of all tests are told through the first pair, and those of tests
heard that are to be run before all, in the process itself, so that it has loaded what most tests need. An
order holds ``tests`` (names, run in this order up to the first that fails), ``cpu_s`` and ``wall_s`` (after
which it is ended), and either ``record`` (sources whose lines are noted) or, where one is to be planted,
``fault``. The answer holds ``failed``, or what ``record`` asks for; ``late``, ``broken`` or ``afresh`` in
place of these.

A fault within a function is planted by giving the functions that are there the changed code, one of a plain
value by giving the value to all who have it; any other asks for a process of its own (``afresh``).
"""

from __future__ import annotations

import ast
import contextlib
import functools
import gc
import json
import os
import resource
import select
import signal
import sys
import time
import warnings
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import numpy as np
import pytest

Code = tuple[str, str, int]  # file, qualified name, first line
_LATE = 24  # exit code: SIGXCPU
PLAIN = (int, float, str, tuple, list, dict, set, frozenset, np.ndarray)
MOST_BYTES = 12 << 30  # a fault may ask for any amount of memory


class TooLong(pytest.skip.Exception):
    """A test, or what it shares with others, takes more than is worth recording."""


def pytest_runtestloop(session: pytest.Session) -> bool:
    items = {item.nodeid: item for item in session.items}
    gc.unfreeze()  # what the tests' own conftest laid aside is found among the rest again
    functions, caches = _functions()
    first, *others = ([int(end) for end in pair.split(",")] for pair in os.environ["WARM_PIPES"].split(";"))
    with os.fdopen(first[0], encoding="utf-8") as heard, os.fdopen(first[1], "w", encoding="utf-8") as said:
        said.write(json.dumps({"items": list(items)}) + "\n")
        said.flush()
        for name in json.loads(heard.readline()):  # loads what most tests need
            items[name].config.hook.pytest_runtest_protocol(item=items[name], nextitem=None)
        gc.freeze()
        for orders, answers in others:
            if os.fork() == 0:
                heard, said = os.fdopen(orders, encoding="utf-8"), os.fdopen(answers, "w", encoding="utf-8")
                break
        for line in heard:
            said.write(json.dumps(_in_fork(json.loads(line), session, items, functions, caches)) + "\n")
            said.flush()
    return True


def _functions() -> tuple[dict[Code, list[FunctionType]], list[Any]]:
    """All functions that there are, by where their code stands, and all caches of results."""
    functions: defaultdict[Code, list[FunctionType]] = defaultdict(list)
    caches = []
    for found in gc.get_objects():
        if isinstance(found, FunctionType) and "/falsework/" in found.__code__.co_filename:
            functions[_where(found.__code__)].append(found)
        elif isinstance(found, functools._lru_cache_wrapper) and found.__module__.startswith("falsework"):
            caches.append(found)
    return functions, caches


def _where(code: CodeType) -> Code:
    return code.co_filename, code.co_qualname, code.co_firstlineno


def _in_fork(order: dict[str, Any], session: pytest.Session, items: Any, functions: Any, caches: Any) -> Any:
    inward, outward = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.close(inward)
        try:
            _alone(int(order["cpu_s"]) + 1)
            answer = _carried_out(order, session, items, functions, caches)
        except BaseException as error:
            answer = {"broken": repr(error)}
        with os.fdopen(outward, "w", encoding="utf-8") as said:
            json.dump(answer, said)
        os._exit(0)
    os.close(outward)
    return _heard(child, inward, time.monotonic() + order["wall_s"])


def _alone(cpu_s: int) -> None:
    """Says nothing, and takes no more than it should."""
    null = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(null, descriptor)
    for what, most in ((resource.RLIMIT_CPU, cpu_s), (resource.RLIMIT_AS, MOST_BYTES)):
        hard = resource.getrlimit(what)[1]
        resource.setrlimit(what, (most if hard < 0 else min(most, hard), hard))
    signal.signal(signal.SIGXCPU, lambda *_: os._exit(_LATE))


def _heard(child: int, inward: int, until: float) -> Any:
    """What a child says until it ends; it and all that it started are ended where it takes too long."""
    said, late = b"", False
    while True:
        left = until - time.monotonic()
        if left <= 0.0 or not select.select([inward], [], [], left)[0]:
            late = True
            break
        if not (some := os.read(inward, 1 << 16)):
            break
        said += some
    os.close(inward)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if late or _ended_by_time(status):
        return {"late": True}
    return json.loads(said) if said else {"broken": f"ended with {status}"}


def _ended_by_time(status: int) -> bool:
    return os.waitstatus_to_exitcode(status) in (_LATE, -signal.SIGXCPU)


def _carried_out(
    order: dict[str, Any],
    session: pytest.Session,
    items: dict[str, pytest.Item],
    functions: dict[Code, list[FunctionType]],
    caches: Sequence[Any],
) -> dict[str, Any]:
    chosen = [items[name] for name in order["tests"] if name in items]
    watched = Watched()
    session.config.pluginmanager.register(watched)
    if "record" in order:
        return _recorded(chosen, watched, order)
    if order.get("fault") and not planted(order["fault"], functions):
        return {"afresh": True}
    for cache in caches:
        cache.cache_clear()
    for _ in _run(chosen):
        if watched.failed:
            break
    return {"failed": watched.failed}


def _run(chosen: Sequence[pytest.Item]) -> Iterator[pytest.Item]:
    """Each in turn, as it is over."""
    for item, after in zip(chosen, [*chosen[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        yield item


class Watched:
    """What failed, what passed, and what each thing that tests share took to make."""

    def __init__(self) -> None:
        self.failed: list[str] = []
        self.passed: set[str] = set()
        self.shared_s: dict[str, float] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)
        elif report.when == "call" and report.passed and not hasattr(report, "wasxfail"):
            self.passed.add(report.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Iterator[None]:
        start = _spent_s()
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                key = _key(fixturedef)
                self.shared_s[key] = self.shared_s.get(key, 0.0) + _spent_s() - start


def _key(fixturedef: Any) -> str:
    return f"{fixturedef.baseid}::{fixturedef.argname}"


def _spent_s() -> float:
    """CPU seconds of this process and of those that it started and waited for."""
    return sum(os.times()[:4])


def _recorded(chosen: Sequence[pytest.Item], watched: Watched, order: dict[str, Any]) -> dict[str, Any]:
    """Of those that pass within ``each_s``: what each takes by itself, what it shares, the lines it runs."""
    from coverage import Coverage

    def too_long(number: int, frame: FrameType | None) -> None:
        raise TooLong(f"more than {order['each_s']} s")

    signal.signal(signal.SIGPROF, too_long)
    coverage = Coverage(data_file=None, config_file=False, include=order["record"], messages=False)
    own_s: dict[str, float] = {}
    shared: dict[str, list[str]] = {}
    start, before = _spent_s(), 0.0
    coverage.start()
    if chosen:
        coverage.switch_context(chosen[0].nodeid)
    signal.setitimer(signal.ITIMER_PROF, order["each_s"], 0.5)
    rest = iter([*chosen[1:], None])
    for item in _run(chosen):
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        now, made = _spent_s(), sum(watched.shared_s.values())
        own_s[item.nodeid] = max(now - start - (made - before), 0.0)
        defined = item._fixtureinfo.name2fixturedefs.values()
        shared[item.nodeid] = sorted({_key(d[-1]) for d in defined if d[-1].scope != "function"})
        start, before = now, made
        if (after := next(rest)) is not None:
            coverage.switch_context(after.nodeid)
            signal.setitimer(signal.ITIMER_PROF, order["each_s"], 0.5)
    coverage.stop()
    failed = set(watched.failed)
    passed = [name for name in own_s if name in watched.passed and name not in failed]
    lines: dict[str, Any] = {}
    with warnings.catch_warnings(action="ignore"):  # that there may be none
        data = coverage.get_data()
    for source in data.measured_files():
        by_line = data.contexts_by_lineno(source)
        lines[source] = {str(k): sorted(t for t in tests if t) for k, tests in by_line.items()}
    return {
        "own_s": {name: own_s[name] for name in passed},
        "shared": {name: shared[name] for name in passed},
        "shared_s": watched.shared_s,
        "lines": lines,
        "failed": sorted(failed),
    }


def planted(fault: dict[str, Any], functions: dict[Code, list[FunctionType]]) -> bool:
    """Whether what is there is as if the fault stood there from now on; not where no function has it within
    its body and no plain value of the module is another with it."""
    path = fault["path"]
    source = Path(path).read_bytes()
    changed = source[: fault["start"]] + fault["text"].encode() + source[fault["end"] :]
    code = compile(changed, path, "exec", dont_inherit=True)
    k = _body_at(source, fault["start"], fault["end"])
    if k is None:
        return _values(fault["module"], code)
    were, codes = _outermost(compile(source, path, "exec", dont_inherit=True)), _outermost(code)
    if len(codes) != len(were) or k >= len(were) or were[k].co_qualname != codes[k].co_qualname:
        return False
    found = functions.get(_where(were[k]), [])
    if not found or were[k].co_freevars != codes[k].co_freevars:
        return False
    for function in found:
        function.__code__ = codes[k]
    return True


def _values(name: str, code: CodeType) -> bool:
    """Give the module's plain values that are others by this code, to it and to all who took them from it."""
    module = sys.modules[name]
    made = {"__name__": name, "__file__": module.__file__, "__package__": module.__package__}
    exec(code, made)
    changed = False
    for word, value in made.items():
        before = vars(module).get(word)
        if isinstance(before, PLAIN) and repr(before) != repr(value):
            changed = True
            for one in list(sys.modules.values()):
                if getattr(one, "__dict__", {}).get(word) is before:
                    setattr(one, word, value)
    return changed


def _outermost(code: CodeType) -> list[CodeType]:
    """The codes of all functions of a module but those within functions, in their order."""
    inner = [const for const in code.co_consts if isinstance(const, CodeType)]
    found = []
    for one in inner:
        if one.co_flags & 0x1 or one.co_name.startswith("<"):  # fast locals: a function
            if not one.co_name.startswith("<"):
                found.append(one)
        else:
            found += _outermost(one)
    return found


def _body_at(source: bytes, start: int, end: int) -> int | None:
    """Which function of those, counted as ``_outermost`` counts, has these bytes in its body."""
    lines = source.splitlines(keepends=True)
    offsets = [0]
    for line in lines:
        offsets.append(offsets[-1] + len(line))

    def within(node: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
        for inner in ast.iter_child_nodes(node):
            if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef):
                yield inner
            elif not isinstance(inner, ast.Lambda):
                yield from within(inner)

    for k, function in enumerate(within(ast.parse(source))):
        first = function.body[0]
        from_, to = offsets[first.lineno - 1], offsets[function.end_lineno or first.lineno]
        if from_ <= start and end <= to:
            return k
    return None
