"""Write aside, then rename: whoever stops the program finds the old state or the new one, never half."""

from __future__ import annotations

import contextlib
import errno
import filecmp
import json
import os
import shutil
import tempfile
from collections.abc import Collection, Iterator
from pathlib import Path

from falsework.errors import OutputError

_ASIDE = ".falsework-"
EARLIER = "earlier-"
_HEAD_BYTES = 4096
PAGE_MARK = '<meta name="generator" content="falsework">'
_TOUCHED_S = 2.0  # later than the mark by more: somebody has changed a file since it was written


@contextlib.contextmanager
def atomic_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path beside ``path``; when the block ends well, move it to ``path``.

    An existing file is replaced. On any exception, Ctrl-C included, the temporary file is removed and
    ``path`` stays as it was. Troubles of the operating system come out as ``OutputError``.
    """
    target = Path(path)
    check_file(target)
    with _as_output_error(target):
        handle, name = tempfile.mkstemp(prefix=_ASIDE, dir=target.parent)
        aside = Path(name)
        try:
            os.close(handle)
            aside.chmod(0o666 & ~_umask())
            yield aside
            _sync(aside)
            os.replace(aside, target)
        except BaseException:
            aside.unlink(missing_ok=True)
            raise


@contextlib.contextmanager
def atomic_folder(
    path: str | os.PathLike[str], *, mark: str = "plan.json", own: Collection[str] = ()
) -> Iterator[Path]:
    """Give a temporary folder beside ``path``; when the block ends well, move it to ``path``.

    A folder that is there already is replaced only if it is empty or holds falsework's own results:
    a JSON file named ``mark`` whose ``schema`` starts with 'falsework.'. ``own`` names what falsework writes
    there ('plan.json', 'gull/plan.json'). All else is somebody's and is kept. Where there is such a thing, or
    a file of ours was changed since, the results may have been printed or written on: they are kept as well,
    in a folder 'earlier-1', 'earlier-2' …, unless the new ones are the same. On any exception, Ctrl-C
    included, the temporary folder is removed and ``path`` stays as it was.

    Raises ``OutputError`` where the place is taken, not permitted, full or missing.
    """
    target = Path(path)
    if not target.name or target.name == "..":
        target = target.resolve()  # '.' and '..' have no name that could be renamed
    check_folder(target, mark=mark)
    with _as_output_error(target):
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=target.parent))
        try:
            aside.chmod(0o777 & ~_umask())
            yield aside
            if target.exists():
                names = {*own, mark, *_files(aside)}
                in_use = _carry_over(target, aside, names)
                if in_use or _touched(target, mark, names):
                    _keep_earlier(target, aside, names)
            _sync_tree(aside)
            _swap_in(aside, target)
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise


def check_file(path: str | os.PathLike[str]) -> None:
    """Raise ``OutputError`` if ``atomic_file`` could not write to ``path``: ask before long work."""
    target = Path(path)
    with _as_output_error(target):
        _check_parent(target)
        if target.is_dir():
            raise OutputError(str(target), "is a folder where a file is to be written", "Give another name")


def check_replaceable(path: str | os.PathLike[str], mark: str, what: str) -> None:
    """Raise ``OutputError`` if a file is there that falsework did not write: one without the text ``mark``
    in its first bytes. ``what`` it should be, in words. Ask before long work."""
    target = Path(path)
    check_file(target)
    with _as_output_error(target):
        if not target.exists():
            return
        with open(target, "rb") as there:
            start = there.read(_HEAD_BYTES)
    if start and mark.encode() not in start:
        raise OutputError(
            str(target), f"is there already and is no {what} that falsework wrote", "Give another name"
        )


def check_folder(path: str | os.PathLike[str], *, mark: str = "plan.json") -> None:
    """Raise ``OutputError`` if ``atomic_folder`` could not write to ``path``: ask before long work."""
    target = Path(path)
    with _as_output_error(target):
        _check_parent(target)
        if not target.exists():
            return
        if not target.is_dir():
            raise OutputError(
                str(target), "is a file where a folder is to be written", "Give another place with --out"
            )
        empty = next(target.iterdir(), None) is None
    if not empty and not _is_ours(target / mark):
        raise OutputError(
            str(target),
            f"is a folder that was not written by falsework (it holds files but no {mark} of ours)",
            "Give another place with --out, or empty it first",
        )


def _check_parent(target: Path) -> None:
    parent = target.parent
    if not parent.is_dir():
        state = "is not a folder" if parent.exists() else "does not exist"
        raise OutputError(
            str(target), f"the folder above it ({parent}) {state}", "Make it first, or give another place"
        )
    if not os.access(parent, os.W_OK | os.X_OK):
        raise OutputError(
            str(target),
            f"no permission to write into {parent}",
            "Give a place where you may write, or ask for the right to write there",
        )


def _is_ours(marker: Path) -> bool:
    try:
        schema = json.loads(marker.read_bytes())["schema"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return False
    return isinstance(schema, str) and schema.startswith("falsework.")


def _files(folder: Path) -> set[str]:
    """All files beneath a folder, by their way from it, with '/' between."""
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_symlink() or not p.is_dir()}


def _carry_over(old: Path, new: Path, own: Collection[str], above: str = "") -> bool:
    """Copy what is not ours; whether there was any but what was kept before."""
    found = False
    for entry in sorted(old.iterdir()):
        name, kept = above + entry.name, new / entry.name
        if name in own:
            continue
        if entry.is_dir() and not entry.is_symlink():
            holds_ours = any(one.startswith(f"{name}/") for one in own)
            if not holds_ours:
                shutil.copytree(entry, kept, symlinks=True)
                found |= bool(above) or not name.startswith(EARLIER)
                continue
            there = kept.is_dir()
            kept.mkdir(exist_ok=True)
            found |= _carry_over(entry, kept, own, f"{name}/")
            if not there and not any(kept.iterdir()):
                kept.rmdir()
        else:
            shutil.copy2(entry, kept, follow_symlinks=False)
            found = True
    return found


def _touched(folder: Path, mark: str, own: Collection[str]) -> bool:
    """Whether a file of ours is younger than the mark that was written with it."""
    written = (folder / mark).stat().st_mtime if (folder / mark).exists() else 0.0
    return any((folder / n).stat().st_mtime > written + _TOUCHED_S for n in own if (folder / n).is_file())


def _keep_earlier(old: Path, new: Path, own: Collection[str]) -> None:
    """Copy the results that are about to be replaced into a folder of their own, unless nothing changes."""
    before = [name for name in sorted(own) if (old / name).is_file()]
    if all((new / n).is_file() and filecmp.cmp(old / n, new / n, shallow=False) for n in before):
        return
    number = 1
    while (new / f"{EARLIER}{number}").exists():
        number += 1
    for name in before:
        kept = new / f"{EARLIER}{number}" / name
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(old / name, kept)


def _swap_in(aside: Path, target: Path) -> None:
    if not target.exists():
        os.rename(aside, target)
        return
    # A folder cannot be renamed onto one that is not empty: step the old one aside, and back on trouble.
    retired = aside.with_name(aside.name + ".old")
    try:
        os.rename(target, retired)
        os.rename(aside, target)
    except BaseException:
        if retired.exists() and not target.exists():
            os.rename(retired, target)
        raise
    finally:
        if target.exists():
            shutil.rmtree(retired, ignore_errors=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):  # network and special file systems
            raise
    finally:
        os.close(handle)


def _sync_tree(folder: Path) -> None:
    for root, _, names in os.walk(folder):
        for name in names:
            if not os.path.islink(os.path.join(root, name)):
                _sync(Path(root, name))


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextlib.contextmanager
def _as_output_error(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _output_error(target, error) from error


def _output_error(target: Path, error: OSError) -> OutputError:
    nothing = "nothing was written"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return OutputError(
            str(target),
            f"the disk is full; {nothing}",
            "Make room, or give a place on another disk with --out",
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return OutputError(
            str(target), f"no permission to write there; {nothing}", "Give a place where you may write"
        )
    reason = error.strerror or str(error) or type(error).__name__
    return OutputError(
        str(target), f"cannot be written ({reason}); {nothing}", "Give another place with --out"
    )
