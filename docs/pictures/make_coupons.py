"""Draws the pictures of docs/coupons.md anew: five test pieces for pla-0.4 and a recording sheet."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import typst
from PIL import Image

from falsework import CouponKind, design_coupon, load_process
from falsework.coupon.geometry import PrintedPiece
from falsework.report.colour import BED, PART, SUPPORT
from falsework.report.coupon import typst_sheet
from falsework.report.pictures import ABOVE_RIGHT, Tones, bed_sheet, composed, draw_soups
from falsework.report.scene import plain_soup

HERE = Path(__file__).parent
SEED = 3


def oblique(body: PrintedPiece) -> bytes:
    """PNG of a piece with its supports, which show faintly through it."""
    tones = Tones(np.array([PART, SUPPORT, BED]), np.zeros(3, np.int64), np.zeros((3, 3)))
    part = plain_soup(body.part.vertices, body.part.faces)
    standing = None
    if len(body.support_faces):
        soup = plain_soup(body.support_vertices, body.support_faces)
        standing = replace(soup, tag=soup.tag + 1)
    drawing = draw_soups(part, standing, bed_sheet(body.part.bounds_mm), tones, ABOVE_RIGHT, 1.5)
    return base64.b64decode(composed(drawing, []).href.partition(",")[2])


def beside(pages: list[Image.Image]) -> Image.Image:
    """Pages side by side in sixteen greys, a line between them."""
    wide, high = pages[0].size
    sheet = Image.new("L", (len(pages) * (wide + 2) - 2, high), 160)
    for k, page in enumerate(pages):
        sheet.paste(page, (k * (wide + 2), 0))
    return sheet.quantize(16)


def main() -> None:
    process = load_process("pla-0.4")
    for kind in CouponKind:
        coupon = design_coupon(kind, process, seed=SEED)
        assert coupon.geometry is not None
        (HERE / f"coupon-{kind.value}.png").write_bytes(oblique(coupon.geometry.bodies[0]))
        if kind is CouponKind.GAP:
            source, inputs = typst_sheet(coupon)
            sides = typst.compile(source, sys_inputs=inputs, ignore_system_fonts=True, format="png", ppi=80.0)
            beside([Image.open(io.BytesIO(side)).convert("L") for side in sides]).save(
                HERE / "coupon-sheet.png", optimize=True
            )


if __name__ == "__main__":
    main()
