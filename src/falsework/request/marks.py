"""What the user marks on a part: faces that will be seen, faces that supports must not touch, and the axis
along which it is loaded.

By direction, by named face sets, or in a small file beside the part (``cleat.stl`` → ``cleat.lie.toml``)::

    [show]
    directions = ["+z", "-x", [0, 1, 1]]
    face_sets = ["badge"]

    [spare]
    face_sets = ["thread"]

    [load]
    axis = "+z"
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from falsework.arrays import Vector
from falsework.errors import PartError, ProcessError
from falsework.part.part import Floats, Part

NEAR_DEG = 30.0
"""Faces whose normal is within this angle of a marked direction are marked."""

_AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}
_FACES = ("directions", "face_sets")
_TABLES = {"show": _FACES, "spare": _FACES, "load": ("axis",)}
_UNIT_SLACK = 4e-16
_WRITE = "Write +z, -x or three numbers such as 0,0.5,1"


@dataclass(frozen=True)
class MarkedFaces:
    """Faces of a part: by unit directions of their normals, and by names in ``Part.face_sets``.

    Directions are meant in the part's own frame, as it lies in its file, however it is turned afterwards;
    they may be given as :func:`direction` takes them. ``ProcessError`` for one that points nowhere.

    Examples
    --------
    >>> import falsework
    >>> faces = falsework.MarkedFaces(directions=((0.0, 0.0, 1.0),))
    >>> faces.empty, falsework.MarkedFaces().empty
    (False, True)
    """

    directions: tuple[Vector, ...] = ()
    face_sets: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "directions", tuple(direction(way) for way in self.directions))
        object.__setattr__(self, "face_sets", tuple(self.face_sets))
        for name in self.face_sets:
            if not (isinstance(name, str) and name):
                raise ProcessError("face set", f"{name!r} is no name", "Give the name of a face set")

    @property
    def empty(self) -> bool:
        return not (self.directions or self.face_sets)


NO_FACES = MarkedFaces()


def marked_words(show: MarkedFaces, spare: MarkedFaces) -> str:
    """What is marked, in words; '' for nothing."""
    return " and ".join(
        ([] if show.empty else ["faces to keep clean"])
        + ([] if spare.empty else ["faces supports must not touch"])
    )


@dataclass(frozen=True)
class Marks:
    """Everything such a file can say: faces to keep clean, faces that no support may touch, the load axis."""

    show: MarkedFaces = NO_FACES
    spare: MarkedFaces = NO_FACES
    load_axis: Vector | None = None


def direction(value: str | Sequence[float], subject: str = "direction") -> Vector:
    """A unit vector from ``+z``, ``-x``, ``y``, ``0,0.5,1`` or three numbers; ``ProcessError`` otherwise.

    What has unit length already stays as it is, to the last bit.
    """
    numbers: Sequence[Any] = ()
    if isinstance(value, str):
        text = value.strip().lower()
        axis = _AXES.get(text.lstrip("+-"))
        if axis is not None and len(text) <= 2:
            sign = -1.0 if text[0] == "-" else 1.0
            return (sign * axis[0] + 0.0, sign * axis[1] + 0.0, sign * axis[2] + 0.0)
        numbers = text.split(",")
    elif isinstance(value, Sequence | np.ndarray):
        numbers = list(value)
    try:
        if any(isinstance(n, bool) for n in numbers):
            raise ValueError
        x, y, z = (float(n) for n in numbers)
    except (ValueError, TypeError):
        raise ProcessError(subject, f"{value!r} is no direction", _WRITE) from None
    length = math.hypot(x, y, z)
    if not (math.isfinite(length) and length > 1e-12):
        raise ProcessError(subject, f"{value!r} has no direction", _WRITE)
    if abs(length - 1.0) <= _UNIT_SLACK:
        return x, y, z
    return (x / length, y / length, z / length)


def marks_beside(part_path: str | Path) -> Path:
    """Where the marks of a part file are kept: ``cleat.stl`` → ``cleat.lie.toml``."""
    path = Path(part_path)
    return path.parent / f"{path.stem}.lie.toml"  # not with_suffix: '.' and '/' have no name to change


def read_marks(path: str | Path) -> Marks:
    """Marks from a TOML file; the error names the line's table and key, and the cure.

    ``PartError`` where it is no such file, ``ProcessError`` for a direction that is none.
    """
    import tomllib

    path = Path(path)
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise PartError(str(path), "there is no such file", "Check the path") from None
    except UnicodeDecodeError:
        raise PartError(str(path), "it is not UTF-8 text", "Save it as UTF-8") from None
    except OSError as error:
        raise PartError(
            str(path), f"it cannot be read: {error.strerror or error}", "Check the file"
        ) from None
    except (ValueError, RecursionError) as error:
        raise PartError(path.name, f"this is not TOML: {error}", "Correct the file") from None
    for table, entries in tables.items():
        if table not in _TABLES or not isinstance(entries, dict):
            raise PartError(
                f"{path.name}, {table}", "there is no such table", "Use [show], [spare] and [load]"
            )
        for key in entries:
            if key not in _TABLES[table]:
                raise PartError(
                    f"{path.name}, [{table}] {key}",
                    "there is no such entry",
                    f"Known: {', '.join(_TABLES[table])}",
                )
    axis = tables.get("load", {}).get("axis")
    return Marks(
        show=_faces(tables.get("show", {}), f"{path.name}, [show]"),
        spare=_faces(tables.get("spare", {}), f"{path.name}, [spare]"),
        load_axis=None if axis is None else direction(axis, f"{path.name}, [load] axis"),
    )


def _faces(table: dict[str, Any], subject: str) -> MarkedFaces:
    at = f"{subject} directions"
    directions = tuple(direction(d, at) for d in _listed(table.get("directions", []), at))
    at = f"{subject} face_sets"
    names = _listed(table.get("face_sets", []), at)
    for name in names:
        if not isinstance(name, str):
            raise PartError(at, f"{name!r} is no name", 'Write names in quotes, such as ["badge"]')
    return MarkedFaces(directions, tuple(names))


def _listed(value: Any, subject: str) -> list[Any]:
    if not isinstance(value, list):
        raise PartError(subject, f"{value!r} is no list", 'Write a list such as ["+z", "-x"]')
    return value


def marked_faces(
    part: Part, normals: Floats, marked: MarkedFaces, what: str = "faces to keep clean"
) -> NDArray[np.bool_]:
    """(m,) which faces of the part are marked; ``normals`` (m, 3) are their unit normals in its own frame.

    Raises ``PartError`` for a face set the part does not have, and where nothing is marked although something
    is asked for: of ``what``, for the message.
    """
    found = np.zeros(len(part.faces), dtype=bool)
    cosine = math.cos(math.radians(NEAR_DEG)) - 1e-9
    for vector in marked.directions:
        found |= normals @ np.array(vector) >= cosine
    for name in marked.face_sets:
        if name not in part.face_sets:
            known = ", ".join(sorted(part.face_sets)) or "none"
            raise PartError(f"face set {name}", "the part has no face set of that name", f"It has: {known}")
        found[part.face_sets[name]] = True
    if not (marked.empty or found.any()):
        raise PartError(what, "no face of the part is marked by them", "Check the directions")
    return found
