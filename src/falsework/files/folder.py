"""The folder that a plan is written to: all of it appears at once, or nothing does."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from falsework.files.atomic import atomic_folder
from falsework.files.settings_sheet import settings_sheet
from falsework.files.stl import write_stl
from falsework.files.threemf import SupportsAs, write_3mf
from falsework.planning.value import Plan
from falsework.watch import QUIET, Watch
from falsework.wording.heading import UNTITLED, Heading

PLAN, PRINT, PART, SUPPORTS, SETTINGS, REPORT = (
    "plan.json",
    "print.3mf",
    "part.stl",
    "supports.stl",
    "settings.md",
    "report.html",
)
OWN_NAMES = (PLAN, PRINT, PART, SUPPORTS, SETTINGS, REPORT)


def write_plan(
    plan: Plan,
    folder: str | os.PathLike[str],
    *,
    supports_as: SupportsAs = "support",
    extra: Mapping[str, str] | None = None,
    heading: Heading = UNTITLED,
    watch: Watch = QUIET,
) -> tuple[Path, ...]:
    """Write a plan's files into ``folder`` and return their paths.

    ``plan.json``, ``print.3mf``, ``part.stl``, ``settings.md``, and ``supports.stl`` where there is any
    support; ``extra`` adds texts by file name (the report), ``heading`` a name and a note to the operator.
    An earlier plan in the folder is replaced, files of the user's own beside it are kept. Raises
    ``OutputError`` where the folder cannot be written and
    ``Cancelled`` on request; the folder is then as it was.

    Examples
    --------
    >>> import falsework, tempfile
    >>> from falsework.part.demo import table
    >>> plan = falsework.plan(table(), release=False)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(path.name for path in falsework.write_plan(plan, folder))
    ['part.stl', 'plan.json', 'print.3mf', 'settings.md', 'supports.stl']
    """
    folder = Path(folder)
    with atomic_folder(folder, mark=PLAN, own=OWN_NAMES) as aside:
        names = write_files(plan, aside, supports_as=supports_as, extra=extra, heading=heading, watch=watch)
    return tuple(folder / name for name in names)


def write_files(
    plan: Plan,
    aside: Path,
    *,
    supports_as: SupportsAs = "support",
    extra: Mapping[str, str] | None = None,
    heading: Heading = UNTITLED,
    watch: Watch = QUIET,
) -> list[str]:
    """Write a plan's files into a folder that exists and nobody sees yet; the names written."""
    watch.at("writing the 3MF file", 0.0)
    # refuses a plan without geometry
    write_3mf(aside / PRINT, plan, supports_as=supports_as, heading=heading)
    assert plan.geometry is not None
    part, scheme = plan.geometry.part, plan.geometry.scheme
    watch.at("writing STL files", 0.7)
    write_stl(aside / PART, part.vertices, part.faces, plan.part.name)
    names = [PLAN, PRINT, PART]
    if len(scheme.faces):
        write_stl(aside / SUPPORTS, scheme.vertices, scheme.faces, f"supports of {plan.part.name}")
        names.append(SUPPORTS)
    watch.at("writing the settings sheet", 0.9)
    texts = {PLAN: plan.to_json(), SETTINGS: settings_sheet(plan, heading), **(extra or {})}
    for name, text in texts.items():
        # 'replace': a file name that is not valid Unicode may have lent the part its name
        (aside / name).write_bytes(text.encode("utf-8", "replace"))
        if name not in names:
            names.append(name)
    watch.at("written", 1.0)
    return names
