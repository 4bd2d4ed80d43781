"""What the model does not know: every free parameter, its prior, and between what it varies.

One registry feeds the predictions of a plan, the fit, its document and the page. A parameter's true value is
its centre plus independent normal offsets: one that all machines share, one of the printer, one of the
material, one of that material on that printer, one of the strand (width × height) laid there, and one drawn
anew for each prediction, which no reading takes away: what the laws get wrong from case to case. Their
standard deviations are stated here; those between groups are too few to be learned from one print room's
ledger, so they are fixed. Names that begin with ``log_`` are natural logarithms.

Three more are *doubts* of the laws themselves, on a machine with its material (``doubt``), at one strand
(``strand_doubt``) and of a prediction between the conditions that were read (``anew_doubt``): the
discrepancy of Kennedy, O'Hagan 2001, J. R. Statist. Soc. B 63:425-464. They count as
soon as there is a reading to weigh them by, and let the data pull a law out of its shape (``lean`` is where
between two laws they start); before any reading a prediction is that of the laws as they stand. What readings
of one print share (``print``), how graders differ (``grader``) and what an event at the machine changed
(``era``) belong to the fit alone.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from math import hypot, log
from typing import Any

LEVELS = ("common", "printer", "material", "both", "strand", "era", "print", "grader", "anew")
_PLAIN = ("common", "printer", "material", "both", "strand", "anew")


@dataclass(frozen=True)
class Believed:
    """Prior of one parameter: ``centre``, and the standard deviation of its offset at each level."""

    centre: float
    common: float = 0.0
    printer: float = 0.0
    material: float = 0.0
    both: float = 0.0
    strand: float = 0.0
    anew: float = 0.0
    lean: float = 0.0
    doubt: float = 0.0
    strand_doubt: float = 0.0
    anew_doubt: float = 0.0
    era: float = 0.0
    print: float = 0.0
    grader: float = 0.0
    help: str = ""
    source: str = "constructed"

    @property
    def sd(self) -> float:
        """Spread over all levels, for a printer, material and strand never seen, by the laws as they
        stand."""
        return float(sum(getattr(self, level) ** 2 for level in _PLAIN)) ** 0.5

    def spread(self, level: str) -> float:
        """Standard deviation at a level in a fit, doubts of the laws included."""
        doubts = {"both": self.doubt, "strand": self.strand_doubt, "anew": self.anew_doubt}
        doubt = doubts.get(level, 0.0)
        return float(hypot(getattr(self, level), doubt))


def believed(centre: float, help: str, source: str = "constructed", **sds: float) -> Any:
    prior = Believed(centre, help=help, source=source, **sds)
    return dataclasses.field(default=centre, metadata={"prior": prior})


@dataclass(frozen=True)
class Parameters:
    """One value, or an array of values, of every parameter. The defaults are the centres of the prior."""

    # sag of a strand between two anchors
    log_fluidity: Any = believed(
        0.0,
        "factor on the fluidity integral: viscosity level, heat balance",
        "spread from zero-shear viscosities of PLA, 1480..9460 Pa·s (Materials 16(24):7664 (2023), table 1)",
        common=0.15,
        printer=0.10,
        material=0.25,
        both=0.15,
        doubt=0.25,
        era=0.10,
    )
    log_air: Any = believed(
        log(4.0), "speed of the air at the strand at full fan, m/s", common=0.25, printer=0.35, doubt=0.20
    )
    log_taut: Any = believed(
        0.0, "factor on the material's taut strain", common=0.15, material=0.20, both=0.15, doubt=0.20
    )
    log_sag: Any = believed(
        0.0,
        "what the cubic leaves unexplained at one strand",
        strand=0.12,
        anew=0.10,
        strand_doubt=0.20,
        print=0.06,
    )
    sag_by_height: Any = believed(
        0.0,
        "log sag the cubic misses per log layer height",
        "doubt: twice the cubic's own exponent, so that readings may turn its sign",
        common=0.25,
        doubt=1.00,
    )
    sag_by_width: Any = believed(0.0, "log sag the cubic misses per log line width", common=0.25, doubt=0.50)
    sag_by_span: Any = believed(
        0.0, "log sag the cubic misses per log span, from 30 mm", common=0.10, both=0.05, doubt=0.40
    )
    sag_bend: Any = believed(0.0, "log sag the cubic misses per squared log span, from 30 mm", doubt=0.25)
    sag_in_still_air: Any = believed(
        0.0, "log sag the cooling laws miss with the fan off", common=0.10, printer=0.10, doubt=0.30
    )
    sag_by_speed: Any = believed(
        0.0,
        "log sag per log speed",
        "sign left to readings: a pellet-fed head sags less when faster (Pricci 2025, Polymers 17:2858), "
        "with the flow tied to the speed nothing of that follows",
        common=0.20,
    )
    # reach over air
    log_threshold: Any = believed(
        log(0.5),
        "share of a line over air at which half look closed with visible sag, at the material's usual fan",
        "common practice, no source: 45° where the layer is half as high as the line is wide",
        common=0.20,
        printer=0.20,
        material=0.15,
        both=0.10,
        strand=0.05,
        strand_doubt=0.08,
        anew_doubt=0.03,
        era=0.08,
        print=0.08,
    )
    threshold_by_fan: Any = believed(
        0.30, "log of that share per full share of fan", "from memory", common=0.12, printer=0.06, doubt=0.25
    )
    threshold_by_height: Any = believed(0.0, "log of that share per log layer height", common=0.10)
    threshold_by_ratio: Any = believed(
        0.0,
        "log of that share per log (layer height / line width): 0 where the share counts, 1 where the angle",
        lean=0.40,
        doubt=0.50,
    )
    log_onset: Any = believed(
        log(0.10), "how sharply failure sets in, in line widths", common=0.35, doubt=0.35
    )
    log_curl: Any = believed(log(0.10), "share of a line lost per layer height of curl", common=0.70)
    log_ledge: Any = believed(
        0.0, "factor on the droop of ledges", common=0.40, printer=0.30, material=0.30, both=0.35
    )
    # a strand on a support
    log_clearance: Any = believed(
        0.0,
        "height at which a strand stops touching, over its free diameter",
        common=0.08,
        printer=0.06,
        material=0.06,
        both=0.05,
        doubt=0.08,
    )
    log_softness: Any = believed(
        log(0.12),
        "how gradually contact ends, in strand diameters: the undulation of strands",
        common=0.30,
        material=0.20,
        doubt=0.80,
    )
    gap_by_height: Any = believed(
        0.0,
        "0 where the gap counts in layers or clearance, 1 where in millimetres",
        lean=0.40,
        doubt=0.50,
    )
    log_touch: Any = believed(
        -8.2, "contact of a strand that has only sagged onto the support, share", common=0.7, doubt=0.70
    )
    bond: Any = believed(
        0.0,
        "log factor on what holds",
        common=0.5,
        printer=0.4,
        material=0.6,
        both=0.4,
        strand=0.3,
        doubt=1.20,
        anew_doubt=0.20,
        strand_doubt=0.60,
        era=0.50,
        print=0.35,
        grader=0.40,
    )
    bond_at_1: Any = believed(
        0.0, "log bond both laws miss at a gap of 1 layer: a doubt that readings of it settle", doubt=0.35
    )
    bond_at_2: Any = believed(0.0, "log bond both laws miss at a gap of 2 layers", doubt=0.35)
    bond_at_3: Any = believed(0.0, "log bond both laws miss at a gap of 3 layers", doubt=0.35)
    bond_at_4: Any = believed(0.0, "log bond both laws miss at a gap of 4 layers", doubt=0.35)
    bond_at_5: Any = believed(0.0, "log bond both laws miss at a gap of 5 layers", doubt=0.35)
    bond_at_6: Any = believed(0.0, "log bond both laws miss at a gap of 6 layers", doubt=0.35)
    bond_by_height: Any = believed(0.0, "log bond both laws miss per log layer height", common=0.6)
    bond_by_width: Any = believed(0.0, "log bond both laws miss per log line width", common=0.6)
    bond_by_heat: Any = believed(
        0.3,
        "log bond per 20 K of nozzle temperature",
        "sign: Orellana-Barrasa et al. 2025, Polymers 17(23):3106",
        common=0.2,
    )
    bond_by_fan: Any = believed(-0.2, "log bond per full share of fan", common=0.3)
    bond_by_coverage: Any = believed(1.0, "log bond per log share of the top that is strands", common=0.3)
    bond_grid: Any = believed(0.3, "log bond of two crossing sets against lines", common=0.3)
    bond_perimeter: Any = believed(0.5, "log bond per closed line around the body", common=0.4)
    bond_along: Any = believed(0.0, "log bond where strands run along the lines beneath", common=0.3)
    log_step_fused: Any = believed(
        log(1.5), "log bond between 'scraped' and 'fused', width", common=0.3, doubt=0.25
    )
    log_step_tool: Any = believed(log(1.4), "log bond that is 'tool', width", common=0.3, doubt=0.25)
    log_step_hand: Any = believed(log(2.8), "log bond that is 'hand', width", common=0.3, doubt=0.25)
    log_step_touch: Any = believed(log(6.0), "log bond at which it comes off at a touch, width", doubt=0.60)
    log_bond_scatter: Any = believed(
        log(0.5), "scatter of the log bond from support to support (logistic scale)", common=0.4, doubt=0.35
    )
    # finish, in grades
    log_step_2: Any = believed(0.0, "width of finish 2", common=0.25)
    log_step_3: Any = believed(0.0, "width of finish 3", common=0.25)
    log_step_4: Any = believed(0.0, "width of finish 4", common=0.25)
    log_finish_scatter: Any = believed(
        log(0.35), "scatter of the finish and of its grading (logistic scale)", common=0.4, doubt=0.35
    )
    finish: Any = believed(
        1.8,
        "finish of a carried underside without droop or marks, above 'just closed'",
        common=0.4,
        printer=0.3,
        material=0.3,
        both=0.25,
        strand=0.25,
        doubt=0.30,
        era=0.20,
        print=0.15,
    )
    log_finish_droop: Any = believed(log(0.8), "grades lost to droop onto the support", common=0.4)
    log_finish_scar: Any = believed(log(1.2), "grades lost where support must be scraped off", common=0.5)
    finish_by_coverage: Any = believed(0.5, "grades per log share of the top that is strands", common=0.25)
    finish_by_dense: Any = believed(0.2, "grades per log number of interface layers", common=0.15)
    finish_grid: Any = believed(0.1, "grades over two crossing sets against lines", common=0.25)
    finish_along: Any = believed(0.0, "grades where strands run along the lines beneath", common=0.3)
    log_bridge_half: Any = believed(
        log(1.5), "sag of a bridge that looks just closed, per (layer height + 0.3 mm)", common=0.4, both=0.3
    )
    log_bridge_steep: Any = believed(log(1.2), "grades lost per log sag of a bridge", common=0.3)
    strictness: Any = believed(0.0, "grades that a grader marks a finish below the others", grader=0.35)
    # errors of measuring and from print to print
    log_error: Any = believed(
        log(0.05), "error of a measured droop, mm", "constructed: calipers on rough strands", common=0.3
    )
    log_error_share: Any = believed(log(0.12), "error in proportion to the droop", common=0.3)
    log_error_ledge: Any = believed(log(0.50), "the same for ledges", common=0.3)


PRIORS: dict[str, Believed] = {f.name: f.metadata["prior"] for f in dataclasses.fields(Parameters)}
NAMES: tuple[str, ...] = tuple(PRIORS)
