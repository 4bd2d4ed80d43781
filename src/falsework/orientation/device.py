"""Figures of many lies at once on graphics processors: the mesh is taken there once, directions in batches.

Figures are those of ``orientation_figures`` and ``facet_sums`` of ``kernels.column.intervals``, which are the
reference twins; directions with a column of more hits than a graphics processor keeps are done here, if they
are few.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from falsework.errors import Cancelled, ProcessError
from falsework.kernels.column import intervals as k
from falsework.orientation.body import Body
from falsework.part.part import Floats
from falsework.request.context import AUTO_DEVICE
from falsework.watch import Watch

CHUNK = 8192  # directions whose results are fetched together
BATCH = 1024  # directions whose columns are in memory at once, if there is room: each launch costs the host
SHARE = 0.5  # of the free memory of a device that is taken at most
BUDGET = 4 << 30  # bytes that are taken at most, whatever is free
FEW = 256  # directions at most that are done here: they take milliseconds each, not microseconds
BUSY = 1 << 16  # threads that keep a device busy: small meshes are scanned by more threads a triangle


@dataclass(frozen=True)
class ColumnLimits:
    """What columns are judged by, as ``orientation_figures`` takes it."""

    grid: int
    limit_deg: float
    touch_mm: float
    rim_mm: float
    head_mm: float


def devices() -> int:
    """How many graphics processors can be used: 0 where there is none, or nothing to use it with."""
    cuda = _cuda()
    return len(cuda.gpus) if cuda is not None and cuda.is_available() else 0


def wanted(device: str, many: bool = False) -> bool:
    """Whether lies are to be counted on a graphics processor, for a ``Context.device``.

    Of itself only where ``many`` directions are asked for: the usual few are searched sooner without one.
    Raises ``ProcessError`` for 'gpu' where there is none.
    """
    if device == "cpu" or (device == AUTO_DEVICE and not many):
        return False
    if device == "gpu" and not devices():
        what = "no graphics processor was found" if _cuda() else "the package numba-cuda is not installed"
        raise ProcessError(
            "device", what, "Leave --device out, or install falsework[gpu] on a machine with one"
        )
    return devices() > 0


def _cuda() -> Any:
    try:
        from numba import cuda
    except ImportError:
        return None
    return cuda


class Counter:
    """Counts the columns of one body on every graphics processor there is. Use it in one thread."""

    def __init__(self, body: Body, corners: Floats) -> None:
        count = max(devices(), 1)
        self._body, self._corners = body, corners
        self._ways = [_LoadedBody(number, body, corners) for number in range(count)]
        self._pool = ThreadPoolExecutor(count)

    def figures(self, rotations: Floats, limits: ColumnLimits, watch: Watch, step: str) -> Floats:
        """(d, FIGURES) as ``orientation_figures`` finds them for rotations (d, 3, 3).

        NaN where a column has more hits than are kept there, if those are more than ``FEW``.
        """
        chunks = list(_chunks(len(rotations), len(self._ways)))
        out = np.empty((len(rotations), k.FIGURES))
        for n in range(0, len(chunks), len(self._ways)):
            watch.at(step, n / max(len(chunks), 1))
            round_ = list(zip(self._ways, chunks[n : n + len(self._ways)], strict=False))
            jobs = [
                self._pool.submit(way.figures, rotations[chunk], limits, watch, step) for way, chunk in round_
            ]
            for (_, chunk), job in zip(round_, jobs, strict=True):
                out[chunk] = job.result()
        over = np.flatnonzero(np.isnan(out[:, 0]))
        if 0 < len(over) <= FEW:
            out[over] = figures_here(self._body, rotations[over], limits)
        return out

    def surface_sums(self, ups: Floats, solid_mm: float, band_mm: float) -> Floats:
        """(d, 4) as ``facet_sums`` finds them for up directions (d, 3)."""
        return self._ways[0].surface_sums(ups, solid_mm, band_mm)


def _chunks(count: int, ways: int) -> Iterator[slice]:
    size = min(CHUNK, max(BATCH, math.ceil(count / ways)))
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))


class _LoadedBody:
    """One device with the mesh of one body on it."""

    def __init__(self, number: int, body: Body, corners: Floats) -> None:
        from numba import cuda

        vars(np).setdefault("row_stack", np.vstack)  # gone since numpy 2.5: numba-cuda 0.30 looks for it
        from falsework.kernels.column import gpu

        # Few threads are right for few directions: nothing that a person could act on.
        warnings.filterwarnings("ignore", ".*will likely result in GPU under-utilization")
        self._cuda, self._gpu, self._number = cuda, gpu, number
        self._center = body.center
        with cuda.gpus[number]:
            to = cuda.to_device
            points = body.vertices.T  # (n, 3)
            self._triangles = to(np.ascontiguousarray(points[body.faces].reshape(-1, 9).T))
            self._normals = to(np.ascontiguousarray(body.normals.T))
            self._areas, self._show = to(body.areas), to(body.show)
            ends = points[body.edges].reshape(-1, 6).T
            self._ends, self._beside = to(np.ascontiguousarray(ends)), to(np.ascontiguousarray(body.beside.T))
            self._corners = to(np.ascontiguousarray(corners, dtype=np.float32))
        self._kept: dict[int, tuple[Any, ...]] = {}  # by columns a direction

    def figures(self, rotations: Floats, limits: ColumnLimits, watch: Watch, step: str) -> Floats:
        """As :meth:`Counter.figures`, for at most ``CHUNK`` directions; NaN for all with too many hits."""
        cuda, gpu, grid = self._cuda, self._gpu, limits.grid
        sine = np.float32(np.sin(np.radians(limits.limit_deg)) + k.LIMIT_BIAS)
        touch, head = np.float32(limits.touch_mm), np.float32(limits.head_mm)
        count, cells = len(rotations), grid * grid
        with cuda.gpus[self._number]:
            hits, counts, flat, shortest = self._columns(cells)
            batch = len(counts)
            placed = cuda.device_array((count, gpu.PLACE), np.float32)
            sums = cuda.device_array((count, gpu.SUMS), np.int64)
            edges = cuda.device_array((count, 2, 2, grid), np.int32)
            longest, overfull = cuda.device_array(count, np.int32), cuda.device_array(count, np.int32)
            leans = cuda.device_array((count, 2), np.float64)
            turns = cuda.to_device(np.ascontiguousarray(rotations.reshape(-1, 9), dtype=np.float32))
            centers = cuda.to_device(np.ascontiguousarray(rotations @ self._center))
            bounds = cuda.to_device(np.array([sine, touch, head], np.float32))
            gpu.place[count, gpu.THREADS](self._corners, turns, grid, placed)
            blocks = -(-max(min(batch, count) * cells, count) // gpu.THREADS)
            gpu.clear[blocks, gpu.THREADS](counts, shortest, longest, overfull, sums)
            faces, sharp = self._triangles.shape[1], self._ends.shape[1]
            stripes = max(1, min(grid, BUSY // max(faces, 1)))
            for first in range(0, count, batch):
                if watch.stop():
                    raise Cancelled(step)
                n = min(batch, count - first)
                shape = (-(-faces // gpu.THREADS), -(-n // gpu.ABREAST), stripes)
                gpu.scan[shape, gpu.THREADS](
                    self._triangles, self._normals, self._show, placed, first, n, sine, grid, stripes,
                    hits, counts,
                )  # fmt: skip
                gpu.walk[(grid, n), grid](
                    placed, touch, grid, hits, counts, flat, sums, edges, overfull, first
                )
                if sharp:
                    gpu.ridges[(-(-sharp // gpu.THREADS), n), gpu.THREADS](
                        self._ends, self._beside, self._normals, self._show, placed, bounds, grid,
                        hits, counts, sums, first,
                    )  # fmt: skip
                gpu.bridges[(grid, n), grid](placed, touch, grid, flat, hits, counts, shortest, first)
                gpu.finish[(-(-cells // gpu.THREADS), n), gpu.THREADS](shortest, counts, longest, first)
            gpu.leans[-(-2 * count // 32), 32](edges, placed, centers, grid, float(limits.rim_mm), leans)
            out = _figures(
                placed.copy_to_host(), sums.copy_to_host(), longest.copy_to_host(), leans.copy_to_host(), grid
            )
            out[overfull.copy_to_host() > 0] = np.nan
        return out

    def surface_sums(self, ups: Floats, solid_mm: float, band_mm: float) -> Floats:
        """As :meth:`Counter.surface_sums`."""
        cuda, gpu = self._cuda, self._gpu
        with cuda.gpus[self._number]:
            out = cuda.device_array((len(ups), 4), np.float64)
            lent = cuda.to_device(np.ascontiguousarray(ups, dtype=np.float32))
            gpu.surfaces[len(ups), gpu.THREADS](
                self._areas, self._normals, lent, np.float32(solid_mm), np.float32(band_mm), out
            )
            sums: Floats = out.copy_to_host()
        return sums

    def _columns(self, cells: int) -> tuple[Any, ...]:
        """Hits, counts, flats and shortest runs of a batch of so many columns each, kept for the next."""
        cuda, gpu = self._cuda, self._gpu
        if cells not in self._kept:
            batch = self._batch(cells)
            self._kept[cells] = (
                cuda.device_array((batch, gpu.SLOTS, cells), np.uint32),
                cuda.device_array((batch, cells), np.int32),
                cuda.device_array((batch, cells), np.int32),
                cuda.device_array((batch, cells), np.int32),
            )
        return self._kept[cells]

    def _batch(self, cells: int) -> int:
        """Directions whose columns fit into the share of memory that may be taken."""
        each = cells * 4 * (self._gpu.SLOTS + 3)
        free = int(min(BUDGET, SHARE * self._cuda.current_context().get_memory_info().free))
        return max(1, min(BATCH, free // each))


def figures_here(body: Body, rotations: Floats, limits: ColumnLimits) -> Floats:
    """(d, FIGURES) on this processor."""
    figures: Floats = k.orientation_figures(
        body.vertices,
        body.faces,
        body.normals,
        body.show,
        body.edges,
        body.beside,
        rotations,
        body.center,
        limits.grid,
        limits.limit_deg,
        limits.touch_mm,
        limits.rim_mm,
        limits.head_mm,
    )
    return figures


def _figures(placed: Any, sums: Any, longest: Any, leans: Floats, grid: int) -> Floats:
    """(d, FIGURES) from what was counted."""
    from falsework.kernels.column import gpu

    at, total = placed.astype(np.float64), sums.astype(np.float64)
    cell = at[:, gpu.CELL_X] * at[:, gpu.CELL_Y]
    step = at[:, gpu.STEP]
    out = np.zeros((len(at), k.FIGURES))
    for figure, cells, ridge in (
        (k.CONTACT_AREA, gpu.CONTACT, gpu.RIDGE_CONTACT),
        (k.UNREACHED_AREA, gpu.UNREACHED, gpu.RIDGE_UNREACHED),
        (k.FOOT_AREA, gpu.FOOT, None),
        (k.BASE_AREA, gpu.BASE, None),
        (k.SHOW_BED_AREA, gpu.SHOW_BED, gpu.RIDGE_SHOW_BED),
        (k.SHOW_PART_AREA, gpu.SHOW_PART, gpu.RIDGE_SHOW_PART),
        (k.SHOW_LANDING_AREA, gpu.SHOW_LANDING, gpu.RIDGE_SHOW_LANDING),
    ):
        out[:, figure] = cell * total[:, cells]
        if ridge is not None:
            out[:, figure] += total[:, ridge] / gpu.FIXED
    # a lower edge stands on the bed with what is not above the part
    out[:, k.FOOT_AREA] += (total[:, gpu.RIDGE_CONTACT] - total[:, gpu.RIDGE_UNREACHED]) / gpu.FIXED
    for figure, steps, ridge in (
        (k.BED_VOLUME, gpu.BED_STEPS, gpu.RIDGE_BED),
        (k.PART_VOLUME, gpu.PART_STEPS, gpu.RIDGE_PART),
        (k.SOLID_VOLUME, gpu.SOLID_STEPS, None),
    ):
        out[:, figure] = cell * step * total[:, steps]
        if ridge is not None:
            out[:, figure] += total[:, ridge] / gpu.FIXED
    out[:, k.UNEVEN] = total[:, gpu.UNEVEN] / np.maximum(total[:, gpu.CROSSED], 1.0)
    out[:, k.HEIGHT] = at[:, gpu.HEIGHT]
    out[:, k.WIDTH], out[:, k.DEPTH] = at[:, gpu.CELL_X] * grid, at[:, gpu.CELL_Y] * grid
    out[:, k.SPAN] = longest / gpu.LONG
    out[:, k.BASE_LEAN_DEG], out[:, k.LEAN_DEG] = leans[:, 0], leans[:, 1]
    return out
