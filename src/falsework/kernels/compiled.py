"""How kernels are compiled, and where the machine code is kept.

``kernel`` marks what Python calls, ``inner`` what only kernels call: it gets no wrapper for Python and is not
kept by itself, only within the kernels that call it. Both let other threads run, and divide by zero as numpy
does, which spares a check at every division.

numba keeps the code of a function for as long as the file of that function stays the same, though the code
holds all that the function calls: after an upgrade it would run old code of other files. So each file's code
is kept in a folder named after the digest of its source and of all kernels' sources that it imports.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from numba import config, njit
from numba.core import event
from numba.core.caching import CompileResultCacheImpl, FunctionCache, _CacheLocator

_SOURCES = Path(__file__).parent
_IMPORT = re.compile(r"^from falsework\.kernels\.([\w.]+) import ", re.MULTILINE)
_WITHIN, _WHOLE = type(config.OPT)(1), type(config.OPT)(2)  # see ``_Effort``
_PATIENCE_S = 60.0  # several times what the dearest kernel takes
_UNUSED_DAYS = 30  # a folder of another version that was not used for so long goes


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function when it is first called, and keep the code; see the module."""
    return _kept(function)


def bare_kernel(function: Callable[..., Any]) -> Any:
    """A kernel that makes no array and calls only ``bare`` functions."""
    return _kept(function, _nrt=False)


def _kept(function: Callable[..., Any], **options: Any) -> Any:
    dispatcher = njit(nogil=True, error_model="numpy", no_cfunc_wrapper=True, **options)(function)
    dispatcher._cache = _Cache(function)
    return dispatcher


def inner(function: Callable[..., Any]) -> Any:
    """Compile a function with the kernels that call it; see the module."""
    return njit(nogil=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)(function)


def bare(function: Callable[..., Any]) -> Any:
    """As ``inner``, for functions that make no array: nobody counts who uses one, which costs more than the
    work of what is called for every byte or line. Such functions call only their like, and are laid into what
    calls them."""
    options = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "forceinline": True, "_nrt": False}
    return njit(nogil=True, error_model="numpy", **options)(function)


class _Effort(event.Listener):
    """How hard LLVM tries while a kernel is compiled; what is compiled for others is left as it was.

    All that a kernel calls is optimised by itself and then once more within the kernel: the first time a low
    level serves as well. Kernels that are ``bare`` work on every byte of a program, and get all effort.
    """

    def __init__(self) -> None:
        self._before: list[Any] = []

    def on_start(self, event: Any) -> None:
        dispatcher = event.data.get("dispatcher")
        if dispatcher is None:  # a pass of what is being compiled
            if len(self._before) == 1 and event.data["name"].startswith("native_lowering"):
                config.OPT = _WHOLE
        elif self._before or _eased(dispatcher):
            self._before.append(config.OPT)
            config.OPT = _WITHIN

    def on_end(self, event: Any) -> None:
        if "dispatcher" in event.data and self._before:
            config.OPT = self._before.pop()


def _eased(dispatcher: Any) -> bool:
    kept = isinstance(getattr(dispatcher, "_cache", None), _Cache)
    return kept and "_nrt" not in dispatcher.targetoptions


@cache
def cache_place() -> Path:
    """The folder of compiled kernels: ``NUMBA_CACHE_DIR``, else in the user's cache folder, else beside the
    sources, else a private temporary folder, good for this run only.

    Compiled code is loaded without checks, so it must not come from a folder that others can write to.
    """
    if config.CACHE_DIR:
        return Path(config.CACHE_DIR)
    for folder in (_user_cache(), _SOURCES / "__pycache__"):
        if folder is not None and _writable(folder):
            return folder
    os.environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp(prefix="falsework-kernels-")  # for worker processes too
    return Path(os.environ["NUMBA_CACHE_DIR"])


@cache
def source_digest(module: str) -> str:
    """16 hexadecimal digits that change with the source of a module (``mesh.edges``), with those that it
    imports, and with the versions of what compiles them."""
    digest = hashlib.sha256()
    for package in ("numba", "llvmlite", "numpy"):
        digest.update(f"{package} {importlib.metadata.version(package)}\n".encode())
    for name in sorted(_imported(module) | {module, "compiled"}):
        digest.update(_source(name).encode())
    return digest.hexdigest()[:16]


