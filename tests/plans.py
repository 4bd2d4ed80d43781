"""A plan made by hand: a lamp bracket (post and arm) with two plain blocks of support under the arm.

For tests of what is written and shown, where the figures must be known beforehand and no kernel is needed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import shapely

from falsework.cost.cost import Cost
from falsework.droop.estimate import Estimate
from falsework.layers.stack import LayerStack
from falsework.need.underside import NeedMap, Underside, UndersideKind
from falsework.objective import Price
from falsework.part.part import Health, MeshFinding, Part
from falsework.planning.value import LayerSummary, PartSummary, Plan
from falsework.process.derived import Gap
from falsework.process.settings import Process
from falsework.request.standing import Standing
from falsework.request.weights import Weights
from falsework.support.geometry import Geometry
from falsework.support.scheme import SupportMesh, SupportPiece, SupportScheme, SupportStrands
from falsework.support.standing import Alternative, Choice, Option
from falsework.wording.notices import Earlier

LAYER_MM = 0.2
BOX_FACES = np.array(
    [
        [0, 2, 1],
        [0, 3, 2],
        [4, 5, 6],
        [4, 6, 7],
        [0, 1, 5],
        [0, 5, 4],
        [1, 2, 6],
        [1, 6, 5],
        [2, 3, 7],
        [2, 7, 6],
        [3, 0, 4],
        [3, 4, 7],
    ],
    dtype=np.int32,
)


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Closed box: (8, 3) vertices and (12, 3) faces, outward."""
    (a, b, c), (d, e, f) = low, high
    corners = [[a, b, c], [d, b, c], [d, e, c], [a, e, c], [a, b, f], [d, b, f], [d, e, f], [a, e, f]]
    return np.array(corners, dtype=np.float64), BOX_FACES.copy()


def _bracket_mesh() -> tuple[np.ndarray, np.ndarray]:
    """Outline in x/z (a post with an arm to the right) drawn along y: 12 vertices, 20 faces, closed."""
    outline = np.array([[0, 0], [10, 0], [10, 25], [50, 25], [50, 30], [0, 30]], dtype=np.float64)
    front = np.column_stack([outline[:, 0], np.zeros(6), outline[:, 1]])
    vertices = np.concatenate([front, np.add(front, [0, 20, 0])])
    vertices += [80.0, 100.0, 0.0]
    cap = [[0, 1, 2], [0, 2, 5], [2, 3, 4], [2, 4, 5]]
    sides = [[k, k + 6, (k + 1) % 6] for k in range(6)] + [
        [(k + 1) % 6, k + 6, (k + 1) % 6 + 6] for k in range(6)
    ]
    faces = cap + [[c + 6, b + 6, a + 6] for a, b, c in cap] + sides
    return vertices, np.array(faces, dtype=np.int32)


def _stack() -> LayerStack:
    count = 150
    rings = [
        np.array([[80, 100], [80 + reach, 100], [80 + reach, 120], [80, 120]], dtype=np.float64)
        for reach in [10.0] * 125 + [50.0] * 25
    ]
    return LayerStack(
        z_mm=np.round(np.arange(count + 1) * LAYER_MM, 9),
        points_mm=np.concatenate(rings),
        ring_start=np.arange(count + 1, dtype=np.int64) * 4,
        layer_start=np.arange(count + 1, dtype=np.int64),
        widest_stitch_mm=0.0,
        stitched_layers=np.zeros(0, dtype=np.int64),
    )


def underside(number: int, kind: UndersideKind = UndersideKind.CANTILEVER, **changes: object) -> Underside:
    """An underside with plausible figures; give any field to change it."""
    usual = Underside(
        number=number,
        kind=kind,
        area_mm2=800.0,
        layers=(125, 125),
        angle_deg=90.0,
        span_mm=36.0 if kind is UndersideKind.BRIDGE else 0.0,
        span_direction_deg=30.0 if kind is UndersideKind.BRIDGE else 0.0,
        free_length_mm=40.0,
        extent_mm=40.0,
        bridge_share=1.0 if kind is UndersideKind.BRIDGE else 0.0,
        height_mm=25.0,
        center_mm=(110.0, 110.0, 25.0),
        droop_mm=Estimate(4.2, 1.9, 8.8),
        supported_droop_mm=Estimate(0.25, 0.1, 0.5),
        risk=3360.0,
    )
    return replace(usual, **changes)  # type: ignore[arg-type]


def _choice(number: int, chosen: Standing, why: str) -> Choice:
    def option(standing: Standing, price: float, left: float) -> Option:
        cost = Cost(1000.0 * price, 415.0 * price, 1.24 * price, 600.0 * price, price)
        return Option(standing, cost, 800.0 - left, left, 0.0, Price(time=price, finish=left / 100))

    options = (
        option(Standing.LEAVE, 0.0, 800.0),
        option(Standing.BED, 2.0, 0.0),
        option(Standing.BED_OR_PART, 2.5, 0.0),
    )
    return Choice(number, options, chosen, Earlier(why))


