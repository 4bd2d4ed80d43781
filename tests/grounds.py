"""Grounds to draw changes on, from solids built by hand, standing where they are built."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from manifold3d import Manifold

from falsework.part.part import Part
from falsework.planning import inspect
from falsework.process import load_process
from falsework.process.settings import Process
from falsework.redrawing.body.solids import mesh_of
from falsework.redrawing.changes.draft import Draft, Refusal
from falsework.redrawing.proof.prove import ChangeProof, prove
from falsework.redrawing.site.ground import asks, ground_of
from falsework.redrawing.site.value import PlannedPart, UndersideSite

PROCESS = load_process("pla-0.4")  # lines of 0.45 in layers of 0.2, clean spans up to 17.7 mm


def block(low: tuple[float, ...], high: tuple[float, ...]) -> Manifold:
    return Manifold.cube(np.subtract(high, low)).translate(low)


def ground(solid: Manifold, process: Process = PROCESS) -> PlannedPart:
    """The solid on the bed; the plan centres it there."""
    return ground_of(inspect(Part("test", *mesh_of(solid)), process))


def worst(on: PlannedPart) -> UndersideSite:
    """Its largest underside that asks for support."""
    asking = [under for under in on.need.undersides if asks(under, on.process)]
    return UndersideSite(on, max(asking, key=lambda under: under.area_mm2))


def proved(on: PlannedPart, maker: Callable[[UndersideSite], Draft | Refusal]) -> tuple[Draft, ChangeProof]:
    """The draft for the largest asking underside, and its proof, which must be good."""
    draft = maker(worst(on))
    assert isinstance(draft, Draft), draft
    proof = prove(on, draft)
    assert proof.good, (draft.words, proof.faults)
    return draft, proof


def refused(on: PlannedPart, maker: Callable[[UndersideSite], Draft | Refusal]) -> Refusal:
    """Why there is none."""
    refusal = maker(worst(on))
    assert isinstance(refusal, Refusal), refusal
    return refusal


def spared(on: PlannedPart, where: Callable[[np.ndarray], np.ndarray]) -> PlannedPart:
    """The same with the faces spared whose three corners (m, 3, 3), from the part's lowest corner, all are
    ``where``."""
    from dataclasses import replace

    corners = on.part.vertices[on.part.faces] - on.part.bounds_mm[0]
    return replace(on, spared=where(corners).all(axis=1))