@cache
def _source(module: str) -> str:
    return (_SOURCES / module.replace(".", "/")).with_suffix(".py").read_text(encoding="utf-8")


def _imported(module: str) -> set[str]:
    """All kernels' modules that a module imports, and those that these import."""
    found: set[str] = set()
    waiting = [module]
    while waiting:
        for name in _IMPORT.findall(_source(waiting.pop())):
            if name not in found:
                found.add(name)
                waiting.append(name)
    return found


class _Locator(_CacheLocator):
    """Where the code of one function is kept, as numba asks it."""

    def __init__(self, function: Callable[..., Any], py_file: str) -> None:
        self._py_file = py_file
        self._line = function.__code__.co_firstlineno
        self._module = function.__module__.removeprefix(f"{__package__}.")
        self._digest = source_digest(self._module)

    @classmethod
    def from_function(cls, py_func: Callable[..., Any], py_file: str) -> _Locator:
        return cls(py_func, py_file)

    def get_cache_path(self) -> str:
        return str(cache_place() / f"{self._module}-{self._digest}")

    def get_source_stamp(self) -> str:
        return self._digest

    def get_disambiguator(self) -> str:
        return str(self._line)

    def ensure_cache_path(self) -> None:
        folder = Path(self.get_cache_path())
        if not folder.exists():
            folder.mkdir(parents=True, exist_ok=True)
            _forget_unused(self._module)


class _Files(CompileResultCacheImpl):
    _locator_classes = (_Locator,)


class _Cache(FunctionCache):
    """numba's cache, but that what cannot be kept or read does not end the run: it is compiled once more; and
    that of processes that want the same kernel at once one compiles it, and the others wait for it."""

    _impl_class = _Files

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(function)
        self._turn = contextlib.ExitStack()  # holds the lock while this process compiles

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        found = self._read(sig, target_context)
        if found is None:
            self._turn.close()  # what was compiled last may have failed, and was not saved
            self._turn.enter_context(_turn(Path(self.cache_path), self._impl))
            found = self._read(sig, target_context)
        if found is not None:
            self._turn.close()
            _mark_used(self.cache_path)
        return found

    def _read(self, sig: Any, target_context: Any) -> Any:
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # a file cut short, say, when the disk was full: whatever it is, the source is good
            with contextlib.suppress(OSError):
                self.flush()
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        with self._turn, contextlib.suppress(OSError):  # no room, say
            super().save_overload(sig, data)


@contextlib.contextmanager
def _turn(folder: Path, function: _Files) -> Iterator[None]:
    """Be the only process that compiles a function, or wait until another has, or has taken too long (it may
    be stopped); where nothing can be locked, go on at once."""
    try:
        import fcntl

        function.locator.ensure_cache_path()
        lock = (folder / f"{function.filename_base}.lock").open("w")
    except (ImportError, OSError):
        yield
        return
    with lock:
        until = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                time.sleep(0.02)
            except OSError:  # a place that knows no locks
                break
        yield


@cache
def _mark_used(folder: str) -> None:
    try:
        os.utime(folder)
    except OSError:
        return


def _forget_unused(module: str) -> None:
    """Remove code of other versions of a module that was not used for long."""
    for folder in cache_place().glob(f"{module}-" + "[0-9a-f]" * 16):
        try:
            if time.time() - folder.stat().st_mtime > _UNUSED_DAYS * 86400:
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            continue


def _user_cache() -> Path | None:
    try:
        if sys.platform == "darwin":
            return Path("~/Library/Caches/falsework/kernels").expanduser()
        home = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
        return Path(home).expanduser() / "falsework" / "kernels"
    except RuntimeError:  # a user without a home folder
        return None


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _matrices_when_asked() -> None:
    """numba loads scipy's linear algebra when the first kernel runs, only to know whether it is there, which
    takes a tenth of a short plan. It is, no kernel calls it, and for others numba loads it where called.
    """
    from numba.np import linalg

    asks = linalg.ensure_blas
    linalg.ensure_blas = lambda: None
    try:
        from numba.np import arraymath
    finally:
        linalg.ensure_blas = asks
    arraymath.ensure_blas = asks


_matrices_when_asked()
_EFFORT = _Effort()
event.register("numba:compile", _EFFORT)
event.register("numba:run_pass", _EFFORT)