def bracket_plan(
    name: str = "lamp bracket", *, supported: bool = True, process: Process | None = None
) -> Plan:
    """The bracket with three undersides: one stands on the bed, a bridge and a small one are left alone.

    ``supported=False``: nothing is supported, the scheme is empty.
    """
    process = process or Process(name="bench process")
    vertices, faces = _bracket_mesh()
    finding = MeshFinding("duplicate faces", 2, "removed", (80.0, 100.0, 0.0))
    part = Part(name, vertices, faces, Health((finding,), closed=True, bodies=1))
    stack = _stack()
    undersides = (
        underside(1),
        underside(2, UndersideKind.BRIDGE, area_mm2=120.0, droop_mm=Estimate(0.4, 0.1, 0.9), risk=48.0),
        underside(
            3, UndersideKind.HOLDS, area_mm2=14.0, angle_deg=52.0, droop_mm=Estimate(0.1, 0.02, 0.3), risk=1.4
        ),
    )
    arm = shapely.box(90, 100, 130, 120)
    need = NeedMap(
        1.0,
        45.0,
        undersides,
        np.array([arm], dtype=object),
        np.array([125], dtype=np.int64),
        np.zeros(1, np.int64),
        np.zeros(1, bool),
    )
    first, block_faces = box((95.0, 103.0, 0.0), (105.0, 117.0, 24.6))
    second, _ = box((110.0, 103.0, 0.0), (125.0, 117.0, 24.6))
    blocks = (first, second) if supported else ()
    cost = Cost(3444.0, 1432.0, 4.27, 1800.0, 0.344)
    pieces = tuple(
        SupportPiece(k + 1, (1,), 140.0, 140.0, 0.0, 0.0, 24.6, 12.3, 40.0, 6.0, "", False, cost)
        for k in range(len(blocks))
    )
    nothing = np.array([shapely.Polygon()] * stack.count, dtype=object)
    body = nothing.copy()
    if supported:
        body[:123] = shapely.union_all([shapely.box(95, 103, 105, 117), shapely.box(110, 103, 125, 117)])
    strands = SupportStrands(
        np.array([[95.0, 103.0, 95.0, 117.0]] * len(blocks)).reshape(-1, 4),
        np.zeros(len(blocks), np.int64),
        np.zeros(len(blocks), np.int8),
        np.arange(len(blocks), dtype=np.int64),
    )
    scheme = SupportScheme(
        Gap(0.4, 2, 0.4),
        Gap(0.2, 1, 0.2),
        pieces,
        body,
        nothing,
        nothing,
        nothing,
        strands,
        partial(
            SupportMesh,
            np.concatenate(blocks) if blocks else np.zeros((0, 3)),
            np.concatenate([block_faces + 8 * k for k in range(len(blocks))])
            if blocks
            else np.zeros((0, 3), np.int32),
            np.repeat(np.arange(len(blocks), dtype=np.int64), 12),
        ),
    )
    chosen = Standing.BED if supported else Standing.LEAVE
    choices = (
        _choice(1, chosen, "it hangs 40 mm free and the bed is straight below"),
        _choice(2, Standing.LEAVE, "it bridges 36 mm with a droop of 0.4 mm"),
        _choice(3, Standing.LEAVE, "it holds by itself"),
    )
    support_cost = cost + cost if supported else Cost()
    return Plan(
        part=PartSummary(
            name,
            part.digest,
            len(faces),
            (50.0, 20.0, 30.0),
            9000.0,
            1,
            True,
            "mm",
            1.0,
            (0.0, 0.0, 0.0),
            (finding,),
        ),
        process=process,
        weights=Weights(),
        standing="auto",
        limit_deg=45.0,
        reach_mm=0.2,
        layers=LayerSummary(
            stack.count,
            tuple(stack.z_mm.tolist()),
            (200.0,) * 125 + (1000.0,) * 25,
            (0.0,) * 125 + (800.0,) + (0.0,) * 24,
            0.0,
            0,
        ),
        undersides=undersides,
        choices=choices,
        alternatives=tuple(
            Alternative(
                alias,
                Cost(1e3 * k, 4e2 * k, 1.2 * k, 600.0 * k, 1.0 * k),
                3 - k,
                800.0,
                0.0,
                0.0,
                Price(time=1.0 * k),
            )
            for k, alias in enumerate(["leave", "bed", "bed-or-part", "chosen"])
        ),
        gap=scheme.gap,
        gap_below=scheme.gap_below,
        pieces=pieces,
        part_cost=Cost(9000.0, 3740.0, 11.2, 5400.0, 1.0),
        support_cost=support_cost,
        warnings=(Earlier("figures rest on a prior: no coupon has been printed"),),
        geometry=Geometry(part, stack, need, scheme),
    )
